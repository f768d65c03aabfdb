//! One glyph for each entrance: a clear attack is a plain stroke, every fault adds ink.
//!
//! Ink beside the stroke is drawn on a time scale of its own that never gets finer than
//! [`MIN_PX_PER_MS`]: at lane scale 50 ms of air would be three pixels.

use super::theme::Theme;
use crate::wave;
use egui::{Color32, Pos2, Shape, Stroke, pos2, vec2};
use notefront_dsp::{Entrance, Fault, FaultName, Faults, FrontPicture};

/// Finest time scale of the ink beside a stroke, pixels per ms.
const MIN_PX_PER_MS: f32 = 0.16;
/// Width of the stroke, pixels.
const STROKE_PX: f32 = 2.4;
/// Shortest stroke, as a share of the tallest: a soft note is still a note.
const MIN_HEIGHT: f32 = 0.25;
/// Displacement of the pitch curve, pixels per cent, and its limit as a share of the stroke.
const PX_PER_CENT: f32 = 0.4;
const MAX_BEND: f32 = 0.55;
/// Points of the picture on either side that a point of the pitch curve is smoothed with.
const SMOOTHED_POINTS: usize = 2;
/// Distance of two lines of hatching for air at -40 dB and at -10 dB re the tone, pixels.
const HATCH_PX: (f32, f32) = (20.0, 5.0);
/// Shortest foot of an early or late entrance, pixels.
const MIN_FOOT_PX: f32 = 5.0;

/// Where a glyph stands.
#[derive(Debug, Clone, Copy)]
pub struct Stand {
    /// Pixel of `speaks_s`.
    pub x: f32,
    /// Pixel of the beat it belongs to.
    pub beat_x: Option<f32>,
    /// The line it stands on.
    pub base_y: f32,
    /// Height of a stroke at full scale, pixels; negative hangs it below the line.
    pub height: f32,
    /// Time scale of the lane, pixels per ms.
    pub px_per_ms: f32,
    /// Room to the neighbours on the left and right, pixels.
    pub room: (f32, f32),
}

impl Stand {
    fn fine(&self) -> f32 {
        self.px_per_ms.max(MIN_PX_PER_MS)
    }

    /// A point at a share of the stroke's height.
    fn at(&self, dx: f32, share: f32, stroke_height: f32) -> Pos2 {
        pos2(self.x + dx, self.base_y - share * stroke_height)
    }
}

/// Height of an entrance's stroke, pixels (signed as [`Stand::height`]).
#[must_use]
pub fn stroke_height(entrance: &Entrance, stand: &Stand) -> f32 {
    stand.height * wave::db_to_height(entrance.level_db).max(MIN_HEIGHT)
}

/// Draws an entrance with those of its faults that are shown; `faint` for what agrees in a comparison.
pub fn draw(shapes: &mut Vec<Shape>, entrance: &Entrance, shown: &Faults, stand: &Stand, theme: &Theme, faint: bool) {
    let height = stroke_height(entrance, stand);
    let ink = if faint { theme.rule } else { theme.ink };
    for fault in shown.iter() {
        let colour = if faint { theme.rule } else { theme.amount(0.45 + 0.55 * fault.severity) };
        draw_fault(shapes, entrance, fault, stand, height, colour, theme);
    }
    draw_stroke(shapes, shown, stand, height, ink, lean(entrance, shown));
}

/// How far a smear slants the stroke at its top, pixels.
fn lean(entrance: &Entrance, shown: &Faults) -> f32 {
    match (shown.get(FaultName::Smear), entrance.evidence.smear) {
        (Some(_), Some(smear)) => 6.0 + (smear.depth_cents.abs() as f32 / 12.0).min(10.0),
        (Some(_), None) => 10.0,
        _ => 0.0,
    }
}

fn draw_stroke(shapes: &mut Vec<Shape>, shown: &Faults, stand: &Stand, height: f32, ink: Color32, lean: f32) {
    let stroke = Stroke::new(STROKE_PX, ink);
    let piece = |from: f32, to: f32, dx: f32| {
        Shape::line_segment([stand.at(dx + lean * from, from, height), stand.at(dx + lean * to, to, height)], stroke)
    };
    if shown.get(FaultName::Stutter).is_some() {
        shapes.extend([piece(0.0, 0.42, 0.0), piece(0.6, 1.0, 0.0)]);
    } else {
        shapes.push(piece(0.0, 1.0, 0.0));
    }
    if shown.get(FaultName::Split).is_some() {
        shapes.push(piece(0.0, 0.92, STROKE_PX + 2.4));
    }
    if shown.get(FaultName::Hard).is_some() {
        let top = stand.at(lean, 1.0, height);
        shapes.push(Shape::line_segment([top - vec2(6.0, 0.0), top + vec2(6.0, 0.0)], Stroke::new(3.2, ink)));
    }
}

fn draw_fault(
    shapes: &mut Vec<Shape>,
    entrance: &Entrance,
    fault: &Fault,
    stand: &Stand,
    height: f32,
    colour: Color32,
    theme: &Theme,
) {
    match fault.name {
        FaultName::Airy => draw_air(shapes, entrance, stand, height, colour),
        FaultName::Below | FaultName::Above => draw_bend(shapes, entrance, stand, height, colour),
        FaultName::Slow => draw_growth(shapes, entrance, stand, height, colour),
        FaultName::HeldBreath => draw_held(shapes, entrance, stand, height, colour),
        FaultName::Early | FaultName::Late => draw_foot(shapes, fault.name, stand, theme),
        // These change the stroke itself.
        FaultName::Split | FaultName::Smear | FaultName::Stutter | FaultName::Hard => {}
    }
}

/// Hatching to the left: as long as the air lasted, as dense as it was loud.
fn draw_air(shapes: &mut Vec<Shape>, entrance: &Entrance, stand: &Stand, height: f32, colour: Color32) {
    let ms = entrance.noise_before_tone_ms.map_or(30.0, |m| m.value) as f32;
    let level_db = entrance.noise_before_tone_db.map_or(-30.0, |m| m.value) as f32;
    let len = (ms * stand.fine()).clamp(5.0, stand.room.0.max(5.0));
    let loudness = ((level_db + 40.0) / 30.0).clamp(0.0, 1.0);
    let distance = HATCH_PX.0 + loudness * (HATCH_PX.1 - HATCH_PX.0);
    let num_lines = ((0.84 * height.abs() / distance) as usize).max(2);
    for i in 0..num_lines {
        let share = 0.06 + 0.84 * i as f32 / (num_lines - 1) as f32;
        let right = stand.at(-2.0, share, height);
        shapes.push(Shape::line_segment([right - vec2(len, 0.0), right], Stroke::new(1.1, colour)));
    }
}

/// The pitch's way into the note, ending where it settled.
fn draw_bend(shapes: &mut Vec<Shape>, entrance: &Entrance, stand: &Stand, height: f32, colour: Color32) {
    const NUM_POINTS: usize = 20;
    let settle_ms = entrance.settle_ms.map_or(80.0, |m| m.value).max(20.0);
    let len = (settle_ms as f32 * stand.fine()).clamp(6.0, stand.room.1.max(6.0));
    let limit = MAX_BEND * height.abs();
    let settled = stand.at(0.0, 0.55, height);
    // Up is up in both halves of a comparison: a pitch from below starts lower on the screen.
    let points = (0..=NUM_POINTS).map(|i| {
        let share = i as f64 / NUM_POINTS as f64;
        let cents = pitch_at(entrance, share * settle_ms) as f32;
        settled + vec2(share as f32 * len, (-cents * PX_PER_CENT).clamp(-limit, limit))
    });
    let points: Vec<Pos2> = points.collect();
    let end = points.last().copied().unwrap_or(settled);
    shapes.push(Shape::line(points, Stroke::new(1.7, colour)));
    shapes.push(Shape::circle_filled(end, 2.3, colour));
}

/// Cents from the settled pitch at `ms` after the onset: from the picture, or an exponential way from
/// the two measures where the picture was not kept.
#[must_use]
pub fn pitch_at(entrance: &Entrance, ms: f64) -> f64 {
    let cents = &entrance.picture.pitch_cents;
    let index = (0..cents.len()).rfind(|i| FrontPicture::time_ms(*i) <= ms && cents[*i].is_finite());
    if let Some(index) = index {
        // A stroke is read at a glance: the median of five points (20 ms) leaves single wild ones to the close-up.
        let near = index.saturating_sub(SMOOTHED_POINTS)..=(index + SMOOTHED_POINTS).min(cents.len() - 1);
        return median(cents[near].iter().copied().filter(|c| c.is_finite()));
    }
    let onset = entrance.onset_cents.map_or(0.0, |m| m.value);
    let settle = entrance.settle_ms.map_or(0.0, |m| m.value);
    if onset.abs() <= 10.0 || settle <= 0.0 {
        return onset;
    }
    onset * (-(onset.abs() / 10.0).ln() * ms / settle).exp()
}

fn median(values: impl Iterator<Item = f32>) -> f64 {
    let mut sorted = [0.0; 2 * SMOOTHED_POINTS + 1];
    let mut num = 0;
    for value in values.take(sorted.len()) {
        sorted[num] = value;
        num += 1;
    }
    sorted[..num].sort_by(f32::total_cmp);
    f64::from(sorted[num.saturating_sub(1) / 2])
}

/// A slow tone leans away from its stroke: full height only where it has grown.
fn draw_growth(shapes: &mut Vec<Shape>, entrance: &Entrance, stand: &Stand, height: f32, colour: Color32) {
    let ms = entrance.attack_ms.map_or(90.0, |m| m.value) as f32;
    let len = (ms * stand.fine()).clamp(6.0, stand.room.1.max(6.0));
    let triangle = vec![stand.at(1.0, 0.0, height), stand.at(len, 1.0, height), stand.at(1.0, 1.0, height)];
    shapes.push(Shape::line(triangle, Stroke::new(1.3, colour)));
}

/// A held breath: a bracket over the silence before the sound.
fn draw_held(shapes: &mut Vec<Shape>, entrance: &Entrance, stand: &Stand, height: f32, colour: Color32) {
    let ms = entrance.evidence.held_breath_ms.unwrap_or(200.0) as f32;
    let len = (ms * stand.fine()).clamp(6.0, stand.room.0.max(6.0));
    let bracket = vec![
        stand.at(-len, 0.16, height),
        stand.at(-len, 0.04, height),
        stand.at(-3.0, 0.04, height),
        stand.at(-3.0, 0.16, height),
    ];
    shapes.push(Shape::line(bracket, Stroke::new(1.5, colour)));
}

/// The foot from the stroke to its beat: the one warm tone marks time.
fn draw_foot(shapes: &mut Vec<Shape>, name: FaultName, stand: &Stand, theme: &Theme) {
    let to_beat = if name == FaultName::Late { -1.0 } else { 1.0 };
    let len = stand.beat_x.map_or(0.0, |b| (b - stand.x).abs()).max(MIN_FOOT_PX);
    let y = stand.base_y + 4.0 * stand.height.signum();
    let points = [pos2(stand.x, y), pos2(stand.x + to_beat * len, y)];
    shapes.push(Shape::line_segment(points, Stroke::new(3.4, theme.warm)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use crate::looks::Colours;

    fn stand() -> Stand {
        Stand { x: 100.0, beat_x: Some(96.0), base_y: 200.0, height: 120.0, px_per_ms: 0.07, room: (40.0, 40.0) }
    }

    fn shapes_of(entrance: &Entrance) -> Vec<Shape> {
        let mut shapes = Vec::new();
        draw(&mut shapes, entrance, &entrance.faults, &stand(), &Theme::of(Colours::Light), false);
        shapes
    }

    #[test]
    fn a_clear_attack_is_one_plain_stroke() {
        let shapes = shapes_of(&fixture::clear(0, 1.0, 46));
        assert_eq!(shapes.len(), 1);
        let bounds = shapes[0].visual_bounding_rect();
        assert!((bounds.center().x - 100.0).abs() < 0.01 && bounds.width() < 4.0);
    }

    #[test]
    fn every_fault_adds_ink() {
        let clear = fixture::clear(0, 1.0, 46);
        let plain = format!("{:?}", shapes_of(&clear));
        for name in FaultName::ALL {
            let mut faulty = fixture::with_fault(clear, name, 0.5);
            faulty.level_db = clear.level_db;
            let shapes = shapes_of(&faulty);
            assert_ne!(format!("{shapes:?}"), plain, "{name:?}");
            assert!(shapes.len() > 1 || name == FaultName::Smear, "{name:?}");
        }
    }

    #[test]
    fn air_stands_left_and_is_denser_when_louder() {
        let clear = fixture::clear(0, 1.0, 46);
        let soft = shapes_of(&fixture::with_fault(clear, FaultName::Airy, 0.1));
        let loud = shapes_of(&fixture::with_fault(clear, FaultName::Airy, 1.0));
        assert!(loud.len() > soft.len());
        let left = loud[0].visual_bounding_rect();
        assert!(left.right() <= 100.0 && left.left() < 95.0);
    }

    #[test]
    fn the_foot_points_to_the_beat() {
        let clear = fixture::clear(0, 1.0, 46);
        let late = shapes_of(&fixture::with_fault(clear, FaultName::Late, 0.5))[0].visual_bounding_rect();
        let early = shapes_of(&fixture::with_fault(clear, FaultName::Early, 0.5))[0].visual_bounding_rect();
        assert!(late.center().x < 100.0 && early.center().x > 100.0);
    }

    #[test]
    fn a_bend_from_below_starts_lower_on_the_screen() {
        let clear = fixture::clear(0, 1.0, 46);
        for (name, lower) in [(FaultName::Below, true), (FaultName::Above, false)] {
            let entrance = fixture::with_fault(clear, name, 0.5);
            let Shape::Path(path) = &shapes_of(&entrance)[0] else { panic!("the curve is a path") };
            let (first, last) = (path.points[0], path.points[path.points.len() - 1]);
            assert_eq!(first.y > last.y, lower, "{name:?}");
        }
    }

    #[test]
    fn without_a_picture_the_curve_comes_from_the_measures() {
        let mut below = fixture::with_fault(fixture::clear(0, 1.0, 46), FaultName::Below, 0.5);
        below.picture = FrontPicture::empty();
        assert!((pitch_at(&below, 0.0) - -70.0).abs() < 1e-9);
        // It leaves the band of 10 cents where it settles.
        assert!((pitch_at(&below, 130.0) - -10.0).abs() < 1e-6);
    }
}
