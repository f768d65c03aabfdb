//! The shape of one entrance on the lane: a clear attack is a plain upright stroke, every fault adds ink.
//!
//! Geometry only, in px: the foot of the stroke is (0, 0), x to the right, y downwards. Who draws it chooses
//! ink and paper. Each fault has a mark of its own, so that no meaning hangs on colour.

use notefront_dsp::{Entrance, FaultName, FrontPicture};

/// A point, px.
pub type Point = (f64, f64);

/// How entrances become px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlyphScale {
    /// Px of a second within the front; fronts are drawn wider than the time line.
    pub front_px_per_s: f64,
    /// Most px that the marks before the stroke may take: up to the note before.
    pub room_before_px: f64,
    /// Most px that the marks after it may take: up to the note after.
    pub room_after_px: f64,
    /// Level drawn at full height, dB re full scale: the loudest entrance of the take.
    pub full_level_db: f64,
    /// Height of the tallest stroke, px.
    pub full_height_px: f64,
}

/// Lines to be drawn.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Glyph {
    /// Height of the stroke, px.
    pub height: f64,
    /// The stroke: one line, or two when it is broken or doubled.
    pub strokes: Vec<[Point; 2]>,
    /// Air: level lines to the left of the stroke.
    pub air: Vec<[Point; 2]>,
    /// The pitch's way in, to the right of the stroke; empty when there is none to show.
    pub approach: Vec<Point>,
    /// Marks of the other faults: slow growth, a hard start, a held breath.
    pub marks: Vec<[Point; 2]>,
    /// From the stroke to the beat, when it is off.
    pub foot: Option<[Point; 2]>,
}

/// Level under the loudest entrance at which a stroke is drawn lowest, dB.
const LEVEL_SPAN_DB: f64 = 30.0;
/// Height of the lowest stroke as a share of the tallest.
const LEAST_HEIGHT: f64 = 0.35;
/// Where on the stroke the settled pitch lies, as a share of its height.
const PITCH_LINE: f64 = 0.55;
/// Px of 100 cents.
const PX_PER_100_CENTS: f64 = 30.0;
/// Cents beyond which a curve is drawn no further out.
const MOST_CENTS: f64 = 120.0;
/// Distance of a split's second stroke, px.
const DOUBLE_PX: f64 = 3.5;
/// A stutter's gap, as shares of the height.
const BREAK: (f64, f64) = (0.42, 0.62);
/// How far a smear's top leans over, px.
const LEAN_PX: f64 = 9.0;
/// Half the width of the bar on a hard start, px.
const BAR_PX: f64 = 4.0;
/// Distance of the hatching's lines, px: for the softest air and for air as loud as the tone.
const HATCH_PX: (f64, f64) = (9.0, 3.0);
/// Air level drawn thinnest, dB under the tone.
const SOFT_AIR_DB: f64 = -35.0;
/// Shortest mark that can be seen, px.
const LEAST_MARK_PX: f64 = 4.0;
/// How far under the foot the foot line lies, px.
const FOOT_DROP_PX: f64 = 4.0;
/// Points of an approach.
const APPROACH_POINTS: usize = 12;

/// The glyph of an entrance.
#[must_use]
pub fn glyph(entrance: &Entrance, scale: &GlyphScale) -> Glyph {
    let has = |name| entrance.faults.get(name).is_some();
    let height = height(entrance.level_db, scale);
    let mut glyph = Glyph { height, strokes: strokes(entrance, height), ..Glyph::default() };
    if has(FaultName::Airy) {
        glyph.air = air(entrance, height, scale);
    }
    if has(FaultName::Below) || has(FaultName::Above) {
        glyph.approach = approach(entrance, height, scale);
    }
    if has(FaultName::Early) || has(FaultName::Late) {
        glyph.foot = foot(entrance, scale);
    }
    if has(FaultName::Hard) {
        glyph.marks.push([(-BAR_PX, -height), (BAR_PX, -height)]);
    }
    if has(FaultName::Slow) {
        glyph.marks.push([(0.0, 0.0), (slow_px(entrance, scale), -height)]);
    }
    if has(FaultName::HeldBreath) {
        let x = -LEAST_MARK_PX - 2.0;
        glyph.marks.push([(x, 0.0), (x, -0.2 * height)]);
        glyph.marks.push([(x - 3.0, 0.0), (x - 3.0, -0.2 * height)]);
    }
    glyph
}

/// A stroke's height, px. A level that cannot be told is drawn lowest.
fn height(level_db: f64, scale: &GlyphScale) -> f64 {
    let share = ((level_db - scale.full_level_db) / LEVEL_SPAN_DB + 1.0).clamp(0.0, 1.0);
    let share = if share.is_nan() { 0.0 } else { share };
    scale.full_height_px * (LEAST_HEIGHT + (1.0 - LEAST_HEIGHT) * share)
}

fn strokes(entrance: &Entrance, height: f64) -> Vec<[Point; 2]> {
    let has = |name| entrance.faults.get(name).is_some();
    // From below it leans forward, from above back.
    let from_above = entrance.evidence.smear.is_some_and(|smear| smear.depth_cents > 0.0);
    let lean = match has(FaultName::Smear) {
        true if from_above => -LEAN_PX,
        true => LEAN_PX,
        false => 0.0,
    };
    let at = |share: f64| (lean * share, -height * share);
    let mut strokes = match has(FaultName::Stutter) {
        true => vec![[at(0.0), at(BREAK.0)], [at(BREAK.1), at(1.0)]],
        false => vec![[at(0.0), at(1.0)]],
    };
    if has(FaultName::Split) {
        let (top_x, top_y) = at(1.0);
        strokes.push([(-DOUBLE_PX, 0.0), (top_x - DOUBLE_PX, top_y)]);
    }
    strokes
}

/// As long as the air lasted, as dense as it was loud.
fn air(entrance: &Entrance, height: f64, scale: &GlyphScale) -> Vec<[Point; 2]> {
    let air_ms = entrance.noise_before_tone_ms.map_or(0.0, |m| m.value);
    let length = front_px(air_ms, scale).min(scale.room_before_px).max(LEAST_MARK_PX);
    let level_db = entrance.noise_before_tone_db.map_or(SOFT_AIR_DB, |m| m.value);
    let loud = (1.0 - level_db / SOFT_AIR_DB).clamp(0.0, 1.0);
    let step = HATCH_PX.0 + (HATCH_PX.1 - HATCH_PX.0) * if loud.is_nan() { 0.0 } else { loud };
    let num_lines = ((height - step) / step).max(1.0) as usize;
    (0..num_lines).map(|i| -step * (i as f64 + 1.0)).map(|y| [(-length - 1.5, y), (-1.5, y)]).collect()
}

/// The pitch as it was, from the onset until it settled; where the picture has gaps, on to the next point.
fn approach(entrance: &Entrance, height: f64, scale: &GlyphScale) -> Vec<Point> {
    let settled_y = -PITCH_LINE * height;
    let settle_ms = entrance.settle_ms.map_or(0.0, |m| m.value).max(1.0);
    let width = front_px(settle_ms, scale).clamp(LEAST_MARK_PX, scale.room_after_px.max(LEAST_MARK_PX));
    let depth = entrance.onset_cents.map_or(0.0, |m| m.value);
    let point = |i: usize| {
        let share = i as f64 / APPROACH_POINTS as f64;
        // Without a picture, the curve of a pitch that nears its end at a steady rate.
        let cents = pitch_at(&entrance.picture, share * settle_ms).unwrap_or(depth * (-4.0 * share).exp());
        (share * width, settled_y - cents.clamp(-MOST_CENTS, MOST_CENTS) / 100.0 * PX_PER_100_CENTS)
    };
    (0..=APPROACH_POINTS).map(point).filter(|p| p.1.is_finite()).collect()
}

/// The pitch in cents at a time after the onset in ms, if the picture tells.
fn pitch_at(picture: &FrontPicture, ms: f64) -> Option<f64> {
    let nearest = (0..picture.pitch_cents.len())
        .min_by(|&i, &j| (FrontPicture::time_ms(i) - ms).abs().total_cmp(&(FrontPicture::time_ms(j) - ms).abs()))?;
    Some(f64::from(picture.pitch_cents[nearest])).filter(|cents| cents.is_finite())
}

fn slow_px(entrance: &Entrance, scale: &GlyphScale) -> f64 {
    let attack_ms = entrance.attack_ms.map_or(0.0, |m| m.value);
    front_px(attack_ms, scale).clamp(LEAST_MARK_PX, scale.room_after_px.max(LEAST_MARK_PX))
}

fn foot(entrance: &Entrance, scale: &GlyphScale) -> Option<[Point; 2]> {
    let timing_ms = entrance.timing_ms.ok()?.value;
    // The beat lies before a late stroke.
    let away = front_px(timing_ms.abs(), scale).max(LEAST_MARK_PX);
    let x = if timing_ms > 0.0 { -away.min(scale.room_before_px) } else { away.min(scale.room_after_px) };
    Some([(0.0, FOOT_DROP_PX), (x, FOOT_DROP_PX)])
}

fn front_px(ms: f64, scale: &GlyphScale) -> f64 {
    let px = ms / 1e3 * scale.front_px_per_s;
    if px.is_finite() { px } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{airy, below, clear, flagged, told};
    use notefront_dsp::entrance::Smear;
    use notefront_dsp::{CannotTell, Evidence};

    const SCALE: GlyphScale = GlyphScale {
        front_px_per_s: 200.0,
        room_before_px: 30.0,
        room_after_px: 40.0,
        full_level_db: -14.2,
        full_height_px: 60.0,
    };

    #[test]
    fn a_clear_entrance_is_one_bare_stroke_of_its_level() {
        let bare = glyph(&clear(0, 46, 1.0), &SCALE);
        assert_eq!(bare, Glyph { height: 60.0, strokes: vec![[(0.0, -0.0), (0.0, -60.0)]], ..Glyph::default() });
        let soft = glyph(&Entrance { level_db: -44.2, ..clear(0, 46, 1.0) }, &SCALE);
        assert!((soft.height - 21.0).abs() < 1e-9, "{}", soft.height);
    }

    #[test]
    fn every_fault_adds_ink() {
        let bare = glyph(&clear(0, 46, 1.0), &SCALE);
        for name in FaultName::ALL {
            let entrance = Entrance {
                timing_ms: told(30.0, 1.0),
                evidence: Evidence::default(),
                ..flagged(clear(0, 46, 1.0), name, 0.5, 0.9)
            };
            assert_ne!(glyph(&entrance, &SCALE), bare, "{name:?}");
        }
    }

    #[test]
    fn air_is_as_long_as_it_lasted_and_denser_when_louder() {
        let hatching = glyph(&airy(0, 1.0), &SCALE).air;
        // 115 ms at 200 px/s.
        assert!((hatching[0][1].0 - hatching[0][0].0 - 23.0).abs() < 1e-9, "{hatching:?}");
        let loud = Entrance { noise_before_tone_db: told(-3.0, 1.0), ..airy(0, 1.0) };
        assert!(glyph(&loud, &SCALE).air.len() > hatching.len());
        let long = Entrance { noise_before_tone_ms: told(900.0, 4.0), ..airy(0, 1.0) };
        let hatching = glyph(&long, &SCALE).air;
        assert!((hatching[0][1].0 - hatching[0][0].0 - 30.0).abs() < 1e-9, "no further than the note before");
    }

    #[test]
    fn a_pitch_from_below_rises_to_where_it_settled() {
        let curve = glyph(&below(0, 1.0), &SCALE).approach;
        let (first, last) = (curve[0], curve[APPROACH_POINTS]);
        // 70.9 cents at 30 px a 100 cents, below the pitch line at 33 px; 112.5 ms at 200 px/s.
        assert!((first.1 - (-33.0 + 21.27)).abs() < 0.01, "{first:?}");
        assert!((last.0 - 22.5).abs() < 1e-9 && (last.1 + 33.0).abs() < 0.5, "{last:?}");
    }

    #[test]
    fn a_late_foot_points_back_to_the_beat_and_an_early_one_forward() {
        let at = |ms, name| {
            let entrance = Entrance { timing_ms: told(ms, 1.0), ..flagged(clear(0, 46, 1.0), name, 0.5, 0.9) };
            glyph(&entrance, &SCALE).foot.expect("off the beat")[1].0
        };
        assert!((at(50.0, FaultName::Late) + 10.0).abs() < 1e-9);
        assert!((at(-50.0, FaultName::Early) - 10.0).abs() < 1e-9);
    }

    #[test]
    fn a_smear_leans_the_way_the_slide_came() {
        let top = |depth_cents| {
            let smear = Some(Smear { rate_cents_per_s: 900.0, depth_cents, duration_ms: 100.0 });
            let evidence = Evidence { smear, ..Evidence::default() };
            let entrance = Entrance { evidence, ..flagged(clear(0, 46, 1.0), FaultName::Smear, 0.5, 0.9) };
            glyph(&entrance, &SCALE).strokes[0][1].0
        };
        assert!(top(-100.0) > 0.0 && top(100.0) < 0.0);
    }

    #[test]
    fn what_cannot_be_told_still_has_a_finite_shape() {
        let mut entrance = clear(0, 46, 1.0);
        for name in FaultName::ALL {
            entrance = flagged(entrance, name, 1.0, 1.0);
        }
        entrance.level_db = f64::NAN;
        entrance.noise_before_tone_db = told(f64::NAN, 1.0);
        entrance.onset_cents = Err(CannotTell::TooSoft);
        entrance.timing_ms = told(f64::INFINITY, 1.0);
        let glyph = glyph(&entrance, &SCALE);
        let lines = [glyph.strokes, glyph.air, glyph.marks, glyph.foot.into_iter().collect()].concat();
        let points = lines.iter().flatten().chain(&glyph.approach);
        assert!(points.copied().all(|(x, y)| x.is_finite() && y.is_finite()));
    }
}
