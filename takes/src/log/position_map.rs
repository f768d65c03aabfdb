//! Where the slide should go: the settled intonation of every partial and position over many takes, the drift of a warming horn
//! taken out, as millimetres of slide.
//!
//! The law of the slide: ext(p) = L1 (2^((p-1)/12) - 1) / 2 with L1 = c / (2 x 58.27 Hz) = 2.945 m at c = 343.2 m/s \[C\].

use super::Played;
use super::read::sessions;
use crate::patterns::Facet;
use crate::patterns::facet::Place;
use crate::statistics::{mean, t_at_95, variance};
use crate::summary::MIN_VALUES;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Twice the length that makes the pedal of first position, mm \[C\].
const L1_MM: f64 = 2945.0;
/// A horn's own scale against the law, where nobody has measured a slide, and what such a figure is good for: 10 % \[H\].
pub const USUAL_FACTOR: f64 = 0.93;
const FACTOR_UNCERTAINTY: f64 = 0.10;
/// A note must be held so long for its pitch to be one, s \[H\].
const HELD_S: f64 = 0.25;
/// Under this the ear hears no mistuning, cents (Hill & Summers 2007, JASA 121:2376 \[S\]).
pub const NOTICED_CENTS: f64 = 10.0;
/// Minutes in which a horn warms up, for the drift: e-folding time \[H\].
const WARMING_MIN: f64 = 8.0;

/// Slide extension at a position, mm.
#[must_use]
pub fn extension_mm(position: f64) -> f64 {
    L1_MM * (((position - 1.0) / 12.0).exp2() - 1.0) / 2.0
}

/// Millimetres of slide that lower a note of this position by a cent.
#[must_use]
pub fn mm_per_cent(position: f64) -> f64 {
    L1_MM * ((position - 1.0) / 12.0).exp2() * std::f64::consts::LN_2 / 1200.0 / 2.0
}

/// The factor of a player's own horn from positions they have measured: (position, mm from first); least squares.
#[must_use]
pub fn factor(measured: &[(f64, f64)]) -> Option<f64> {
    let (mut shared, mut squares) = (0.0, 0.0);
    for &(position, mm) in measured {
        let law = extension_mm(position);
        shared += law * mm;
        squares += law * law;
    }
    (squares > 0.0).then(|| shared / squares)
}

/// The intonation of one place of the horn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tuned {
    /// Where.
    pub place: Place,
    /// Cents from equal temperament, the horn's drift taken out; positive = sharp.
    pub cents: f64,
    /// Half width of the interval that holds the true mean in 90 % of cases, cents.
    pub uncertainty: f64,
    /// Notes, and sessions they were played in.
    pub num: usize,
    /// Sessions.
    pub num_sessions: usize,
    /// How far to move the slide, mm: positive = out. With its uncertainty.
    pub move_mm: (f64, f64),
}

impl Tuned {
    /// Whether it is worth moving for: more than the ear lets pass, and more than chance.
    #[must_use]
    pub fn is_off(&self) -> bool {
        self.cents.abs() > NOTICED_CENTS && self.cents.abs() > self.uncertainty
    }
}

/// The map of a player's horn.
#[derive(Debug, Clone, PartialEq)]
pub struct PositionMap {
    /// Places with enough notes, by partial and position.
    pub places: Vec<Tuned>,
    /// By how much the horn rises from its first minute to warm, cents; `None` where too little tells.
    pub warming_cents: Option<f64>,
    /// The horn as a whole against the tuning reference, cents: for the tuning slide, not for the hand.
    pub overall_cents: f64,
    /// The factor on the law of the slide.
    pub factor: f64,
}

/// Held notes of one place in one session: sums of how warm the horn is (0 cold to 1) and of their cents, and of the products
/// of both. All that is asked of the notes is in them.
#[derive(Clone, Copy, Default)]
struct Sums {
    num: f64,
    warmth: f64,
    cents: f64,
    warmth2: f64,
    both: f64,
    cents2: f64,
}

impl Sums {
    fn add(&mut self, warmth: f64, cents: f64) {
        self.num += 1.0;
        self.warmth += warmth;
        self.cents += cents;
        self.warmth2 += warmth * warmth;
        self.both += warmth * cents;
        self.cents2 += cents * cents;
    }

    /// The same notes, each so many cents higher, and by so many more the warmer the horn is.
    fn moved(self, by: f64, when_warm: f64) -> Self {
        let of_moves = self.num * by * by + 2.0 * by * when_warm * self.warmth + when_warm * when_warm * self.warmth2;
        Self {
            cents: self.cents + self.num * by + when_warm * self.warmth,
            both: self.both + by * self.warmth + when_warm * self.warmth2,
            cents2: self.cents2 + 2.0 * by * self.cents + 2.0 * when_warm * self.both + of_moves,
            ..self
        }
    }

    fn mean(&self) -> f64 {
        self.cents / self.num
    }
}

/// The held notes of a session by place.
type Held = BTreeMap<u8, Sums>;

impl PositionMap {
    /// The map of takes in the order they were played; `measured` are positions measured on the player's own horn.
    #[must_use]
    pub fn of(played: &[Played], measured: &[(f64, f64)]) -> Self {
        let fitted = factor(measured);
        let factor = fitted.unwrap_or(USUAL_FACTOR);
        let mut held: Vec<Held> = sessions(played).into_par_iter().map(held).collect();
        let all = held.iter().flat_map(BTreeMap::values).fold((0.0, 0.0), |s, h| (s.0 + h.num, s.1 + h.cents));
        let overall_cents = if all.0 > 0.0 { all.1 / all.0 } else { 0.0 };
        let warming_cents = warming(&held);
        let warms_by = warming_cents.unwrap_or(0.0);
        move_all(&mut held, |_| (warms_by - overall_cents, -warms_by));
        level_sessions(&mut held);
        let mut by_place: BTreeMap<u8, Vec<Sums>> = BTreeMap::new();
        held.iter().flatten().for_each(|(place, sums)| by_place.entry(*place).or_default().push(*sums));
        let tuned = |(kind, sums): (u8, Vec<Sums>)| tuned(Place::of_kind(kind)?, &sums, factor, fitted.is_some());
        Self { places: by_place.into_iter().filter_map(tuned).collect(), warming_cents, overall_cents, factor }
    }
}

fn held(session: &[Played]) -> Held {
    let mut found = vec![Sums::default(); 1 + usize::from(u8::MAX)];
    for take in session {
        for note in take.notes().filter(|note| note.length_s() >= HELD_S) {
            if let (Some(place), Some(cents)) = (note.kinds()[Facet::Place as usize], note.tuning_cents()) {
                let minutes = (take.take.into_session_s() + note.speaks_s()) / 60.0;
                found[usize::from(place)].add(1.0 - (-minutes / WARMING_MIN).exp(), cents);
            }
        }
    }
    let is_place = |(kind, sums): &(u8, Sums)| sums.num > 0.0 && Place::of_kind(*kind).is_some();
    (0..=u8::MAX).zip(found).filter(is_place).collect()
}

/// Moves the notes of every session, as [`Sums::moved`] does.
fn move_all(held: &mut [Held], by: impl Fn(usize) -> (f64, f64)) {
    for (session, places) in held.iter_mut().enumerate() {
        let (by, when_warm) = by(session);
        places.values_mut().for_each(|sums| *sums = sums.moved(by, when_warm));
    }
}

/// Cents that the horn rises by while it warms, from notes of the same place in the same session: least squares.
fn warming(held: &[Held]) -> Option<f64> {
    let (mut shared, mut squares) = (0.0, 0.0);
    for sums in held.iter().flat_map(BTreeMap::values) {
        shared += sums.both - sums.warmth * sums.cents / sums.num;
        squares += sums.warmth2 - sums.warmth * sums.warmth / sums.num;
    }
    // A tenth of the way to warm, in a hundred notes, is the least that tells a drift.
    (squares > 1.0).then(|| shared / squares)
}

/// The tuning slide of a day is not the hand's: each session is levelled to the mean of its notes against their places.
fn level_sessions(held: &mut [Held]) {
    // Twice is enough: places and sessions are nearly balanced where the same things are practised.
    for _ in 0..2 {
        let mut places: BTreeMap<u8, (f64, f64)> = BTreeMap::new();
        for (place, sums) in held.iter().flatten() {
            let sum = places.entry(*place).or_default();
            *sum = (sum.0 + sums.num, sum.1 + sums.cents);
        }
        let of_place = |place: &u8| places.get(place).map_or(0.0, |(num, sum)| sum / num);
        let days: Vec<f64> = held
            .iter()
            .map(|session| {
                let num: f64 = session.values().map(|sums| sums.num).sum();
                session.iter().map(|(place, sums)| sums.cents - sums.num * of_place(place)).sum::<f64>() / num.max(1.0)
            })
            .collect();
        move_all(held, |session| (-days[session], 0.0));
    }
}

/// Sessions are compared, not notes: one of one mood each. Of fewer than five sessions the notes must do.
fn tuned(place: Place, by_session: &[Sums], factor: f64, is_fitted: bool) -> Option<Tuned> {
    let num_sessions = by_session.len();
    let all = by_session.iter().fold((0.0, 0.0, 0.0), |s, h| (s.0 + h.num, s.1 + h.cents, s.2 + h.cents2));
    if (all.0 as usize) < MIN_VALUES {
        return None;
    }
    let (n, cents, variance) = if num_sessions >= MIN_VALUES {
        let means: Vec<f64> = by_session.iter().map(Sums::mean).collect();
        (num_sessions as f64, mean(&means)?, variance(&means)?)
    } else {
        let cents = all.1 / all.0;
        (all.0, cents, ((all.2 - all.0 * cents * cents) / (all.0 - 1.0)).max(0.0))
    };
    // Whole cents are kept, so that no spread is under their rounding.
    let error = (variance / n).sqrt().max(0.29 / n.sqrt());
    let uncertainty = t_at_95(n - 1.0) * error;
    let mm = mm_per_cent(f64::from(place.position)) * factor;
    let of_factor = if is_fitted { 0.0 } else { FACTOR_UNCERTAINTY * (cents * mm).abs() };
    let move_mm = (cents * mm, (uncertainty * mm).hypot(of_factor));
    Some(Tuned { place, cents, uncertainty, num: all.0 as usize, num_sessions, move_mm })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{clear, logged, played, told, with};
    use notefront_dsp::{Settings, trombone, units};

    #[test]
    fn the_slide_keeps_the_table_of_its_law() {
        // The measures page's table: 0, 88, 180, 279, 383, 493, 610 mm; one cent is 0.85 mm in first and 1.20 in seventh.
        for (position, mm) in [0.0, 88.0, 180.0, 279.0, 383.0, 493.0, 610.0].into_iter().enumerate() {
            let found = extension_mm(position as f64 + 1.0);
            assert!((found - mm).abs() < 0.6, "position {}: {found}", position + 1);
        }
        assert!((mm_per_cent(1.0) - 0.85).abs() < 0.005 && (mm_per_cent(7.0) - 1.20).abs() < 0.005);
        // A millimetre a cent is the slope of the extension.
        let cent = 0.01;
        let slope = (extension_mm(4.0 + cent) - extension_mm(4.0)) / (100.0 * cent);
        assert!((slope - mm_per_cent(4.0)).abs() < 1e-3);
    }

    #[test]
    fn a_measured_slide_gives_its_own_factor() {
        let measured = [(3.0, 0.95 * extension_mm(3.0)), (6.0, 0.95 * extension_mm(6.0))];
        assert!((factor(&measured).expect("measured") - 0.95).abs() < 1e-12);
        assert_eq!((factor(&[]), factor(&[(1.0, 3.0)])), (None, None));
    }

    /// A session of notes with their cents, played from a minute on.
    fn session(day: i64, tuning: impl Fn(usize, f64) -> (u8, f64)) -> Played {
        let entrances = (0..120).map(|i| {
            let speaks_s = 10.0 + i as f64 * 15.0;
            let (midi, cents) = tuning(i, speaks_s / 60.0);
            let hz = units::shift_cents(units::midi_to_hz(f64::from(midi), 440.0), cents);
            with(clear(i, midi, speaks_s), |e| {
                e.front.settled_hz = told(hz, 0.1);
                trombone::name_note(&mut e.front, &Settings::default());
            })
        });
        played(logged(day, 1810.0), entrances)
    }

    #[test]
    fn a_place_that_is_sharp_is_found_beneath_the_warming_horn_and_the_day_s_tuning() {
        let mut dice = fastrand::Rng::with_seed(4);
        let noise: Vec<f64> = (0..10_000).map(|_| 12.0 * (dice.f64() - 0.5)).collect();
        // Eb4 (6th partial, third position) 18 cents sharp; the horn rises 15 cents as it warms; days differ by up to 8.
        let played: Vec<Played> = (0..12)
            .map(|day| {
                session(day, |i, minutes| {
                    let midi = [46, 53, 58, 62, 63, 65][i % 6];
                    let place = if midi == 63 { 18.0 } else { 0.0 };
                    let warm = 15.0 * (1.0 - (-minutes / WARMING_MIN).exp());
                    (midi, place + warm + 4.0 * ((day % 5) as f64 - 2.0) + noise[(day * 120) as usize + i])
                })
            })
            .collect();
        let map = PositionMap::of(&played, &[]);
        assert!((map.warming_cents.expect("it tells") - 15.0).abs() < 3.0, "{map:?}");
        let weak = map.places.iter().find(|t| (t.place.partial, t.place.position) == (6, 3)).expect("played");
        let others: Vec<&Tuned> = map.places.iter().filter(|t| t.place != weak.place).collect();
        let others = others.iter().map(|t| t.cents).sum::<f64>() / others.len() as f64;
        // All are told against the mean of what was played.
        assert!((weak.cents - others - 18.0).abs() < 1.5, "{map:?}");
        assert!(weak.is_off() && weak.move_mm.0 > 0.0, "sharp: out with it");
        // 0.95 mm a cent in third position, times 0.93 \[C\].
        assert!((weak.move_mm.0 / weak.cents - 0.886).abs() < 0.01, "{weak:?}");
        assert!(map.places.iter().filter(|t| t.is_off()).count() == 1, "{map:?}");
    }

    #[test]
    fn nothing_played_is_no_trouble() {
        let map = PositionMap::of(&[], &[]);
        assert!(map.places.is_empty() && map.warming_cents.is_none());
    }
}
