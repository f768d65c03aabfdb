//! What keys and buttons want to hear.

use super::Screen;
use super::middle::other_of;
use crate::passes::Pass;
use crate::session::Session;
use crate::view::listen::{AFTER_S, BEFORE_S, ListenKey, ListenWish, Stretch};
use notefront_dsp::align::Pair;

impl Screen {
    /// Where a pass is heard now, s.
    pub(super) fn heard_s(&self, pass: &Pass) -> Option<f64> {
        self.listening.playing.filter(|(id, _)| *id == pass.id).map(|(_, s)| s)
    }

    /// Follows a key of listening.
    pub(super) fn listen(&mut self, session: &Session, pass: &Pass, key: ListenKey) {
        self.listening.trouble.clear();
        self.listening.change(key);
        let is_playing = self.listening.playing.is_some();
        match key {
            ListenKey::Play if is_playing => self.asked.push(ListenWish::Stop),
            ListenKey::Play => self.hear(pass),
            ListenKey::Swap => self.swap(session, pass),
            ListenKey::Blind => self.asked.push(ListenWish::Blind(pass.id)),
            // What is heard changes at once.
            ListenKey::Loop | ListenKey::Speed | ListenKey::Span if is_playing => self.hear(pass),
            ListenKey::Loop | ListenKey::Speed | ListenKey::Span => {}
        }
    }

    /// The chosen entrance, or "here", or else the pass from its begin.
    fn hear(&mut self, pass: &Pass) {
        let at_s = self.heard_from_s(pass);
        self.asked.push(ListenWish::Hear(self.listening.stretch(pass, at_s)));
    }

    fn heard_from_s(&self, pass: &Pass) -> f64 {
        self.here_s(pass).or(pass.entrances.first().map(|e| e.front.speaks_s)).unwrap_or(BEFORE_S)
    }

    /// The same place of the other pass: of the two that are compared, the one that does not sound.
    fn swap(&mut self, session: &Session, pass: &Pass) {
        let Some(other) = other_of(session, pass) else {
            self.listening.trouble = "Nothing to compare with yet: play the passage again, or pin a reference.".into();
            return;
        };
        let Some(pairs) = self.comparer.of(other, pass).map(|c| c.aligned.alignment.pairs.clone()) else {
            self.listening.trouble = "The two are still being compared: press again in a moment.".into();
            return;
        };
        let now = self.listening.playing;
        let stretch = match now {
            Some((id, now_s)) if id == pass.id => beyond(&pairs, pass, other, now_s, true),
            Some((id, now_s)) if id == other.id => beyond(&pairs, other, pass, now_s, false),
            _ => Some(self.heard_from_s(pass)).map(|at_s| (pass.id, at_s - BEFORE_S, at_s + AFTER_S)),
        };
        match stretch {
            Some((id, from_s, to_s)) => {
                let beside = vec![pass.id, other.id];
                let (speed, is_looped) = (self.listening.speed, self.listening.is_looped);
                let span_s = (from_s.max(0.0), to_s);
                self.asked.push(ListenWish::Hear(Stretch { pass: id, span_s, speed, is_looped, beside }));
            }
            None => self.listening.trouble = "This entrance has no partner in the other pass.".into(),
        }
    }
}

/// Where one pass is to go on from, so that it continues what the other sounds: the pass, from where and to where, s.
/// In pairs the other pass stands first, the one on show second.
fn beyond(pairs: &[Pair], from: &Pass, to: &Pass, now_s: f64, from_is_shown: bool) -> Option<(u64, f64, f64)> {
    let places = |pair: &Pair| if from_is_shown { (pair.b, pair.a) } else { (pair.a, pair.b) };
    let times = pairs
        .iter()
        .map(places)
        .filter_map(|(i, j)| Some((from.entrances.get(i)?.front.speaks_s, to.entrances.get(j)?.front.speaks_s)));
    // The entrance that is about to be heard, or was heard last.
    let near = times.filter(|(a, _)| *a - BEFORE_S <= now_s && now_s <= *a + AFTER_S);
    let (a, b) = near.min_by(|x, y| (x.0 - now_s).abs().total_cmp(&(y.0 - now_s).abs()))?;
    let into_s = if now_s - a < AFTER_S - 0.1 { now_s - a } else { -BEFORE_S };
    Some((to.id, b + into_s, b + AFTER_S))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn the_other_pass_goes_on_where_the_one_was() {
        let (mut a, mut b) = (fixture::pass_at_60(&[1.0, 2.0]), fixture::pass_at_60(&[11.0, 12.5]));
        (a.id, b.id) = (1, 2);
        let pairs = [Pair { a: 0, b: 0, interval: None }, Pair { a: 1, b: 1, interval: None }].to_vec();
        // The pass on show, b, is 0.2 s into its second entrance.
        assert_eq!(
            beyond(&pairs, &b, &a, 12.7, true).map(|(id, from, to)| (id, (from * 10.0).round(), to)),
            Some((1, 22.0, 3.0))
        );
        assert_eq!(
            beyond(&pairs, &a, &b, 1.95, false).map(|(id, from, _)| (id, (from * 100.0).round())),
            Some((2, 1245.0))
        );
        assert_eq!(beyond(&pairs, &a, &b, 9.0, false), None);
        // At the very end it begins before the entrance again.
        assert_eq!(beyond(&pairs[..1], &a, &b, 1.95, false).map(|(_, from, _)| from), Some(11.0 - BEFORE_S));
    }
}
