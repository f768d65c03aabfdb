//! Truth by construction: clicks are put at known samples, and the beats are compared with them.

use super::*;

const RATE: f64 = 48_000.0;

/// Numbers between 0 and 1 that are the same on every run (a linear congruential generator, Knuth's constants).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Adds a beep that starts at once and dies away in about 15 ms.
fn beep(sound: &mut [f32], at_s: f64, hz: f64, level: f64) {
    let start = (at_s * RATE).ceil();
    for i in 0..(0.06 * RATE) as usize {
        let t = (start + i as f64) / RATE - at_s;
        if let Some(sample) = sound.get_mut(start as usize + i) {
            *sample += (level * (-t / 0.012).exp() * (std::f64::consts::TAU * hz * t).sin()) as f32;
        }
    }
}

/// A tempo that wanders by a share to both sides.
fn wandering(bpm: f64, share: f64, num_beats: usize) -> Vec<f64> {
    let mut beats = vec![0.7];
    for i in 1..num_beats {
        let wander = 1.0 + share * (i as f64 / 25.0).sin();
        beats.push(beats[i - 1] + 60.0 / bpm * wander);
    }
    beats
}

struct Heard {
    found: ClickBeats,
    /// Distance of every true beat within the clicks from the nearest found one, ms, rising.
    off_ms: Vec<f64>,
}

impl Heard {
    fn p95_ms(&self) -> f64 {
        self.off_ms[(self.off_ms.len() - 1) * 95 / 100]
    }
}

fn hear(sound: &[f32]) -> Result<ClickBeats, ClickError> {
    let mut ear = Ear::new(RATE);
    sound.chunks(777).for_each(|block| ear.push(block));
    beats(&ear.finish())
}

/// Plays beats of which a share is missing over a sound, and hears them.
fn play(beats: &[f64], missing: f64, mut sound: Vec<f32>, seed: u64) -> Heard {
    let mut dice = Dice(seed);
    sound.resize(((beats.last().expect("beats") + 1.0) * RATE) as usize, 0.0);
    let mut played = Vec::new();
    for (i, &beat) in beats.iter().enumerate() {
        if dice.roll() >= missing {
            let (hz, level) = if i % 4 == 0 { (1500.0, 0.5) } else { (1000.0, 0.25) };
            beep(&mut sound, beat, hz, level);
            played.push(beat);
        }
    }
    let found = hear(&sound).expect("a click");
    let (first, last) = (played[0], *played.last().expect("beats"));
    let within = beats.iter().filter(|beat| (first..=last).contains(beat));
    let nearest_ms = |beat: &f64| found.beats_s.iter().map(|f| (f - beat).abs() * 1e3).fold(f64::MAX, f64::min);
    let mut off_ms: Vec<_> = within.map(nearest_ms).collect();
    off_ms.sort_by(f64::total_cmp);
    Heard { found, off_ms }
}

#[test]
fn a_fifth_missing_and_a_hundredth_of_drift_stay_within_two_ms() {
    for (bpm, seed) in [(40.0, 1), (72.0, 2), (120.0, 3), (208.0, 4)] {
        let truth = wandering(bpm, 0.01, 240);
        let heard = play(&truth, 0.2, Vec::new(), seed);
        // The number to reach: 2 ms at the 95th percentile.
        assert!(heard.p95_ms() <= 2.0, "{bpm}: {} ms", heard.p95_ms());
        assert!(heard.found.beats_s.len().abs_diff(truth.len()) <= 4, "{bpm}: {}", heard.found.beats_s.len());
        eprintln!("click at {bpm}: p95 {:.3} ms, most {:.3} ms", heard.p95_ms(), heard.off_ms.last().expect("beats"));
    }
}

#[test]
fn a_horn_and_a_room_in_the_click_s_microphone_do_no_harm() {
    let truth = wandering(90.0, 0.01, 200);
    let mut dice = Dice(9);
    let mut sound: Vec<f32> = (0..(truth[199] * RATE) as usize).map(|_| (0.002 * (dice.roll() - 0.5)) as f32).collect();
    // Notes of the horn between the beats, 20 dB under the click, with a rise of 15 ms.
    for i in 0..150 {
        let (start, hz) = (0.3 + 0.83 * f64::from(i), 116.54 * (1.0 + 0.5 * dice.roll()));
        for n in 0..(0.4 * RATE) as usize {
            let t = n as f64 / RATE;
            let envelope = (t / 0.015).min(1.0) * ((0.4 - t) / 0.05).min(1.0);
            let wave: f64 = (1..=8).map(|k| (std::f64::consts::TAU * hz * f64::from(k) * t).sin() / f64::from(k)).sum();
            if let Some(sample) = sound.get_mut((start * RATE) as usize + n) {
                *sample += (0.03 * envelope * wave) as f32;
            }
        }
    }
    let heard = play(&truth, 0.2, sound, 5);
    assert!(heard.p95_ms() <= 2.0, "{} ms", heard.p95_ms());
}

#[test]
fn a_pause_is_a_gap_and_what_follows_stands_for_itself() {
    let before: Vec<_> = (0..40).map(|i| 0.5 + 0.6 * f64::from(i)).collect();
    // Half a minute later, off the old beat.
    let after: Vec<_> = (0..40).map(|i| 54.23 + 0.6 * f64::from(i)).collect();
    let heard = play(&[before, after].concat(), 0.0, Vec::new(), 6);
    assert_eq!(heard.found.beats_s.len(), 80, "nothing is made up in the pause");
    assert!(heard.off_ms[79] <= 0.5);
}

#[test]
fn confidence_falls_with_what_is_missing() {
    let truth = wandering(100.0, 0.0, 200);
    let (all, most) = (play(&truth, 0.0, Vec::new(), 7), play(&truth, 0.3, Vec::new(), 7));
    assert!(all.found.confidence() > 0.99);
    assert!((most.found.confidence() - 0.7).abs() < 0.1, "{}", most.found.confidence());
}

#[test]
fn silence_noise_and_a_single_click_are_no_metronome() {
    assert!(matches!(hear(&[]), Err(ClickError::NoBeat(0))));
    assert!(matches!(hear(&vec![0.0; 480_000]), Err(ClickError::NoBeat(0))));
    let mut dice = Dice(11);
    let noise: Vec<f32> = (0..480_000).map(|_| (dice.roll() - 0.5) as f32).collect();
    assert!(hear(&noise).is_err());
    let mut one = vec![0.0; 480_000];
    beep(&mut one, 1.0, 1000.0, 0.5);
    assert!(hear(&one).is_err());
    let mut wild = vec![0.0; 60 * 48_000];
    for _ in 0..40 {
        beep(&mut wild, 59.0 * dice.roll(), 1000.0, 0.5);
    }
    assert!(hear(&wild).is_err(), "clicks at random");
    assert!(hear(&vec![f32::NAN; 48_000]).is_err());
}
