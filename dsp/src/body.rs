//! The body a note settles into after its attack, and how far the attack stands over it.
//!
//! A note that rings away like a bell, or is over before it has settled, has no body: nothing there is overshot.

use crate::entrance::CannotTell;
use crate::instants::Instants;
use crate::level::LevelTrack;
use crate::look::median_of;
use crate::parameters::widths::PEAK_DB;
use crate::units::power_to_db;

/// The body's level is its median over this long after the note speaks, s, or what of that the note has (measures page)
/// \[D\].
const BODY_S: (f64, f64) = (0.120, 0.300);
/// It holds where it falls by less than this, dB/s, for at least this long, s (measures page) \[D\].
pub const HOLDS_DB_PER_S: f64 = 30.0;
const HOLDS_S: f64 = 0.100;
/// The release of a note begins this long before its end, s \[D\].
pub const RELEASE_S: f64 = 0.030;
/// A burst drops to the body within this after its peak, s, or three round trips on low notes (measures page) \[D\].
const DROPS_S: f64 = 0.060;

/// How far the attack stands over the body, dB, and its half width. `end` is the note's as far as known, `drop_s` three
/// round trips.
///
/// # Errors
/// Why there is no body to be louder than.
pub fn overshoot_db(
    level: &LevelTrack,
    instants: &Instants,
    end: f64,
    drop_s: f64,
    rate_hz: f64,
    buffer: &mut Vec<f64>,
) -> Result<(f64, f64), CannotTell> {
    let after = |s: f64| instants.speaks + s * rate_hz;
    let to = after(BODY_S.1).min(end - RELEASE_S * rate_hz);
    let from = after(BODY_S.0);
    if to - from < HOLDS_S * rate_hz {
        return Err(CannotTell::TooShort);
    }
    let body = level.slice(from, to);
    let half = body.len() / 2;
    let early = power_to_db(median_of(buffer, body[..half].iter().copied()));
    let late = power_to_db(median_of(buffer, body[half..].iter().copied()));
    let half_s = 0.5 * (to - from) / rate_hz;
    if early - late > HOLDS_DB_PER_S * half_s {
        return Err(CannotTell::NoBody);
    }
    let body_db = power_to_db(median_of(buffer, body.iter().copied()));
    let burst_s = DROPS_S.max(drop_s);
    let peak = level.max(instants.onset, after(burst_s).min(from));
    let peak_db = power_to_db(peak);
    let peak_at = level.crossing(instants.onset, to, 0.0, peak).unwrap_or(instants.speaks);
    // What is still there when a burst is over has not dropped.
    let dropped = peak_at + burst_s * rate_hz;
    let left_db = power_to_db(level.at(dropped.min(to)));
    let width = PEAK_DB + 0.5 * (early - late).abs();
    Ok((peak_db - body_db.max(left_db), width))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    const RATE_HZ: f64 = 12_000.0;

    fn over(db: impl Fn(f64) -> f64, end_s: f64) -> Result<(f64, f64), CannotTell> {
        let power: Vec<f64> = (0..600).map(|ms| 10f64.powf(db(f64::from(ms) * 1e-3) / 10.0)).collect();
        let level = LevelTrack::of(0, 0.001 * RATE_HZ, &power);
        let peak = power.iter().copied().fold(0.0, f64::max);
        let instants = Instants {
            onset: 0.0,
            speaks: 0.0,
            rise: (0.0, 0.0),
            energy_rise: (0.0, 0.0),
            peak,
            before: 0.0,
            hidden: 0.0,
            onset_sd: 0.0,
        };
        overshoot_db(&level, &instants, end_s * RATE_HZ, 0.0, RATE_HZ, &mut Vec::new())
    }

    #[test]
    fn a_burst_stands_over_the_body_by_what_it_was_made() {
        let (db, _) = over(|t| if t < 0.030 { 8.0 } else { 0.0 }, 1.0).expect("a body of 180 ms");
        assert_abs_diff_eq!(db, 8.0, epsilon = 1e-9);
    }

    #[test]
    fn a_bell_has_no_body() {
        assert_eq!(over(|t| -60.0 * t, 1.0), Err(CannotTell::NoBody));
    }

    #[test]
    fn a_short_note_has_no_body() {
        assert_eq!(over(|_| 0.0, 0.240), Err(CannotTell::TooShort));
        assert!(over(|_| 0.0, 0.260).is_ok());
    }

    #[test]
    fn what_falls_slowly_is_no_burst() {
        // A diminuendo of 25 dB/s: loud at first, but never a drop.
        let (db, width) = over(|t| -25.0 * t, 1.0).expect("under 30 dB/s it holds");
        assert_abs_diff_eq!(db, 25.0 * 0.060, epsilon = 0.1);
        assert!(width > PEAK_DB);
    }
}
