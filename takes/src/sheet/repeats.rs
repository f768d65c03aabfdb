//! Repeats played out: in which order the bars of a part sound.

/// What stands at a bar that changes the order.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Signs {
    /// A repeat begins with this bar.
    pub forward: bool,
    /// A repeat ends with this bar, to be played so many times in all.
    pub backward: Option<u32>,
    /// Passes of the repeat in which this bar is played; empty for all.
    pub volta: Vec<u32>,
    /// The sign to which dal segno leads.
    pub segno: bool,
    /// The sign to which "to coda" leads.
    pub coda: bool,
    /// After a da capo or dal segno, on to the coda after this bar.
    pub to_coda: bool,
    /// After a da capo or dal segno, the end after this bar.
    pub fine: bool,
    /// Back to the beginning after this bar.
    pub da_capo: bool,
    /// Back to the segno after this bar.
    pub dal_segno: bool,
}

/// Bars played in all, at most: signs without sense must not make endless music.
const MAX_BARS: usize = 100_000;

/// Indexes of the bars in the order they sound. After a da capo or dal segno repeats are not played again
/// and the last volta counts, as is usual \[P\].
pub fn order(signs: &[Signs]) -> Vec<usize> {
    Player { signs, order: Vec::new(), repeat_from: 0, pass: 1, has_jumped: false }.play()
}

struct Player<'a> {
    signs: &'a [Signs],
    order: Vec<usize>,
    repeat_from: usize,
    pass: u32,
    /// After the da capo or dal segno.
    has_jumped: bool,
}

impl Player<'_> {
    fn play(mut self) -> Vec<usize> {
        let mut at = 0;
        while at < self.signs.len() && self.order.len() < MAX_BARS {
            if self.signs[at].forward && at != self.repeat_from {
                self.begin_repeat(at);
            }
            if !self.is_played(at) {
                at += 1;
                continue;
            }
            self.order.push(at);
            match self.next(at) {
                Some(next) => at = next,
                None => break,
            }
        }
        self.order
    }

    fn begin_repeat(&mut self, at: usize) {
        self.repeat_from = at;
        self.pass = 1;
    }

    fn is_played(&self, at: usize) -> bool {
        let volta = &self.signs[at].volta;
        let pass = if self.has_jumped { self.num_passes(at) } else { self.pass };
        volta.is_empty() || volta.contains(&pass)
    }

    /// Passes of the repeat that a bar closes or whose volta it is in: by the voltas side by side there, or
    /// by the closing barline.
    fn num_passes(&self, at: usize) -> u32 {
        let is_volta = |signs: &&Signs| !signs.volta.is_empty();
        let (before, from) = self.signs.split_at(at);
        let voltas = before.iter().rev().take_while(is_volta).chain(from.iter().take_while(is_volta));
        let of = |signs: &Signs| signs.volta.iter().copied().chain(signs.backward).max();
        let own = of(&self.signs[at]).unwrap_or(1);
        if self.signs[at].volta.is_empty() { own } else { voltas.filter_map(of).max().unwrap_or(own) }
    }

    fn next(&mut self, at: usize) -> Option<usize> {
        let signs = &self.signs[at];
        if self.has_jumped {
            return self.next_after_jump(at);
        }
        if signs.backward.is_some() {
            if self.pass < self.num_passes(at) {
                self.pass += 1;
                return Some(self.repeat_from);
            }
            self.begin_repeat(at + 1);
        } else if !signs.volta.is_empty() && self.signs.get(at + 1).is_none_or(|next| next.volta.is_empty()) {
            // The last volta has no barline that leads back.
            self.begin_repeat(at + 1);
        }
        if signs.da_capo || signs.dal_segno {
            self.has_jumped = true;
            let to = if signs.da_capo { 0 } else { self.signs.iter().position(|s| s.segno).unwrap_or(0) };
            self.begin_repeat(to);
            return Some(to);
        }
        Some(at + 1)
    }

    fn next_after_jump(&self, at: usize) -> Option<usize> {
        let signs = &self.signs[at];
        if signs.fine || signs.da_capo || signs.dal_segno {
            return None;
        }
        match self.signs.iter().rposition(|s| s.coda).filter(|&coda| signs.to_coda && coda > at) {
            Some(coda) => Some(coda),
            None => Some(at + 1),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn played(signs: &[Signs]) -> Vec<usize> {
        order(signs)
    }

    fn bars<const N: usize>(set: impl Fn(&mut [Signs; N])) -> Vec<usize> {
        let mut signs = std::array::from_fn(|_| Signs::default());
        set(&mut signs);
        played(&signs)
    }

    #[test]
    fn plain_music_goes_straight_on() {
        assert_eq!(bars::<3>(|_| {}), [0, 1, 2]);
        assert!(played(&[]).is_empty());
    }

    #[test]
    fn a_repeat_goes_back_to_its_beginning() {
        assert_eq!(
            bars::<4>(|b| {
                b[1].forward = true;
                b[2].backward = Some(2);
            }),
            [0, 1, 2, 1, 2, 3]
        );
        assert_eq!(bars::<3>(|b| b[1].backward = Some(2)), [0, 1, 0, 1, 2], "without a beginning, to the top");
        assert_eq!(
            bars::<2>(|b| {
                b[0].forward = true;
                b[0].backward = Some(3);
            }),
            [0, 0, 0, 1]
        );
    }

    #[test]
    fn repeats_follow_each_other() {
        let order = bars::<4>(|b| {
            b[1].backward = Some(2);
            b[2].forward = true;
            b[3].backward = Some(2);
        });
        assert_eq!(order, [0, 1, 0, 1, 2, 3, 2, 3]);
    }

    #[test]
    fn voltas_are_played_in_their_pass() {
        let order = bars::<5>(|b| {
            b[0].forward = true;
            b[1].volta = vec![1];
            b[1].backward = Some(2);
            b[2].volta = vec![2];
        });
        assert_eq!(order, [0, 1, 0, 2, 3, 4]);
        let thrice = bars::<4>(|b| {
            b[1].volta = vec![1, 2];
            b[1].backward = Some(2);
            b[2].volta = vec![3];
        });
        assert_eq!(thrice, [0, 1, 0, 1, 0, 2, 3]);
    }

    #[test]
    fn voltas_may_be_longer_than_a_bar() {
        let order = bars::<6>(|b| {
            (b[1].volta, b[2].volta) = (vec![1], vec![1]);
            b[2].backward = Some(2);
            (b[3].volta, b[4].volta) = (vec![2], vec![2]);
        });
        assert_eq!(order, [0, 1, 2, 0, 3, 4, 5]);
    }

    #[test]
    fn da_capo_ends_at_the_fine_without_repeats() {
        let order = bars::<4>(|b| {
            b[0].backward = Some(2);
            b[1].fine = true;
            b[3].da_capo = true;
        });
        assert_eq!(order, [0, 0, 1, 2, 3, 0, 1]);
    }

    #[test]
    fn da_capo_takes_the_last_volta() {
        let order = bars::<4>(|b| {
            b[1].volta = vec![1];
            b[1].backward = Some(2);
            b[2].volta = vec![2];
            b[2].fine = true;
            b[3].da_capo = true;
        });
        assert_eq!(order, [0, 1, 0, 2, 3, 0, 2]);
    }

    #[test]
    fn dal_segno_al_coda() {
        let order = bars::<6>(|b| {
            b[1].segno = true;
            b[2].to_coda = true;
            b[4].dal_segno = true;
            b[5].coda = true;
        });
        assert_eq!(order, [0, 1, 2, 3, 4, 1, 2, 5]);
    }

    #[test]
    fn signs_without_sense_end_all_the_same() {
        assert_eq!(bars::<2>(|b| b[1].dal_segno = true), [0, 1, 0, 1]);
        assert!(bars::<1>(|b| b[0].backward = Some(u32::MAX)).len() <= MAX_BARS);
    }
}
