//! The corridor of clear fronts behind a close-up, for the page and the insert: where 95 of 100 professional fronts of
//! the same kind lie, over time after speaking. Outside it the eye sees why a front is unclear, inside it why a sharp
//! first instant is not.

use notefront_dsp::entrance::{FRONT_POINTS, FRONT_STEP_MS};
use notefront_dsp::professionals::{self, Kind, LEVEL_MS, PITCH_MS, Percentiles};
use notefront_dsp::{Articulation, Front, FrontPicture};

/// Nearer than this to the settled pitch nobody hears it off, cents: about the just noticeable mistuning
/// (Hill & Summers 2007 \[S\]). The corridor is never narrower.
const EAR_CENTS: f64 = 10.0;
/// The attack peak is looked for this long after the onset, ms (measures: attack peak).
const PEAK_MS: f64 = 250.0;
/// Softer than this under the settled tone there is no tone whose pitch could be held against the corridor, dB.
const TONE_DB: f32 = -30.0;
/// Shorter than this outside is a point of the picture or two, not the front, ms. \[H\]
const WORTH_TELLING_MS: f64 = 12.0;

/// Both edges of the corridor at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// From the onset, ms.
    pub ms: f64,
    /// Lower edge: cents from the settled pitch, or dB from the settled tone.
    pub low: f64,
    /// Upper edge.
    pub high: f64,
}

/// Where clear fronts of a kind lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Corridor {
    /// The kind.
    pub kind: &'static Kind,
    /// Of the pitch, from the onset on. Before the note speaks as wide as when it speaks, after the last time
    /// measured as narrow as there.
    pub pitch: Vec<Edge>,
    /// Of the level around speaking, for fronts out of a gap; empty for others, which rise out of the note before.
    pub level: Vec<Edge>,
    /// How long the tone is outside the corridor of the pitch after speaking, ms, in the time measured.
    pub outside_ms: f64,
}

impl Corridor {
    /// The corridor of the kind a front belongs to, up to a time after the onset, ms.
    #[must_use]
    pub fn of(front: &Front, until_ms: f64) -> Option<Self> {
        let kind = professionals::of(front.articulation, front.midi_note)?;
        let speaks_ms = (front.speaks_s - front.onset_s) * 1e3;
        let pitch = pitch_edges(kind, speaks_ms, until_ms);
        let is_detached = front.articulation == Articulation::Tongued;
        let peak_db = attack_peak_db(&front.picture).filter(|_| is_detached);
        let level = peak_db.map_or_else(Vec::new, |peak_db| level_edges(kind, speaks_ms, peak_db));
        let outside_ms = outside_ms(&front.picture, speaks_ms, &pitch);
        Some(Self { kind, pitch, level, outside_ms })
    }

    /// What it shows, for those who do not see it.
    #[must_use]
    pub fn words(&self) -> String {
        let clear =
            format!("the corridor of 95 of 100 clear fronts ({}, {} by professionals)", self.kind.name, self.kind.num);
        if self.outside_ms > WORTH_TELLING_MS {
            format!("after speaking the pitch is outside {clear} for {:.0} ms", self.outside_ms)
        } else {
            format!("after speaking the pitch keeps inside {clear}")
        }
    }
}

fn pitch_edges(kind: &Kind, speaks_ms: f64, until_ms: f64) -> Vec<Edge> {
    let measured = PITCH_MS.iter().zip(&kind.pitch_cents);
    let edge = |(ms, told): (&f64, &Option<Percentiles>)| {
        told.map(|p| Edge { ms: speaks_ms + ms, low: p.low.min(-EAR_CENTS), high: p.high.max(EAR_CENTS) })
    };
    let mut edges: Vec<Edge> = measured.filter_map(edge).collect();
    if let Some(first) = edges.first().copied().filter(|first| first.ms > 0.0) {
        edges.insert(0, Edge { ms: 0.0, ..first });
    }
    if let Some(last) = edges.last().copied().filter(|last| last.ms < until_ms) {
        edges.push(Edge { ms: until_ms, ..last });
    }
    edges
}

fn level_edges(kind: &Kind, speaks_ms: f64, peak_db: f64) -> Vec<Edge> {
    let measured = LEVEL_MS.iter().zip(&kind.level_db);
    let edge = |(ms, told): (&f64, &Option<Percentiles>)| {
        told.map(|p| Edge { ms: speaks_ms + ms, low: peak_db + p.low, high: peak_db + p.high })
    };
    measured.filter_map(edge).collect()
}

/// Highest level of the tone soon after the onset, dB from the settled tone.
fn attack_peak_db(picture: &FrontPicture) -> Option<f64> {
    let soon = (0..FRONT_POINTS).filter(|i| (0.0..=PEAK_MS).contains(&FrontPicture::time_ms(*i)));
    let levels = soon.map(|i| f64::from(picture.tone_db[i])).filter(|db| db.is_finite());
    levels.max_by(f64::total_cmp)
}

fn outside_ms(picture: &FrontPicture, speaks_ms: f64, edges: &[Edge]) -> f64 {
    let measured = speaks_ms..=speaks_ms + PITCH_MS[PITCH_MS.len() - 1];
    let is_outside = |i: &usize| {
        let (ms, cents) = (FrontPicture::time_ms(*i), f64::from(picture.pitch_cents[*i]));
        let is_tone = cents.is_finite() && picture.tone_db[*i] >= TONE_DB;
        is_tone && measured.contains(&ms) && at(edges, ms).is_some_and(|e| !(e.low..=e.high).contains(&cents))
    };
    (0..FRONT_POINTS).filter(is_outside).count() as f64 * FRONT_STEP_MS
}

/// The corridor at a time between its ends, on straight lines between the times measured.
fn at(edges: &[Edge], ms: f64) -> Option<Edge> {
    let pair = edges.windows(2).find(|pair| (pair[0].ms..=pair[1].ms).contains(&ms))?;
    let (a, b) = (pair[0], pair[1]);
    let share = if b.ms > a.ms { (ms - a.ms) / (b.ms - a.ms) } else { 0.0 };
    let between = |a: f64, b: f64| a + share * (b - a);
    Some(Edge { ms, low: between(a.low, b.low), high: between(a.high, b.high) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::clear;

    /// A tongued Bb3 that speaks 12 ms after its onset and whose pitch runs so after the onset, cents at ms.
    fn front(way: impl Fn(f64) -> f64) -> Front {
        let mut front = clear(0, 58, 1.0).front;
        front.onset_s = front.speaks_s - 0.012;
        for i in 0..FRONT_POINTS {
            let ms = FrontPicture::time_ms(i);
            front.picture.pitch_cents[i] = if ms < 0.0 { f32::NAN } else { way(ms) as f32 };
            front.picture.tone_db[i] = if ms < 0.0 { -60.0 } else { 0.0 };
        }
        front
    }

    fn corridor(front: &Front) -> Corridor {
        Corridor::of(front, 300.0).expect("every front has a kind")
    }

    #[test]
    fn it_narrows_within_60_ms_and_goes_on_as_narrow() {
        let corridor = corridor(&front(|_| 0.0));
        assert_eq!(corridor.kind.name, "detached, E3 to A#3");
        let width = |ms| at(&corridor.pitch, ms).map(|e| e.high - e.low).expect("inside");
        // Speaking is 12 ms after the onset.
        assert!(width(72.0) < 0.4 * width(12.0), "{} to {}", width(12.0), width(72.0));
        assert!((width(0.0) - width(12.0)).abs() < 1e-9 && (width(140.0) - width(300.0)).abs() < 1e-9);
        let never_narrower = |e: &Edge| e.low <= -EAR_CENTS && e.high >= EAR_CENTS;
        assert!(corridor.pitch.iter().all(never_narrower) && corridor.pitch.iter().all(|e| e.ms <= 300.0));
        assert!(corridor.pitch.is_sorted_by(|a, b| a.ms < b.ms));
    }

    #[test]
    fn a_sharp_first_20_ms_is_inside_and_a_pitch_that_stays_away_is_not() {
        let sharp = corridor(&front(|ms| 60.0 * (-ms / 12.0).exp()));
        assert_eq!(sharp.outside_ms, 0.0);
        assert!(sharp.words().contains("keeps inside") && sharp.words().contains("detached, E3 to A#3"));
        // 45 cents below until 100 ms after speaking: inside while the corridor is wide, about 40 ms.
        let low = corridor(&front(|ms| if ms < 112.0 { -45.0 } else { 0.0 }));
        assert!((60.0..=100.0).contains(&low.outside_ms), "{}", low.outside_ms);
        assert!(low.words().contains(&format!("outside the corridor of 95 of 100 clear fronts ({}", low.kind.name)));
    }

    #[test]
    fn noise_under_the_tone_is_not_held_against_it() {
        let mut soft = front(|_| 300.0);
        soft.picture.tone_db.fill(-40.0);
        assert_eq!(corridor(&soft).outside_ms, 0.0);
    }

    #[test]
    fn the_levels_corridor_hangs_on_the_attack_peak_and_only_out_of_a_gap() {
        let mut loud = front(|_| 0.0);
        loud.picture.tone_db[40] = 6.0; // 60 ms after the onset
        let corridor = corridor(&loud);
        let speaks = at(&corridor.level, 12.0).expect("measured");
        // -12 dB of the attack peak is where a note speaks, by definition; a step of 1 ms later it may be louder.
        assert!((6.0 - 12.0 - 0.5..=6.0 - 12.0 + 0.5).contains(&speaks.low), "{speaks:?}");
        assert!(speaks.high < 6.0);
        loud.articulation = Articulation::Legato;
        assert!(self::corridor(&loud).level.is_empty());
        loud.picture = FrontPicture::empty();
        loud.articulation = Articulation::Tongued;
        assert!(self::corridor(&loud).level.is_empty(), "a picture that was not kept has no peak");
    }
}
