//! Measures and places in the player's words, short enough for a window. The words of the faults are those of
//! `notefront_takes::words`, as in the tables and reports.

use crate::passes::{Origin, Pass};
use notefront_dsp::{Entrance, Measure, Told, units};
use notefront_takes::words::reason;

/// A number with a sign that a player can read (a true minus).
#[must_use]
pub fn signed(value: f64, decimals: usize, unit: &str) -> String {
    let sign = if value < 0.0 { "\u{2212}" } else { "+" };
    format!("{sign}{:.decimals$} {unit}", value.abs())
}

/// A measure with its uncertainty, or why there is none.
#[must_use]
pub fn measure(told: Told, unit: &str) -> String {
    match told {
        Ok(Measure { value, uncertainty }) => {
            let minus = if value.round() < 0.0 { "\u{2212}" } else { "" };
            // As the faults' sentences round: a half away from nothing.
            format!("{minus}{:.0} \u{b1} {uncertainty:.0} {unit}", value.abs().round())
        }
        Err(why) => format!("cannot tell: {}", reason(why)),
    }
}

/// The note, e.g. "Bb2".
#[must_use]
pub fn note(entrance: &Entrance) -> String {
    entrance.front.midi_note.map_or_else(|| "?".into(), units::note_name)
}

/// Slide positions of a note, the most usual first: "1, 6 or T1".
#[must_use]
pub fn positions(entrance: &Entrance) -> String {
    let one = |p: &notefront_dsp::SlidePosition| {
        let trigger = if p.trigger { "T" } else { "" };
        let rounded = format!("{:.1}", p.position);
        format!("{trigger}{}", rounded.trim_end_matches(".0"))
    };
    entrance.front.positions.iter().take(3).map(one).collect::<Vec<_>>().join(", ")
}

/// How long before an entrance to listen from, seconds.
const LISTEN_BEFORE_S: f64 = 0.3;

/// Where an entrance stands, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The entrance itself.
    pub at: String,
    /// Where to play from to hear it: 300 ms before, as bar and beat and as the host's clock.
    pub listen_from: String,
}

/// Where a time of a pass stands.
#[must_use]
pub fn place(pass: &Pass, s: f64) -> Place {
    let before_s = s - LISTEN_BEFORE_S;
    let start_s = pass.span_s().map_or(0.0, |span| span.0);
    let of_what = match (&pass.origin, pass.span_s()) {
        (Origin::Played, Some(_)) => "of the session",
        (Origin::File(_), _) => "of the file",
        _ => "of the pass",
    };
    let from = format!("{} {of_what}", clock_ms(start_s + before_s));
    let bar = |s: f64| pass.beats.bar_and_tenth(s).map(|(bar, t)| format!("bar {bar}, beat {:.1}", t as f64 / 10.0));
    Place {
        at: bar(s).unwrap_or_else(|| format!("at {}", clock(s))),
        listen_from: bar(before_s).map_or(from.clone(), |bar| format!("{bar} ({from})")),
    }
}

/// A time as m:ss.mmm.
fn clock_ms(s: f64) -> String {
    let ms = (s.abs() * 1e3).round() as u64;
    let sign = if s < 0.0 && ms > 0 { "\u{2212}" } else { "" };
    format!("{sign}{}:{:02}.{:03}", ms / 60_000, ms / 1000 % 60, ms % 1000)
}

/// A duration as m:ss, or h:mm:ss from an hour on.
#[must_use]
pub fn clock(s: f64) -> String {
    let sign = if s < 0.0 { "\u{2212}" } else { "" };
    let whole = s.abs() as u64;
    let (h, m, s) = (whole / 3600, whole / 60 % 60, whole % 60);
    if h > 0 { format!("{sign}{h}:{m:02}:{s:02}") } else { format!("{sign}{m}:{s:02}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_dsp::{CannotTell, FaultName};

    #[test]
    fn measures_are_told_with_their_uncertainty_or_why_not() {
        let below = fixture::with_fault(fixture::clear(0, 1.0, 46), FaultName::Below, 0.5);
        assert_eq!(measure(below.front.onset_cents, "cents"), "\u{2212}70 \u{b1} 4 cents");
        assert_eq!(measure(Err(CannotTell::TooSoft), "ms"), "cannot tell: too soft");
        let told = |value: f64| measure(Ok(Measure { value, uncertainty: 3.0 }), "cents");
        assert_eq!(told(-56.5), "\u{2212}57 \u{b1} 3 cents", "as the sentence beside it");
        assert_eq!((told(-0.4), told(-0.5)), ("0 \u{b1} 3 cents".into(), "\u{2212}1 \u{b1} 3 cents".into()));
    }

    #[test]
    fn a_place_to_listen_from_is_300_ms_before() {
        let mut pass = fixture::pass_at_60(&[3.004]);
        pass.start_samples = Some(480_000);
        let place = place(&pass, 3.004);
        assert_eq!(place.at, "bar 1, beat 4.0");
        // 10 s into the session at 48 kHz, and 2.704 s into the pass.
        assert_eq!(place.listen_from, "bar 1, beat 3.7 (0:12.704 of the session)");
        assert_eq!(clock_ms(-0.3), "\u{2212}0:00.300");
        assert_eq!(clock_ms(3599.9996), "60:00.000");
    }

    #[test]
    fn clocks_read_as_players_write_them() {
        assert_eq!(clock(0.0), "0:00");
        assert_eq!(clock(75.9), "1:15");
        assert_eq!(clock(-3.0), "\u{2212}0:03");
        assert_eq!(clock(6.0 * 3600.0 + 61.0), "6:01:01");
    }
}
