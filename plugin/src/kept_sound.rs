//! The sound of passes, kept to be heard again where no host plays it: in memory, the newest [`MOST_S`] in all.

use crate::passes::PassId;
use notefront_takes::loudness::{Loudness, LoudnessMeter};
use parking_lot::Mutex;
use std::collections::VecDeque;

/// Sound that is kept of all passes together, s at 48 kHz: 30 minutes in 16 bits are 173 MB.
pub const MOST_S: f64 = 1_800.0;
/// The same in samples.
const MOST_SAMPLES: usize = (MOST_S * 48_000.0) as usize;

/// The sound of passes. Locks, so never on the audio thread.
#[derive(Default)]
pub struct KeptSound(Mutex<VecDeque<Kept>>);

/// Of one pass.
struct Kept {
    pass: PassId,
    rate_hz: f64,
    samples: Vec<i16>,
    meter: LoudnessMeter,
}

/// A stretch of the sound of a pass.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// Its samples, 1 = full scale.
    pub samples: Vec<f32>,
    /// Hz.
    pub rate_hz: f64,
    /// How loud the pass is, as far as it is kept.
    pub loudness: Loudness,
}

impl KeptSound {
    /// The next samples of a pass, at a rate in Hz. The oldest passes make room; a pass longer than all the room keeps its
    /// beginning.
    pub fn push(&self, pass: PassId, rate_hz: f64, samples: &[f32]) {
        let mut all = self.0.lock();
        let place = all.iter().position(|kept| kept.pass == pass).unwrap_or_else(|| {
            all.push_back(Kept { pass, rate_hz, samples: Vec::new(), meter: LoudnessMeter::new(rate_hz) });
            all.len() - 1
        });
        let mut room = MOST_SAMPLES.saturating_sub(all.iter().map(|kept| kept.samples.len()).sum());
        let mut place = place;
        while room < samples.len() && place > 0 {
            room += all.pop_front().map_or(0, |kept| kept.samples.len());
            place -= 1;
        }
        let Some(kept) = all.get_mut(place) else { return };
        let samples = &samples[..samples.len().min(room)];
        kept.meter.push(samples);
        kept.samples.extend(samples.iter().map(|s| (f64::from(*s) * 32_767.0).round() as i16));
    }

    /// Forgets the sound of a pass.
    pub fn forget(&self, pass: PassId) {
        self.0.lock().retain(|kept| kept.pass != pass);
    }

    /// How much of a pass is kept, s from its begin.
    #[must_use]
    pub fn length_s(&self, pass: PassId) -> f64 {
        let all = self.0.lock();
        all.iter().find(|kept| kept.pass == pass).map_or(0.0, |kept| kept.samples.len() as f64 / kept.rate_hz)
    }

    /// The sound of a pass from one time to another, s, as far as it is kept; `None` where nothing of it is.
    #[must_use]
    pub fn stretch(&self, pass: PassId, (from_s, to_s): (f64, f64)) -> Option<Heard> {
        let all = self.0.lock();
        let kept = all.iter().find(|kept| kept.pass == pass)?;
        let place = |s: f64| ((s * kept.rate_hz).round().max(0.0) as usize).min(kept.samples.len());
        let part = kept.samples.get(place(from_s)..place(to_s)).filter(|part| !part.is_empty())?;
        let samples = part.iter().map(|s| f32::from(*s) / 32_767.0).collect();
        Some(Heard { samples, rate_hz: kept.rate_hz, loudness: kept.meter.loudness() })
    }

    /// How loud a pass is, as far as it is kept.
    #[must_use]
    pub fn loudness(&self, pass: PassId) -> Option<Loudness> {
        self.0.lock().iter().find(|kept| kept.pass == pass).map(|kept| kept.meter.loudness())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_comes_back_as_it_was_played() {
        let kept = KeptSound::default();
        let sound: Vec<f32> = (0..10_000).map(|i| (i as f32 * 0.01).sin() * 0.5).collect();
        sound.chunks(333).for_each(|block| kept.push(7, 1_000.0, block));
        let heard = kept.stretch(7, (2.0, 3.5)).expect("it is kept");
        assert_eq!((heard.samples.len(), heard.rate_hz), (1_500, 1_000.0));
        // 16 bits.
        assert!(heard.samples.iter().zip(&sound[2_000..]).all(|(a, b)| (a - b).abs() < 1.0 / 32_000.0));
        assert_eq!(kept.stretch(7, (9.5, 20.0)).map(|h| h.samples.len()), Some(500));
        assert!(kept.stretch(7, (20.0, 21.0)).is_none() && kept.stretch(8, (0.0, 1.0)).is_none());
        assert!((kept.length_s(7) - 10.0).abs() < 1e-9 && kept.length_s(8) == 0.0);
        kept.forget(7);
        assert!(kept.loudness(7).is_none());
    }

    #[test]
    fn the_oldest_makes_room_and_a_long_one_keeps_its_beginning() {
        let kept = KeptSound::default();
        let block = vec![0.1; 48_000];
        for pass in 1..=3 {
            (0..800).for_each(|_| kept.push(pass, 48_000.0, &block));
        }
        assert_eq!(kept.length_s(1), 0.0, "1600 of 1800 seconds are taken by the later two");
        assert_eq!((kept.length_s(2), kept.length_s(3)), (800.0, 800.0));
        (0..1_900).for_each(|_| kept.push(4, 48_000.0, &block));
        assert_eq!((kept.length_s(3), kept.length_s(4)), (0.0, MOST_S));
        kept.push(5, 48_000.0, &[f32::NAN, f32::INFINITY, -9.0]);
        let odd = kept.stretch(5, (0.0, 1.0)).expect("it is kept").samples;
        assert_eq!((odd[0], odd[1]), (0.0, 1.0), "no number is silence");
    }
}
