//! The instants of a front, read from its level: onset, perceptual onset, rise, dips.

use crate::level::LevelTrack;
use crate::look::Point;
use crate::parameters::instants::*;
use crate::parameters::notes::APART_S;
use crate::parameters::pitch::TONE_RAMP;
use crate::parameters::places::{DISAGREEMENT, LEVEL_SD_S, PLACED_IN_AIR_SD_S, PLACED_SD_S};
use crate::units::power_to_db;

/// The attack peak lies within this time after the onset, s \[D\].
pub const PEAK_RANGE_S: f64 = 0.250;
/// Onset and perceptual onset as shares of the attack peak's amplitude: -20 and -12 dB \[D\].
pub const ONSET_SHARE: f64 = 0.1;
const SPEAKS_SHARE: f64 = 0.251_188_643;
/// Rise: 20 % to 90 % of the attack peak's amplitude \[D\].
const RISE_SHARES: (f64, f64) = (0.2, 0.9);
/// MPEG-7: 2 % of the energy to its maximum; the last step to the maximum is taken at this share of it \[D\].
const ENERGY_SHARES: (f64, f64) = (0.02, 0.98);
/// The hidden part of the rise is drawn on from what lies up to this share \[T\].
const LINE_TOP: f64 = 0.6;

/// Level instants of a note. Times are internal samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instants {
    /// -20 dB of the attack peak.
    pub onset: f64,
    /// -12 dB of the attack peak.
    pub speaks: f64,
    /// 20 % and 90 % of the attack peak's amplitude.
    pub rise: (f64, f64),
    /// Energy from 2 % to its maximum.
    pub energy_rise: (f64, f64),
    /// Attack peak, mean square.
    pub peak: f64,
    /// Level just before the tone, mean square.
    pub before: f64,
    /// How far the -20 dB point was hidden, 0..1, and drawn on from the rise above.
    pub hidden: f64,
    /// Standard deviation of the onset, internal samples.
    pub onset_sd: f64,
}

impl Instants {
    /// These with so much of others.
    fn mixed(self, other: &Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| a + share * (b - a);
        let pair = |a: (f64, f64), b: (f64, f64)| (mix(a.0, b.0), mix(a.1, b.1));
        let apart = other.onset - self.onset;
        let variance = mix(self.onset_sd.powi(2), other.onset_sd.powi(2)) + share * (1.0 - share) * apart * apart;
        Self {
            onset: mix(self.onset, other.onset),
            speaks: mix(self.speaks, other.speaks),
            rise: pair(self.rise, other.rise),
            energy_rise: pair(self.energy_rise, other.energy_rise),
            peak: self.peak,
            before: self.before,
            hidden: share,
            onset_sd: variance.sqrt(),
        }
    }

    /// What lies before the tone hides its beginning.
    #[must_use]
    pub fn is_hidden(&self) -> bool {
        self.hidden > 0.5
    }
}

/// The level of a note, and what of it is tone.
pub struct Tracks<'a> {
    /// The whole level.
    pub level: &'a LevelTrack,
    /// The level of what is tone.
    pub tone: &'a LevelTrack,
}

/// What of a level is tone, by the looks.
pub fn fill_tone(tone: &mut LevelTrack, level: &LevelTrack, points: &[Point]) {
    let mut next = 0;
    tone.fill_from(level, |time, power| {
        while next < points.len() && points[next].centre < time {
            next += 1;
        }
        let (before, after) = (points.get(next.wrapping_sub(1)), points.get(next));
        let share = match (before, after) {
            (Some(a), Some(b)) => {
                let way = (time - a.centre) / (b.centre - a.centre).max(1e-9);
                toneness(a) + way * (toneness(b) - toneness(a))
            }
            (None, Some(first)) => toneness(first),
            (_, None) => 1.0,
        };
        power * share
    });
}

/// How much a look is one at a tone, 0..1.
fn toneness(point: &Point) -> f64 {
    let (least, whole) = TONE_RAMP;
    ((point.at_any_pitch - least) / (whole - least)).clamp(0.0, 1.0)
}

/// Where the tone begins, coarsely: the first of the looks that hold tone in a row, loud enough to matter.
#[must_use]
pub fn tone_start(points: &[Point], from: f64, peak: f64) -> Option<f64> {
    let counts =
        |p: &Point| p.centre >= from && (p.is_tone || p.is_rough) && p.power * p.periodicity > SOFT_SHARE * peak;
    let first = points.windows(TONE_RUN).find(|run| run.iter().all(counts))?;
    Some(first[0].centre)
}

/// Finds the instants between `from` and `to`. `tone_start` is where looks first hold tone, `period` the note's, both in
/// internal samples.
#[must_use]
pub fn find(tracks: &Tracks, from: f64, to: f64, tone_start: f64, period: f64, rate_hz: f64) -> Option<Instants> {
    let peak = attack_peak(tracks.level, tone_start, to, rate_hz);
    if peak <= 0.0 {
        return None;
    }
    let from = (tone_start - 1.5 * period - FOOT_S * rate_hz).max(from);
    let before = before_tone(tracks, from, to, peak, period);
    let top = tracks.level.top(tone_start, (tone_start + PEAK_RANGE_S * rate_hz).min(to));
    let start = valley(tracks.level, from, top, ONSET_SHARE * ONSET_SHARE * peak);
    let read = unsmooth(read(tracks.tone, start, to, before, peak), period);
    let hidden = hiddenness(before / peak);
    Some(if hidden == 0.0 { read } else { read.mixed(&draw_on(tracks.tone, start, to, before, peak), hidden) })
}

/// How far something so loud before the tone, share of the peak's power, hides its -20 dB point, 0..1.
fn hiddenness(before: f64) -> f64 {
    ((power_to_db(before.max(1e-20)) - HIDING_DB.0) / (HIDING_DB.1 - HIDING_DB.0)).clamp(0.0, 1.0)
}

/// The highest level while the attack lasts: within 250 ms, and no later than 1.5 x the rise. The rise is
/// over where the level grows by less than [`RISE_OVER_DB`] in [`RISE_OVER_S`]; what grows on from there is a swell.
fn attack_peak(level: &LevelTrack, tone_start: f64, to: f64, rate_hz: f64) -> f64 {
    let reach = |from: f64| (from + PEAK_RANGE_S * rate_hz).min(to);
    // The range counts from the onset, and the onset is a share of the peak: the second round is near enough.
    let first_peak = level.max(tone_start, reach(tone_start));
    let onset = level.crossing(tone_start, reach(tone_start), 0.0, ONSET_SHARE * ONSET_SHARE * first_peak);
    let last = reach(onset.unwrap_or(tone_start));
    let whole = level.max(tone_start, last);
    let (first, least_ahead) = (level.index(tone_start), (RISE_OVER_S * rate_hz / level.step()) as usize);
    let growth = 10f64.powf(RISE_OVER_DB / 10.0);
    let values = level.slice(tone_start, last);
    let is_over = |i: usize| {
        let ahead = least_ahead.max((RISE_OVER_SHARE * i as f64) as usize);
        values[i] > SPEAKS_SHARE * SPEAKS_SHARE * whole
            && values.get(i..=i + ahead).is_some_and(|next| next.iter().all(|v| *v < growth * values[i]))
    };
    let knee = (0..values.len()).find(|&i| is_over(i));
    let Some(knee) = knee else { return whole };
    let rise = level.time((first + knee) as f64) - tone_start;
    level.max(tone_start, (tone_start + 1.5 * rise).max(tone_start + RISE_OVER_S * rate_hz).min(last))
}

/// The level is a mean over one period, so a rise shows in it before it happens. For a straight rise in
/// amplitude the lead follows from its length; it is taken off the first two instants.
fn unsmooth(mut instants: Instants, period: f64) -> Instants {
    let length = (instants.rise.1 - instants.rise.0) / (RISE_SHARES.1 - RISE_SHARES.0);
    instants.onset += lead(ONSET_SHARE, length, period);
    instants.speaks = (instants.speaks + lead(SPEAKS_SHARE, length, period)).max(instants.onset);
    instants
}

/// By how much the mean square over one `period` of a straight rise of `length` reaches `share` too early.
fn lead(share: f64, length: f64, period: f64) -> f64 {
    let place = share * length;
    // Mean of v^2 over a period that lies wholly in the rise: w^2 + T^2 / 12; else u^3 / 3T from the rise's start.
    let inside = place * place - period * period / 12.0;
    let shown = if inside > 0.25 * period * period {
        inside.sqrt()
    } else {
        (3.0 * period * place * place).cbrt() - 0.5 * period
    };
    (place - shown).clamp(0.0, 0.3 * period)
}

/// The instants of a rise after a dip in a tone that goes on: a dip that stays over -20 dB is the onset itself.
#[must_use]
pub fn after_dip(level: &LevelTrack, from: f64, to: f64, dip: f64, rate_hz: f64) -> Option<Instants> {
    let peak = level.max(dip, (dip + PEAK_RANGE_S * rate_hz).min(to));
    let (before, bottom) = level.min(from, (dip + APART_S * rate_hz).min(to));
    (peak > 0.0).then(|| Instants { onset_sd: PLACED_SD_S * rate_hz, ..read(level, bottom, to, before, peak) })
}

/// The instants with what the level says of the onset and where the note begins by all that is seen put together, each by
/// its variance. What the level says under what hides it is believed as far as it agrees.
#[must_use]
pub fn placed(found: Instants, placed: f64, is_air: bool, rate_hz: f64) -> Instants {
    let apart = placed - found.onset;
    let own = LEVEL_SD_S * rate_hz + found.onset_sd.hypot(found.hidden * DISAGREEMENT * apart);
    let other = rate_hz * if is_air { PLACED_IN_AIR_SD_S } else { PLACED_SD_S };
    let share = own * own / (own * own + other * other);
    let onset_sd = own * other / own.hypot(other);
    Instants { onset_sd, ..begun_at(found, found.onset + share * apart) }
}

/// The instants with the onset put where the note begins by all that is seen: the level hides it under the note before.
#[must_use]
pub fn begun_at(instants: Instants, onset: f64) -> Instants {
    Instants { onset, speaks: instants.speaks.max(onset), ..instants }
}

/// A slur has one instant, the middle of its change of pitch, as it is placed by all that is seen around it: where the pitch alone
/// passes the middle is late in a room.
#[must_use]
pub fn at_slur(level: &LevelTrack, middle: f64, to: f64, rate_hz: f64) -> Option<Instants> {
    let peak = level.max(middle, (middle + PEAK_RANGE_S * rate_hz).min(to));
    Some(Instants {
        onset: middle,
        speaks: middle,
        rise: (middle, middle),
        energy_rise: (middle, middle),
        peak,
        before: level.at(middle),
        hidden: 0.0,
        onset_sd: 0.0,
    })
}

/// Where the tail of the note before is lowest: the last moment before the level first rises by 6 dB, or, in a room that rings on,
/// the softest before the note's `top`. Nothing earlier belongs to the new note.
#[must_use]
pub fn skip_tail(level: &LevelTrack, from: f64, top: f64, peak: f64) -> f64 {
    valley(level, from, top, SOFT_SHARE * peak)
}

/// Level of what sounds before the tone: what is no tone in the 20 ms before the rise, by the law of its upper part, begins,
/// and the tone's own lowest level on the way.
fn before_tone(tracks: &Tracks, from: f64, to: f64, peak: f64, period: f64) -> f64 {
    let at = |share: f64| tracks.tone.crossing(from, to, 0.0, share * share * peak).unwrap_or(from);
    let (low, high) = (at(SPEAKS_SHARE), at(LINE_TOP));
    let begins = logistic(SPEAKS_SHARE, low, high, ONSET_SHARE).max(from);
    // A look of three periods holds tone about one period before the level itself shows it.
    let last = (begins - period).max(from);
    let first = (last - BEFORE_VALUES * tracks.level.step()).max(from);
    let (whole, tone) = (tracks.level.slice(first, last), tracks.tone.slice(first, last));
    let other = whole.iter().zip(tone).map(|(w, t)| w - t).sum::<f64>() / whole.len().max(1) as f64;
    other + tracks.tone.min(from, begins).0
}

/// Milliseconds of sound taken for the level before the tone \[T\].
const BEFORE_VALUES: f64 = 20.0;

/// Where a logistic growth that passes `bottom` at `low` and [`LINE_TOP`] at `high` reaches `share`.
fn logistic(bottom: f64, low: f64, high: f64, share: f64) -> f64 {
    let logit = |share: f64| (share / (1.0 - share)).ln();
    low - (logit(bottom) - logit(share)) * (high - low) / (logit(LINE_TOP) - logit(bottom))
}

/// Time of the lowest level before the first rise by 6 dB that reaches `least`.
fn valley(level: &LevelTrack, from: f64, to: f64, least: f64) -> f64 {
    let mut lowest = (f64::MAX, from);
    for (i, &p) in level.slice(from, to).iter().enumerate() {
        if p < lowest.0 {
            lowest = (p, level.time((level.index(from) + i) as f64));
        } else if p >= least && p >= RISE_FACTOR * lowest.0 {
            break;
        }
    }
    lowest.1
}

fn read(level: &LevelTrack, from: f64, to: f64, before: f64, peak: f64) -> Instants {
    let soft = |share: f64| level.soft_crossing(from, to, 0.0, share * share * peak).unwrap_or((from, 0.0));
    let at = |share: f64| level.crossing(from, to, 0.0, share * share * peak).unwrap_or(from);
    let (onset, onset_sd) = soft(ONSET_SHARE);
    Instants {
        onset,
        speaks: soft(SPEAKS_SHARE).0,
        rise: (at(RISE_SHARES.0), at(RISE_SHARES.1)),
        energy_rise: (at(ENERGY_SHARES.0.sqrt()), at(ENERGY_SHARES.1.sqrt())),
        peak,
        before,
        hidden: 0.0,
        onset_sd,
    }
}

/// The instants where something louder than the onset precedes it: the rise above it, less what was before, is drawn on to
/// the hidden shares as a logistic growth, which a tone that feeds itself and saturates follows. (Professionals' clear
/// fronts: the way from 10 to 25 % takes 0.73 of that from 25 to 60 % in the median, the law says 0.73; a straight line,
/// which would take 0.43, comes 5 ms late \[S\].)
fn draw_on(level: &LevelTrack, from: f64, to: f64, before: f64, peak: f64) -> Instants {
    let tone_peak = peak - before;
    let bottom = (2.0 * (before / peak).sqrt()).clamp(SPEAKS_SHARE, 0.5);
    let at = |share: f64| level.crossing(from, to, before, share * share * tone_peak).unwrap_or(from);
    let (low, high) = (at(bottom), at(LINE_TOP));
    let drawn = |share: f64| if share >= bottom { at(share) } else { logistic(bottom, low, high, share) };
    let onset = drawn(ONSET_SHARE);
    Instants {
        onset,
        speaks: drawn(SPEAKS_SHARE),
        rise: (drawn(RISE_SHARES.0), drawn(RISE_SHARES.1)),
        energy_rise: (drawn(ENERGY_SHARES.0.sqrt()), drawn(ENERGY_SHARES.1.sqrt())),
        peak,
        before,
        hidden: 1.0,
        onset_sd: DRAWN_SD_SHARE * (low - onset),
    }
}

/// Standard deviation of an onset that was drawn on, share of the way drawn (professionals' rises keep to the law within
/// 11 ms, nine of ten \[S\]).
const DRAWN_SD_SHARE: f64 = 0.45;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::look::silent_point;
    use crate::test_sounds::{RISES, Rise, dice, noise};

    const RATE_HZ: f64 = 12_000.0;

    /// Level of a rise from `start`, one value a millisecond over 0.6 s, from its amplitude by time in s.
    fn level(amplitude: impl Fn(f64) -> f64) -> LevelTrack {
        let power: Vec<f64> = (0..600).map(|i| amplitude(f64::from(i) * 1e-3).powi(2)).collect();
        LevelTrack::of(0, 1e-3 * RATE_HZ, &power)
    }

    fn found(level: &LevelTrack, tone_start_s: f64) -> Instants {
        let tracks = Tracks { level, tone: level };
        // So short a period that the level is not smoothed by it.
        find(&tracks, 0.0, 0.59 * RATE_HZ, tone_start_s * RATE_HZ, 1.0, RATE_HZ).expect("a rise")
    }

    #[test]
    fn a_straight_rise_is_read_by_its_shares() {
        // Up from 100 ms on within 60 ms, over a room 60 dB under it.
        let rise = level(|s| ((s - 0.1) / 0.06).clamp(0.0, 1.0).max(1e-3));
        let found = found(&rise, 0.110);
        let at = |share: f64| (0.1 + 0.06 * share) * RATE_HZ;
        // A twentieth of a millisecond is what is lost between two values.
        let near = |a: f64, b: f64| (a - b).abs() < 6e-4 * RATE_HZ;
        assert!(near(found.onset, at(0.1)) && near(found.speaks, at(0.251)), "{found:?}");
        assert!(near(found.rise.0, at(0.2)) && near(found.rise.1, at(0.9)), "{found:?}");
        assert!((found.peak - 1.0).abs() < 1e-9 && !found.is_hidden());
    }

    #[test]
    fn a_swell_after_the_rise_does_not_move_the_onset() {
        let plain = level(|s| ((s - 0.1) / 0.03).clamp(0.0, 1.0).max(1e-3));
        // The same, then 6 dB louder over 300 ms.
        let swell = level(|s| {
            let grown = 1.0 + ((s - 0.15) / 0.3).clamp(0.0, 1.0);
            (((s - 0.1) / 0.03).clamp(0.0, 1.0) * grown).max(1e-3)
        });
        let (plain, swell) = (found(&plain, 0.105), found(&swell, 0.105));
        assert!((plain.onset - swell.onset).abs() < 1e-3 * RATE_HZ, "{plain:?} {swell:?}");
    }

    #[test]
    fn a_logistic_rise_over_loud_air_is_drawn_on_to_where_it_begins() {
        // Growth that feeds itself and saturates, 25 ms from 10 to 90 %; air at -22 dB before it hides its -20 dB
        // point.
        let tone = |s: f64| 1.0 / (1.0 + (-(s - 0.2) / 0.0057).exp());
        let (level, tone_alone) = (level(|s| tone(s).hypot(0.08)), level(tone));
        let tracks = Tracks { level: &level, tone: &tone_alone };
        let found = find(&tracks, 0.0, 0.59 * RATE_HZ, 0.195 * RATE_HZ, 1.0, RATE_HZ).expect("a rise");
        // 10 % of a logistic: ln 9 time constants before its middle.
        let onset = (0.2 - 9f64.ln() * 0.0057) * RATE_HZ;
        assert!(found.hidden > 0.5, "{found:?}");
        assert!((found.onset - onset).abs() < 2.5e-3 * RATE_HZ, "{} and not {onset}", found.onset);
    }

    #[test]
    fn the_lead_of_a_mean_over_a_period_is_what_summing_says() {
        // Mean square over a period of a straight rise in amplitude, summed in 2000 steps: where it passes the share.
        let (length, period) = (300.0, 100.0);
        for share in [ONSET_SHARE, SPEAKS_SHARE] {
            let mean = |t: f64| {
                let at = |k: i32| ((t + (f64::from(k) / 1000.0 - 1.0) * 0.5 * period) / length).max(0.0).powi(2);
                (0..2000).map(at).sum::<f64>() / 2000.0
            };
            let shown = (0..40_000).map(|k| f64::from(k) * 0.01 - 60.0).find(|t| mean(*t).sqrt() >= share);
            let true_lead = (share * length - shown.expect("it passes")).clamp(0.0, 0.3 * period);
            assert!((lead(share, length, period) - true_lead).abs() < 0.5, "{share}: {true_lead}");
        }
    }

    #[test]
    fn a_placed_onset_lies_between_and_is_surer_than_either() {
        let read = found(&level(|s| ((s - 0.1) / 0.06).clamp(0.0, 1.0).max(1e-3)), 0.110);
        let other = read.onset + 0.004 * RATE_HZ;
        let both = placed(read, other, false, RATE_HZ);
        assert!(both.onset >= read.onset && both.onset <= other, "{both:?}");
        assert!(both.onset_sd < PLACED_SD_S * RATE_HZ);
        assert!(both.speaks >= both.onset);
    }

    /// The instants of a rise from 100 ms on over so long, in a room 60 dB under it.
    fn found_of((shape, place): Rise, length_s: f64) -> Instants {
        let rise = level(|s| shape(((s - 0.1) / length_s).clamp(0.0, 1.0)).max(1e-3));
        found(&rise, 0.1 + length_s * place(0.1))
    }

    #[test]
    fn every_rise_is_read_at_the_shares_its_law_gives() {
        for (i, rise) in RISES.into_iter().enumerate() {
            for length_s in [0.012, 0.030, 0.060, 0.110] {
                let found = found_of(rise, length_s);
                let at = |share: f64| 0.1 + length_s * rise.1(share);
                let told = [
                    (found.onset, 0.1),
                    (found.speaks, 10f64.powf(-12.0 / 20.0)),
                    (found.rise.0, 0.2),
                    (found.rise.1, 0.9),
                    (found.energy_rise.0, 0.02f64.sqrt()),
                    (found.energy_rise.1, 0.98f64.sqrt()),
                ];
                for (told, share) in told {
                    // Values a millisecond apart, straight between them: half of one where the rise bends.
                    let off_ms = 1e3 * (told / RATE_HZ - at(share));
                    assert!(off_ms.abs() < 0.6, "rise {i}, {length_s} s, share {share}: {off_ms} ms");
                }
                assert!((found.peak - 1.0).abs() < 1e-9 && found.hidden == 0.0, "rise {i}, {length_s} s: {found:?}");
            }
        }
    }

    /// Closed forms (measures page \[C\]): 20 to 90 % takes 0.700 of a straight rise, 0.500 of a raised cosine and
    /// 13.06 dB of an exponential growth; energy from 2 % on 0.859 and 0.755.
    #[test]
    fn the_lengths_of_rises_are_their_closed_forms() {
        for length_s in [0.050, 0.110] {
            let lengths = |rise: Rise| {
                let found = found_of(rise, length_s);
                let share = |(from, to): (f64, f64)| (to - from) / RATE_HZ / length_s;
                (share(found.rise), share(found.energy_rise))
            };
            let (straight, cosine, exponential) = (lengths(RISES[0]), lengths(RISES[1]), lengths(RISES[3]));
            // The last step to the maximum is taken at 98 % of the energy: 1 % of a straight rise, 6 % of a cosine's
            // round top.
            for (told, wanted, room) in [
                (straight.0, 0.700, 0.012),
                (cosine.0, 0.500, 0.012),
                (exponential.0, 13.06 / 60.0, 0.012),
                (straight.1, 0.859, 0.025),
                (cosine.1, 0.755, 0.070),
            ] {
                assert!((told - wanted).abs() < room, "{length_s} s: {told}, and not {wanted}");
            }
        }
    }

    #[test]
    fn instants_keep_their_places_however_loud_and_late_the_note_is() {
        for rise in RISES {
            let shape = |s: f64| rise.0(((s - 0.1) / 0.040).clamp(0.0, 1.0)).max(1e-3);
            let power: Vec<f64> = (0..600).map(|i| shape(f64::from(i) * 1e-3).powi(2)).collect();
            let here = found_of(rise, 0.040);
            let (gain, later) = (1e-5, 36_000);
            let soft: Vec<f64> = power.iter().map(|p| gain * p).collect();
            let level = LevelTrack::of(later, 1e-3 * RATE_HZ, &soft);
            let tracks = Tracks { level: &level, tone: &level };
            let late = later as f64;
            let start = late + (0.1 + 0.040 * rise.1(0.1)) * RATE_HZ;
            let there = find(&tracks, late, late + 0.59 * RATE_HZ, start, 1.0, RATE_HZ).expect("a rise");
            for (a, b) in [(here.onset, there.onset), (here.speaks, there.speaks), (here.rise.1, there.rise.1)] {
                assert!((b - a - late).abs() < 1e-6, "{a} {b}");
            }
            assert!((there.peak / here.peak / gain - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn no_rise_has_no_instants() {
        let silence = level(|_| 0.0);
        let tracks = Tracks { level: &silence, tone: &silence };
        assert_eq!(find(&tracks, 0.0, 7_000.0, 1_200.0, 50.0, RATE_HZ), None);
        assert_eq!(after_dip(&silence, 0.0, 7_000.0, 1_200.0, RATE_HZ), None);
        let empty = LevelTrack::with_capacity(4);
        let tracks = Tracks { level: &empty, tone: &empty };
        assert_eq!(find(&tracks, 0.0, 7_000.0, 1_200.0, 50.0, RATE_HZ), None);
    }

    #[test]
    fn what_is_before_the_tone_hides_its_beginning_the_more_the_louder_it_is() {
        let at = |db: f64| hiddenness(10f64.powf(0.1 * db));
        for (db, wanted) in [(-60.0, 0.0), (-33.0, 0.0), (-28.5, 0.5), (-24.0, 1.0), (-3.0, 1.0)] {
            assert!((at(db) - wanted).abs() < 1e-9, "{db} dB: {}", at(db));
        }
        let rise: Vec<f64> = (0..50).map(|k| at(-40.0 + 0.5 * f64::from(k))).collect();
        assert!(rise.is_sorted());
    }

    /// A mixture of two normal laws, drawn: its mean and its deviation are those told.
    #[test]
    fn half_hidden_instants_are_a_mixture_of_both_readings() {
        let base = found_of(RISES[0], 0.030);
        let (read, drawn) =
            (Instants { onset: 100.0, onset_sd: 4.0, ..base }, Instants { onset: 130.0, onset_sd: 12.0, ..base });
        let (mut dice, mut noise) = (dice(3), noise(4));
        for share in [0.0, 0.2, 0.5, 0.8, 1.0] {
            let values: Vec<f64> = (0..20_000)
                .map(|_| if dice() < share { 130.0 + 12.0 * noise() } else { 100.0 + 4.0 * noise() })
                .collect();
            let mean = values.iter().sum::<f64>() / 2e4;
            let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 2e4).sqrt();
            let mixed = read.mixed(&drawn, share);
            // Four standard errors of a mean of 20 000 values with a deviation of up to 18.
            assert!(
                (mixed.onset - mean).abs() < 0.5 && (mixed.onset_sd - sd).abs() < 0.5,
                "{share}: {mean} {sd} {mixed:?}"
            );
        }
    }

    #[test]
    fn what_looks_hold_of_tone_is_taken_between_them_in_proportion() {
        let look = |ms: f64, share: f64| Point { at_any_pitch: share, ..silent_point(ms * 12.0, 1.0) };
        let whole = level(|_| 2.0);
        let mut tone = LevelTrack::with_capacity(700);
        fill_tone(&mut tone, &whole, &[look(100.0, TONE_RAMP.0), look(200.0, TONE_RAMP.1)]);
        let at = |ms: f64| tone.at(ms * 12.0);
        assert_eq!((at(50.0), at(100.0)), (0.0, 0.0), "as the first look before it");
        assert!((at(125.0) - 1.0).abs() < 1e-9 && (at(150.0) - 2.0).abs() < 1e-9, "a power of 4, by its way");
        assert_eq!((at(200.0), at(400.0)), (4.0, 4.0), "all of it after the last");
        fill_tone(&mut tone, &whole, &[]);
        assert_eq!(tone.at(3_000.0), 4.0, "without looks all is tone");
    }

    #[test]
    fn a_tone_starts_with_three_looks_in_a_row() {
        let look = |i: usize, is_tone: bool, power: f64| Point {
            is_tone,
            periodicity: 0.9,
            ..silent_point(24.0 * i as f64, power)
        };
        // A chance look, then a tone too soft to be the beginning, then the tone.
        let holds = |i: usize| i == 5 || i >= 10;
        let points: Vec<Point> = (0..40).map(|i| look(i, holds(i), if i < 20 { 1e-4 } else { 1.0 })).collect();
        assert_eq!(tone_start(&points, 0.0, 1.0), Some(24.0 * 20.0));
        assert_eq!(tone_start(&points, 0.0, 0.01), Some(24.0 * 10.0), "20 dB softer, the soft one counts");
        assert_eq!(tone_start(&points, 24.0 * 25.0, 1.0), Some(24.0 * 25.0), "nothing before what belongs to it");
        assert_eq!(tone_start(&points[..22], 0.0, 1.0), None, "two are none");
    }

    #[test]
    fn the_tail_of_the_note_before_is_skipped_to_its_lowest_moment() {
        for (db_per_s, until_s) in [(60.0, 0.15), (120.0, 0.2), (250.0, 0.12)] {
            let tail = |s: f64| 10f64.powf(-db_per_s * s / 20.0);
            let both = level(|s| tail(s) + ((s - until_s) / 0.020).clamp(0.0, 1.0));
            let from = skip_tail(&both, 0.0, 0.59 * RATE_HZ, 1.0);
            assert!((from / RATE_HZ - until_s).abs() < 1.1e-3, "{db_per_s} dB a second: {}", from / RATE_HZ);
        }
    }

    #[test]
    fn after_a_shallow_dip_its_bottom_is_the_onset_and_after_a_deep_one_its_rise() {
        let dip = |bottom: f64| level(move |s| bottom + (1.0 - bottom) * ((s - 0.2).abs() / 0.040).min(1.0));
        let at = |bottom: f64| {
            after_dip(&dip(bottom), 0.15 * RATE_HZ, 0.59 * RATE_HZ, 0.2 * RATE_HZ, RATE_HZ).expect("a dip")
        };
        let shallow = at(0.5);
        assert!((shallow.onset / RATE_HZ - 0.2).abs() < 1e-3 && shallow.speaks == shallow.onset, "{shallow:?}");
        // From nothing straight up over 40 ms: a tenth and a quarter of that.
        let deep = at(0.0);
        assert!(
            (deep.onset / RATE_HZ - 0.204).abs() < 1e-3 && (deep.speaks / RATE_HZ - 0.210).abs() < 1e-3,
            "{deep:?}"
        );
    }

    /// Two readings put together by their variances lie between them, are surer than each, and lean to the surer one.
    #[test]
    fn the_level_and_the_scores_agree_on_an_onset_by_how_sure_each_is() {
        let read = found_of(RISES[0], 0.040);
        let ms = 1e-3 * RATE_HZ;
        let moved = |onset_sd: f64, hidden: f64, apart: f64, is_air: bool| {
            let found = Instants { onset_sd, hidden, ..read };
            let both = placed(found, read.onset + apart, is_air, RATE_HZ);
            assert!(both.onset_sd <= PLACED_IN_AIR_SD_S * RATE_HZ && both.speaks >= both.onset);
            (both.onset - read.onset) / apart
        };
        assert!(moved(0.0, 0.0, 4.0 * ms, false) < 0.05, "a clean rise is its own witness");
        let equal = moved((PLACED_SD_S - LEVEL_SD_S) * RATE_HZ, 0.0, -4.0 * ms, false);
        assert!((equal - 0.5).abs() < 1e-9, "as sure as each other, half way: {equal}");
        assert!(moved(5.0 * ms, 0.0, 4.0 * ms, true) < moved(5.0 * ms, 0.0, 4.0 * ms, false), "air blurs a beginning");
        let (near, far) = (moved(0.0, 1.0, 3.0 * ms, false), moved(0.0, 1.0, 30.0 * ms, false));
        assert!(near < far && far > 0.75, "what is hidden is believed as far as it agrees: {near} {far}");
    }
}
