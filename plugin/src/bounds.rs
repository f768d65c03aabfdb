//! What a number of a kept session may be: a damaged project must not freeze the window that draws it.

use crate::beats::{Bend, MAX_BENDS};
use notefront_dsp::{Breath, Entrance, Front};
use notefront_takes::corrections::{Correction, Fingerprint, What};
use notefront_takes::log::when::Moment;

/// Longest pass that is read, seconds: two days \[H\].
pub const MAX_DURATION_S: f64 = 172_800.0;
/// An onset is told a little before the pass's first sample at most, seconds.
const MIN_TIME_S: f64 = -10.0;
/// Longest a measure of a front can be, ms; the longest that is looked at is 3 s.
const MAX_MEASURE_MS: f64 = 10_000.0;
/// Widest pitch, cents: ten octaves.
const MAX_CENTS: f64 = 12_000.0;
/// Largest level or difference of levels, dB.
const MAX_DB: f64 = 400.0;
/// Largest of what is told in another unit: Hz, dB or cents a second.
const MAX_OTHER: f64 = 1e6;
/// Settled pitches that are read, Hz: whatever A4 a player sets, each is one of the 128 notes of MIDI.
const PITCHES_HZ: (f64, f64) = (10.0, 11_000.0);
/// Sample rates that are read, Hz.
const RATES_HZ: (f64, f64) = (1_000.0, 1e6);
/// Places on the host's time line, samples and quarter notes: years of either.
const MAX_SAMPLES: i64 = 1 << 48;
const MAX_BEATS: f64 = 1e8;
/// Identities that are read: some room is left to count on.
const MAX_ID: u64 = 1 << 53;

/// Latest time that is read, seconds since 1970: the year 5138; and the largest distance of a clock from UTC, minutes.
const MAX_CLOCK_S: i64 = 100_000_000_000;
const MAX_UTC_OFFSET_MIN: i32 = 24 * 60;
/// Longest id and longest reason of a correction that are read, bytes.
const MAX_ID_LEN: usize = 100;
const MAX_REASON_LEN: usize = 2_000;
/// Longest name or path that is read, bytes: what systems take at most.
const MAX_NAME_LEN: usize = 4_096;
/// Most rises of a fingerprint that are read: twice as many as are ever told.
const MAX_RISES: usize = 3_000;

/// True for a time within a pass, seconds.
#[must_use]
pub fn is_time(s: f64) -> bool {
    (MIN_TIME_S..=MAX_DURATION_S).contains(&s)
}

/// True for an identity of a pass.
#[must_use]
pub fn is_id(id: u64) -> bool {
    id <= MAX_ID
}

/// True for a time that a clock can tell.
#[must_use]
pub fn is_moment((s, utc_offset_min): &Moment) -> bool {
    (0..=MAX_CLOCK_S).contains(s) && (-MAX_UTC_OFFSET_MIN..=MAX_UTC_OFFSET_MIN).contains(utc_offset_min)
}

/// True for a sample rate, Hz.
#[must_use]
pub fn is_rate(hz: f64) -> bool {
    (RATES_HZ.0..=RATES_HZ.1).contains(&hz)
}

/// True for a place on the host's time line, samples.
#[must_use]
pub fn is_place(samples: i64) -> bool {
    (-MAX_SAMPLES..=MAX_SAMPLES).contains(&samples)
}

/// True where every number of an entrance is one that can be measured.
#[must_use]
pub fn is_entrance(entrance: &Entrance) -> bool {
    let front = &entrance.front;
    let times = [front.sound_start_s, front.onset_s, front.speaks_s];
    let in_time = times.into_iter().chain(front.end_s).all(is_time)
        && front.speaks_s - front.sound_start_s <= MAX_MEASURE_MS / 1e3;
    let is_told = measures(entrance).into_iter().all(|(told, most)| {
        told.as_ref().map_or(true, |m| m.value.abs() <= most && (0.0..=most).contains(&m.uncertainty))
    });
    let faults = entrance.verdict.faults.iter();
    let are_shares = faults.flat_map(|f| [f.severity, f.sureness]).all(|share| (0.0..=1.0).contains(&share));
    in_time
        && is_told
        && front.settled_hz.as_ref().map_or(true, |m| is_pitch(m.value))
        && are_shares
        && is_evidence(front)
        && front.midi_note.is_none_or(|note| note < 128)
        && front.level_db.abs() <= MAX_DB
        && (0.0..=100.0).contains(&entrance.verdict.clarity)
}

fn measures(entrance: &Entrance) -> [(&notefront_dsp::Told, f64); 13] {
    let front = &entrance.front;
    [
        (&front.settled_hz, MAX_OTHER),
        (&front.tuning_cents, MAX_CENTS),
        (&front.noise_before_tone_ms, MAX_MEASURE_MS),
        (&front.noise_before_tone_db, MAX_DB),
        (&front.approach_cents, MAX_CENTS),
        (&front.onset_cents, MAX_CENTS),
        (&front.speak_ms, MAX_MEASURE_MS),
        (&front.settle_ms, MAX_MEASURE_MS),
        (&front.attack_ms, MAX_MEASURE_MS),
        (&front.log_attack_time, MAX_OTHER),
        (&front.growth_db_per_s, MAX_OTHER),
        (&front.overshoot_db, MAX_DB),
        (&entrance.verdict.timing_ms, 1e3 * MAX_DURATION_S),
    ]
}

fn is_evidence(front: &Front) -> bool {
    let evidence = &front.evidence;
    let widths = front.instant_uncertainty;
    let split = evidence.split.iter().all(|s| s.interval_cents.abs() <= MAX_CENTS && is_length(s.duration_ms));
    let stutter = evidence.stutter.iter().all(|s| s.dip_db.abs() <= MAX_DB && is_length(s.gap_ms));
    let is_share = |share: f64| (0.0..=1.0).contains(&share);
    let smear = evidence.smear.iter().all(|s| {
        let is_slide = s.depth_cents.abs() <= MAX_CENTS && s.rate_cents_per_s.abs() <= MAX_OTHER;
        is_slide && is_length(s.duration_ms) && is_share(s.probability)
    });
    let air = evidence.air_probability.into_iter().all(is_share);
    let breath = evidence.held_breath_ms.into_iter().all(is_length);
    let passage = evidence.passage.iter().all(|p| {
        let between = p.between.iter().all(|b| b.interval_cents.abs() <= MAX_CENTS && is_length(b.duration_ms));
        let length = p.length_ms.as_ref().map_or(true, |m| is_length(m.value) && is_length(m.uncertainty));
        between && length && p.dip_db.abs() <= MAX_DB
    });
    let inhaled = match evidence.breath {
        Some(Breath::Heard(inhalation)) => is_length(inhalation.length_ms) && is_length(inhalation.before_ms),
        _ => true,
    };
    let tone = evidence.tone.iter().all(|t| {
        let wander = (0.0..=MAX_CENTS).contains(&t.pitch_wander_cents) && (0.0..=MAX_DB).contains(&t.level_wander_db);
        wander && t.hnr_db.abs() <= MAX_DB && (0.0..=MAX_OTHER).contains(&t.brightness_hz)
    });
    let widths = [widths.sound_start_ms, widths.onset_ms, widths.speaks_ms].into_iter().all(is_length);
    split && stutter && smear && air && breath && inhaled && tone && passage && widths
}

fn is_pitch(hz: f64) -> bool {
    (PITCHES_HZ.0..=PITCHES_HZ.1).contains(&hz)
}

fn is_length(ms: f64) -> bool {
    (0.0..=MAX_MEASURE_MS).contains(&ms)
}

/// True for a name or a path that a system can have.
#[must_use]
pub fn is_name(text: &str) -> bool {
    text.len() <= MAX_NAME_LEN
}

/// True for a correction that can have been made.
#[must_use]
pub fn is_correction(said: &Correction) -> bool {
    let is_said = match &said.what {
        What::Fine { reason } => reason.as_ref().is_none_or(|reason| reason.len() <= MAX_REASON_LEN),
        What::Moved { to_s: s } | What::Split { second_s: s } => is_time(*s),
        What::Added { midi_note } => midi_note.is_none_or(|note| note < 128),
        What::Note { midi_note } => *midi_note < 128,
        What::Unclear { .. } | What::Removed | What::Joined => true,
    };
    is_said && is_time(said.at_s) && said.id.len() <= MAX_ID_LEN && said.made_ms <= MAX_ID
}

/// True for a fingerprint that can have been taken of a sound.
#[must_use]
pub fn is_fingerprint(sound: &Fingerprint) -> bool {
    let is_rise = |(s, db): &(f64, f64)| is_time(*s) && db.abs() <= MAX_DB;
    sound.rises.len() <= MAX_RISES && sound.rises.iter().all(is_rise) && is_time(sound.duration_s)
}

/// True for beats that rise with time, at tempos a host can have.
#[must_use]
pub fn are_beats(bends: &[Bend]) -> bool {
    let each = bends.iter().all(|b| {
        is_time(b.at_s)
            && b.beats.abs() <= MAX_BEATS
            && b.bar_start_beats.abs() <= MAX_BEATS
            && Bend::TEMPOS_BPM.contains(&b.tempo_bpm)
            && (1e-3..=1e3).contains(&b.bar_beats)
            && (1e-3..=1e3).contains(&b.beat_beats)
    });
    each && bends.len() <= MAX_BENDS && bends.windows(2).all(|w| w[0].at_s <= w[1].at_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_dsp::Inhalation;

    #[test]
    fn what_is_made_and_played_lies_within() {
        for seed in 0..4 {
            let pass = fixture::showcase(seed);
            assert!(pass.entrances.iter().all(is_entrance));
            assert!(are_beats(pass.beats.bends()));
        }
    }

    #[test]
    fn every_pitch_that_is_read_is_a_note_at_any_a4() {
        for hz in [PITCHES_HZ.0, PITCHES_HZ.1] {
            for a4_hz in [392.0, 466.0] {
                let note = notefront_dsp::units::hz_to_midi(hz, a4_hz).round();
                assert!((0.0..=127.0).contains(&note), "{hz} Hz at {a4_hz}: {note}");
            }
        }
    }

    #[test]
    fn what_would_be_drawn_without_end_lies_outside() {
        let clear = fixture::clear(0, 1.0, 46);
        for change in [
            (|e: &mut Entrance| e.front.onset_s = 1e300) as fn(&mut Entrance),
            |e| e.front.end_s = Some(1e12),
            |e| e.front.sound_start_s = -1e9,
            |e| e.front.speak_ms = Ok(notefront_dsp::Measure { value: 1e18, uncertainty: 1.0 }),
            |e| e.front.evidence.held_breath_ms = Some(f64::NAN),
            |e| e.front.evidence.breath = Some(Breath::Heard(Inhalation { length_ms: -1.0, before_ms: 0.0 })),
            |e| e.verdict.clarity = 1e9,
            |e| e.front.midi_note = Some(200),
            |e| e.front.settled_hz = Ok(notefront_dsp::Measure { value: -1.0, uncertainty: 0.1 }),
            |e| e.front.settled_hz = Ok(notefront_dsp::Measure { value: 1e5, uncertainty: 0.1 }),
        ] {
            let mut damaged = clear;
            change(&mut damaged);
            assert!(!is_entrance(&damaged));
        }
        let bend = fixture::pass_at_60(&[1.0]).beats.bends()[0];
        for damaged in
            [Bend { tempo_bpm: 1e-12, ..bend }, Bend { bar_beats: 0.0, ..bend }, Bend { beats: 1e200, ..bend }]
        {
            assert!(!are_beats(&[damaged]));
        }
        assert!(!are_beats(&[Bend { at_s: 2.0, ..bend }, Bend { at_s: 1.0, ..bend }]));
    }
}
