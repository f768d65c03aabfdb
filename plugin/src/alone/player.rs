//! What is played to listen to a take: the window's end and the audio end (AUDIO) of one player. Sounds come ready over a
//! ring and go back over another, so that the audio side neither allocates nor frees.

use rtrb::{Consumer, Producer, RingBuffer};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

/// Sounds under way between the two ends: more than can be asked for within a block.
const UNDER_WAY: usize = 8;
/// A sound that is broken off fades within so many samples: 5 ms at 48 kHz.
const LEAVE: usize = 240;

/// A sound to be played, at the output's rate.
#[derive(Debug, Default)]
pub struct Clip {
    /// Its samples.
    pub samples: Vec<f32>,
    /// It begins again at its end.
    pub is_looped: bool,
    /// Tells it from every other.
    pub id: u64,
}

/// What both ends know.
#[derive(Debug, Default)]
struct Shared {
    /// Break off.
    stop: AtomicBool,
    /// The clip that sounds; 0 = none.
    id: AtomicU64,
    /// Samples of it that were played.
    at: AtomicU64,
    /// The last clip that has ended, in whatever way.
    done: AtomicU64,
}

/// The window's end.
pub struct Player {
    to_audio: Producer<Box<Clip>>,
    back: Consumer<Box<Clip>>,
    shared: Arc<Shared>,
    last_id: u64,
}

/// The audio end.
pub struct Playing {
    from_window: Consumer<Box<Clip>>,
    back: Producer<Box<Clip>>,
    shared: Arc<Shared>,
    clip: Option<Box<Clip>>,
    at: usize,
    /// Samples left of one that fades.
    leaves: Option<usize>,
}

/// Both ends of a player.
#[must_use]
pub fn pair() -> (Player, Playing) {
    let (to_audio, from_window) = RingBuffer::new(UNDER_WAY);
    let (give_back, back) = RingBuffer::new(UNDER_WAY);
    let shared = Arc::<Shared>::default();
    let player = Player { to_audio, back, shared: shared.clone(), last_id: 0 };
    (player, Playing { from_window, back: give_back, shared, clip: None, at: 0, leaves: None })
}

impl Player {
    /// Plays samples at the output's rate in place of what sounds; their id, 0 where the audio side takes nothing.
    pub fn play(&mut self, samples: Vec<f32>, is_looped: bool) -> u64 {
        self.clear();
        self.last_id += 1;
        self.shared.stop.store(false, Ordering::Release);
        let clip = Box::new(Clip { samples, is_looped, id: self.last_id });
        if self.to_audio.push(clip).is_err() { 0 } else { self.last_id }
    }

    /// Breaks off.
    pub fn stop(&mut self) {
        self.shared.stop.store(true, Ordering::Release);
        self.clear();
    }

    /// Where a clip is, samples from its begin; `None` where it does not sound, or not yet or no more.
    #[must_use]
    pub fn at(&self, id: u64) -> Option<u64> {
        let at = self.shared.at.load(Ordering::Acquire);
        (id != 0 && self.shared.id.load(Ordering::Acquire) == id).then_some(at)
    }

    /// True from the call that plays a clip to its end.
    #[must_use]
    pub fn is_under_way(&self, id: u64) -> bool {
        id == self.last_id && !self.to_audio.is_abandoned() && self.shared.done.load(Ordering::Acquire) < id
    }

    /// Frees what was played.
    fn clear(&mut self) {
        while self.back.pop().is_ok() {}
    }
}

impl Playing {
    /// AUDIO: adds what sounds to the output's next samples.
    pub fn add(&mut self, into: &mut [f32]) {
        if self.shared.stop.swap(false, Ordering::AcqRel) {
            self.leave();
        }
        let mut from = 0;
        while from < into.len() {
            if !self.from_window.is_empty() && self.clip.is_some() {
                self.leave();
            }
            if self.clip.is_none() && !self.take_next() {
                break;
            }
            from += self.add_some(&mut into[from..]);
        }
        self.tell();
    }

    fn leave(&mut self) {
        if self.clip.is_some() {
            self.leaves.get_or_insert(LEAVE);
        }
    }

    fn take_next(&mut self) -> bool {
        // A full ring back means that the window is gone: nothing is taken that could not be given back. Of several that
        // wait the last is meant.
        while !self.back.is_full() {
            let Ok(clip) = self.from_window.pop() else { break };
            self.give_back();
            (self.clip, self.at) = (Some(clip), 0);
        }
        self.clip.is_some()
    }

    /// Adds samples of the clip up to its end or the output's; how many.
    fn add_some(&mut self, into: &mut [f32]) -> usize {
        let Some(clip) = &self.clip else { return into.len() };
        let left = clip.samples.len().saturating_sub(self.at).min(self.leaves.unwrap_or(usize::MAX));
        let num = left.min(into.len());
        for (i, (to, from)) in into.iter_mut().zip(&clip.samples[self.at..self.at + num]).enumerate() {
            let part = self.leaves.map_or(1.0, |leaves| (leaves - i) as f32 / LEAVE as f32);
            *to += part * from;
        }
        self.at += num;
        self.leaves = self.leaves.map(|leaves| leaves - num);
        if self.leaves == Some(0) || (self.at == clip.samples.len() && !clip.is_looped) || clip.samples.is_empty() {
            self.give_back();
        } else if self.at == clip.samples.len() {
            self.at = 0;
        }
        num
    }

    fn give_back(&mut self) {
        if let Some(clip) = self.clip.take() {
            self.shared.done.store(clip.id, Ordering::Release);
            // There is room: it was looked for when the clip was taken.
            let _ = self.back.push(clip);
        }
        self.leaves = None;
    }

    fn tell(&self) {
        self.shared.at.store(self.at as u64, Ordering::Release);
        self.shared.id.store(self.clip.as_ref().map_or(0, |clip| clip.id), Ordering::Release);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(playing: &mut Playing, num: usize) -> Vec<f32> {
        let mut out = vec![0.0; num];
        out.chunks_mut(7).for_each(|block| playing.add(block));
        out
    }

    #[test]
    fn a_sound_is_played_once_and_its_place_is_told() {
        let (mut player, mut playing) = pair();
        let id = player.play((1..=20).map(|i| i as f32).collect(), false);
        assert!(player.is_under_way(id));
        assert_eq!(heard(&mut playing, 14), (1..=14).map(|i| i as f32).collect::<Vec<_>>());
        assert_eq!(player.at(id), Some(14));
        assert_eq!(heard(&mut playing, 14)[5..], [20.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        assert!(player.at(id).is_none() && !player.is_under_way(id));
    }

    #[test]
    fn a_loop_goes_on_until_it_is_stopped_and_then_fades() {
        let (mut player, mut playing) = pair();
        let id = player.play(vec![1.0, 2.0, 3.0], true);
        assert_eq!(heard(&mut playing, 9), [1.0, 2.0, 3.0, 1.0, 2.0, 3.0, 1.0, 2.0, 3.0]);
        player.stop();
        let left = heard(&mut playing, 2 * LEAVE);
        assert!(left[..LEAVE - 3].windows(4).all(|w| w[3] < w[0] + 1e-6), "it grows softer");
        assert!(left[LEAVE..].iter().all(|s| *s == 0.0) && !player.is_under_way(id));
    }

    #[test]
    fn the_next_sound_takes_the_place_of_the_one_before() {
        let (mut player, mut playing) = pair();
        let first = player.play(vec![1.0; 10_000], true);
        heard(&mut playing, 70);
        let second = player.play(vec![0.5; 10_000], false);
        let out = heard(&mut playing, LEAVE + 70);
        assert!(player.at(first).is_none() && player.at(second).is_some());
        assert_eq!(out[LEAVE + 10..][..50], [0.5; 50]);
    }

    #[test]
    fn empty_sounds_and_more_than_fit_do_no_harm() {
        let (mut player, mut playing) = pair();
        player.play(Vec::new(), true);
        assert_eq!(heard(&mut playing, 21), [0.0; 21]);
        for _ in 0..3 * UNDER_WAY {
            player.play(vec![0.1; 5], true);
        }
        heard(&mut playing, 21);
        drop(player);
        heard(&mut playing, 3_000);
    }
}
