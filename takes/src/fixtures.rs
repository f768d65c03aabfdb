//! Entrances made by hand for the tests of words, tables and documents.

use crate::audio_file::ChannelChoice;
use crate::corrections::Fingerprint;
use crate::corrections::ear::Lines;
use crate::log::{LoggedEntrance, LoggedTake, Played};
use crate::take::{ScanOptions, Take, TakeSource, Warning};
use notefront_dsp::entrance::{InstantUncertainty, Split};
use notefront_dsp::{
    Articulation, CannotTell, Entrance, Evidence, Fault, FaultName, Faults, Front, FrontPicture, Measure, Positions,
    Settings, SlidePosition, Told, Verdict, units,
};

/// A measure with its uncertainty.
pub fn told(value: f64, uncertainty: f64) -> Told {
    Ok(Measure { value, uncertainty })
}

/// A clear entrance on a note, speaking at a time in seconds.
pub fn clear(index: usize, midi_note: u8, speaks_s: f64) -> Entrance {
    let mut positions = Positions::default();
    positions.push(SlidePosition { position: 1.0, trigger: false, partial: 2 });
    positions.push(SlidePosition { position: 4.9, trigger: true, partial: 4 });
    let front = Front {
        index,
        sound_start_s: speaks_s - 0.005,
        onset_s: speaks_s - 0.003,
        speaks_s,
        instant_uncertainty: InstantUncertainty { sound_start_ms: 3.0, onset_ms: 2.0, speaks_ms: 1.5 },
        end_s: Some(speaks_s + 0.8),
        midi_note: Some(midi_note),
        settled_hz: told(units::midi_to_hz(f64::from(midi_note), 440.0), 0.1),
        tuning_cents: told(-2.9, 1.0),
        partial: Some(2),
        positions,
        articulation: Articulation::Tongued,
        noise_before_tone_ms: told(0.0, 4.0),
        noise_before_tone_db: Err(CannotTell::NoAir),
        approach_cents: told(-2.0, 2.0),
        onset_cents: told(-3.0, 4.0),
        speak_ms: told(3.0, 2.0),
        settle_ms: told(0.0, 6.0),
        attack_ms: told(15.1, 1.0),
        log_attack_time: told(-1.7, 0.05),
        growth_db_per_s: told(640.0, 40.0),
        overshoot_db: told(0.5, 1.5),
        level_db: -14.2,
        evidence: Evidence::default(),
        picture: FrontPicture::empty(),
    };
    Entrance {
        front,
        verdict: Verdict { timing_ms: Err(CannotTell::NoGrid), faults: Faults::default(), clarity: 97.0 },
    }
}

/// An entrance with something changed.
pub fn with(mut entrance: Entrance, change: impl FnOnce(&mut Entrance)) -> Entrance {
    change(&mut entrance);
    entrance
}

/// `clear` with a fault on it.
pub fn flagged(mut entrance: Entrance, name: FaultName, severity: f64, sureness: f64) -> Entrance {
    entrance.verdict.faults.insert(Fault { name, severity, sureness });
    entrance.verdict.clarity = 100.0 * (1.0 - severity);
    entrance
}

/// The contract's example: leans 41 cents below, came in at 71, settled after 113 ms.
pub fn below(index: usize, speaks_s: f64) -> Entrance {
    let entrance = with(clear(index, 46, speaks_s), |e| {
        e.front.approach_cents = told(-41.0, 3.0);
        e.front.onset_cents = told(-70.9, 4.0);
        e.front.settle_ms = told(112.5, 6.0);
        e.verdict.timing_ms = told(11.5, 2.0);
    });
    flagged(entrance, FaultName::Below, 0.42, 0.97)
}

/// Air for 115 ms, 17 dB under the tone.
pub fn airy(index: usize, speaks_s: f64) -> Entrance {
    let entrance = with(clear(index, 53, speaks_s), |e| {
        e.front.sound_start_s = speaks_s - 0.118;
        e.front.noise_before_tone_ms = told(115.0, 4.0);
        e.front.noise_before_tone_db = told(-17.0, 1.0);
    });
    flagged(entrance, FaultName::Airy, 0.55, 0.99)
}

/// A fifth too low, on the second partial, for 45 ms, and hard to be sure of.
pub fn split(index: usize, speaks_s: f64) -> Entrance {
    let evidence = Evidence { split: Some(Split { interval_cents: -702.0, duration_ms: 45.0 }), ..Evidence::default() };
    let entrance = with(clear(index, 53, speaks_s), |e| {
        e.front.evidence = evidence;
        e.front.partial = Some(3);
    });
    flagged(entrance, FaultName::Split, 0.8, 0.55)
}

/// A take of two clear entrances and three flagged ones, one of them with two faults.
pub fn take() -> Take {
    let both = flagged(airy(4, 5.25), FaultName::Below, 0.2, 0.7);
    let both = with(both, |e| {
        e.front.approach_cents = told(-31.0, 12.0);
        e.front.settle_ms = Err(CannotTell::TooShort);
    });
    Take {
        source: TakeSource {
            path: "take.wav".into(),
            sample_rate_hz: 48_000,
            analysed_rate_hz: 48_000.0,
            num_channels: 1,
            duration_s: 65.5,
        },
        options: ScanOptions { settings: Settings::default(), channel: ChannelChoice::Mix },
        entrances: vec![below(0, 1.0115), clear(1, 48, 2.0), split(2, 3.5), clear(3, 65, 4.25), both],
        warnings: vec![Warning::Clipped(12.4)],
        beats: None,
        reading: None,
        sound: Fingerprint::default(),
        lines: Lines::default(),
        corrected: None,
    }
}

/// 2026-03-02, a Monday, 18:00 UTC, in seconds since 1970.
pub const MONDAY_S: i64 = 1_772_474_400;

/// A take of a practice log, alone in the session of a day after that Monday.
pub fn logged(day: i64, duration_s: f64) -> LoggedTake {
    let begun_s = MONDAY_S + 86_400 * day;
    LoggedTake {
        id: day,
        session: day,
        session_begun_s: begun_s,
        name: String::new(),
        begun_s,
        utc_offset_min: 0,
        duration_s,
        settings: Settings::default(),
        room: None,
        loud_db: None,
        said: Vec::new(),
    }
}

/// A take of a practice log with its entrances, of which the player says nothing.
pub fn played(take: LoggedTake, entrances: impl IntoIterator<Item = Entrance>) -> Played {
    let heard: Vec<_> = entrances.into_iter().map(LoggedEntrance::of).collect();
    Played::of(take, &heard)
}
