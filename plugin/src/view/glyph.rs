//! The glyph of an entrance in egui shapes: geometry from `notefront_takes::glyph`, pens and colours from the theme.

use super::scale::TimeScale;
use super::theme::Theme;
use crate::wave;
use egui::{Pos2, Shape, Stroke, pos2, vec2};
use notefront_dsp::{Entrance, Faults};
use notefront_takes::glyph::{self, DOT_PX, GlyphScale, Mark, MarkKind, Place, Point};

/// The ring over what the player spoke of: its radius, and how far over the stroke it stands, pixels. As on the page.
const RING_PX: f32 = 3.0;
const RING_OVER_PX: f32 = 6.0;

/// Where a glyph stands, and how large it is.
#[derive(Debug, Clone, Copy)]
pub struct Stand {
    /// Pixel of the foot of its stroke: `speaks_s` on the line it stands on.
    pub foot: Pos2,
    /// Its scale.
    pub scale: GlyphScale,
}

impl Stand {
    /// Where entrance `index` of a pass stands, with `foot` and the height of a stroke at full scale in pixels.
    #[must_use]
    pub fn of(entrances: &[Entrance], index: usize, foot: Pos2, full_height: f32, scale: &TimeScale) -> Self {
        let at_s = entrances[index].front.speaks_s;
        let px_to = |other: Option<&Entrance>| {
            other.map_or(f64::INFINITY, |other| (other.front.speaks_s - at_s).abs() * scale.px_per_s)
        };
        let before = index.checked_sub(1).and_then(|i| entrances.get(i));
        let scale = GlyphScale {
            line_px_per_s: Some(scale.px_per_s),
            front_px_per_s: glyph::front_px_per_s(scale.px_per_s),
            neighbours_px: (px_to(before), px_to(entrances.get(index + 1))),
            // The outline of the sound behind the strokes has the same scale.
            levels_db: (f64::from(wave::FLOOR_DB), 0.0),
            full_height_px: f64::from(full_height),
            place: Place::Ground,
        };
        Self { foot, scale }
    }

    /// The same in one half of a comparison.
    #[must_use]
    pub fn within(self, place: Place) -> Self {
        Self { scale: GlyphScale { place, ..self.scale }, ..self }
    }

    /// Height of the entrance's stroke, pixels.
    #[must_use]
    pub fn height(&self, entrance: &Entrance) -> f32 {
        glyph::stroke_height(entrance.front.level_db, &self.scale) as f32
    }

    fn at(&self, (x, y): Point) -> Pos2 {
        pos2(self.foot.x + x as f32, self.foot.y + y as f32)
    }
}

/// Draws an entrance with those of its faults that are shown; `faint` for what agrees in a comparison.
pub fn draw(shapes: &mut Vec<Shape>, entrance: &Entrance, shown: &Faults, stand: &Stand, theme: &Theme, faint: bool) {
    for mark in glyph::glyph(entrance, shown, &stand.scale).marks {
        let pen = pen(&mark, theme, faint);
        for line in &mark.lines {
            let points: Vec<Pos2> = line.iter().map(|&point| stand.at(point)).collect();
            shapes.push(match points[..] {
                [from, to] => Shape::line_segment([from, to], pen),
                _ => Shape::line(points, pen),
            });
        }
        shapes.extend(mark.dot.map(|dot| Shape::circle_filled(stand.at(dot), DOT_PX as f32, pen.color)));
    }
}

/// Draws an entrance that the player placed: nothing of it was measured.
pub fn draw_own(shapes: &mut Vec<Shape>, entrance: &Entrance, stand: &Stand, theme: &Theme) {
    let ends = [stand.foot, stand.foot - vec2(0.0, stand.height(entrance))];
    shapes.extend(Shape::dashed_line(&ends, Stroke::new(2.4, theme.ink), 4.0, 3.0));
}

/// Draws the ring that stands over everything the player spoke of.
pub fn draw_said(shapes: &mut Vec<Shape>, entrance: &Entrance, stand: &Stand, theme: &Theme) {
    let up = stand.height(entrance) + RING_OVER_PX;
    let at = stand.foot - vec2(0.0, if stand.scale.place == Place::Lower { -up } else { up });
    shapes.push(Shape::circle_stroke(at, RING_PX, Stroke::new(1.5, theme.ink)));
}

/// Width and colour of a mark. The one warm tone marks time.
fn pen(mark: &Mark, theme: &Theme, faint: bool) -> Stroke {
    let (width, ink) = match mark.kind {
        MarkKind::Stroke => (2.4, theme.ink),
        MarkKind::Bar => (3.2, theme.ink),
        MarkKind::Air => (1.1, theme.amount(0.45 + 0.55 * mark.severity)),
        MarkKind::Approach => (1.7, theme.amount(0.45 + 0.55 * mark.severity)),
        MarkKind::Growth | MarkKind::Held => (1.4, theme.amount(0.45 + 0.55 * mark.severity)),
        MarkKind::Foot => (3.4, theme.warm),
    };
    Stroke::new(width, if faint && mark.kind != MarkKind::Foot { theme.rule } else { ink })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use crate::looks::Colours;
    use notefront_dsp::FaultName;

    /// Shapes of an entrance at (100, 200), full height 120.
    fn shapes_of(entrance: &Entrance) -> Vec<Shape> {
        let scale = TimeScale { left_s: 0.0, px_per_s: 70.0, x0: 0.0, width: 900.0 };
        let stand = Stand::of(&[*entrance], 0, pos2(100.0, 200.0), 120.0, &scale);
        let mut shapes = Vec::new();
        draw(&mut shapes, entrance, &entrance.verdict.faults, &stand, &Theme::of(Colours::Light), false);
        shapes
    }

    #[test]
    fn a_clear_attack_is_one_plain_stroke_at_its_place() {
        let shapes = shapes_of(&fixture::clear(0, 1.0, 46));
        assert_eq!(shapes.len(), 1);
        let bounds = shapes[0].visual_bounding_rect();
        assert!((bounds.center().x - 100.0).abs() < 0.01 && bounds.width() < 4.0);
        assert!((bounds.bottom() - 200.0).abs() < 2.0 && bounds.top() > 80.0);
    }

    #[test]
    fn every_fault_draws_something_else() {
        let clear = fixture::clear(0, 1.0, 46);
        let plain = format!("{:?}", shapes_of(&clear));
        for name in FaultName::ALL {
            let shapes = shapes_of(&fixture::with_fault(clear, name, 0.5));
            assert_ne!(format!("{shapes:?}"), plain, "{name:?}");
        }
    }

    #[test]
    fn the_settled_pitch_has_its_dot() {
        let below = fixture::with_fault(fixture::clear(0, 1.0, 46), FaultName::Below, 0.5);
        assert!(shapes_of(&below).iter().any(|shape| matches!(shape, Shape::Circle(_))));
    }
}
