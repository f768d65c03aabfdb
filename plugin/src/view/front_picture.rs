//! The picture of a front: its geometry is that of the page (`notefront_takes::front_view`), pens and colours are the window's.

use super::theme::Theme;
use crate::words;
use egui::epaint::Mesh;
use egui::{Align2, Color32, FontId, Painter, Pos2, Rect, Sense, Shape, Stroke, Ui, pos2, vec2};
use notefront_dsp::Entrance;
use notefront_takes::front_view::{Frame, FrontView, Word, WordKind};
use notefront_takes::glyph::{Point, pitch_at};

/// Height of letters, pixels at normal text size.
const TEXT_PX: f32 = 11.0;
/// Paper kept free around the picture, pixels.
const MARGIN_PX: f32 = 6.0;
/// Points of a way in that is not kept.
const NUM_WAY: usize = 24;
/// Share of a letter's height under its baseline.
const DESCENT: f32 = 0.25;

/// Draws the picture of an entrance into `rect`; a mark stands so many ms from the onset, where that is seen.
pub fn show(ui: &mut Ui, rect: Rect, entrance: &Entrance, mark_ms: Option<f64>, theme: &Theme, text_scale: f32) {
    let response = ui.interact(rect, ui.scope_id().with("plot"), Sense::hover());
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 2.0, theme.paper);
    let inner = rect.shrink(MARGIN_PX);
    let text_px = TEXT_PX * text_scale;
    let frame = Frame::new(f64::from(inner.width()), f64::from(inner.height()), f64::from(text_px));
    let view = FrontView::of(entrance, frame);
    let picture = Picture { painter: &painter, view: &view, origin: inner.min, theme };
    picture.ground();
    picture.levels();
    picture.pitch(entrance);
    picture.instants();
    if let Some(ms) = mark_ms {
        picture.mark(ms);
    }
    view.words.iter().for_each(|word| picture.word(word, text_px));
    let text = described(entrance, &view);
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &text));
}

/// The picture for those who do not see it.
fn described(entrance: &Entrance, view: &FrontView) -> String {
    let text = format!("close-up of {}: pitch in cents and level in dB over ms from the onset", words::note(entrance));
    view.corridor_words.as_ref().map_or_else(|| text.clone(), |corridor| format!("{text}; {corridor}"))
}

struct Picture<'a> {
    painter: &'a Painter,
    view: &'a FrontView,
    origin: Pos2,
    theme: &'a Theme,
}

impl Picture<'_> {
    fn at(&self, (x, y): Point) -> Pos2 {
        self.origin + vec2(x as f32, y as f32)
    }

    /// Where "here" is.
    fn mark(&self, ms: f64) {
        let frame = self.view.frame;
        let x = self.view.x(ms);
        if (frame.x.0..=frame.x.1).contains(&x) {
            let ends = [self.at((x, frame.pitch_y.0)), self.at((x, frame.level_y.1))];
            self.painter.extend(Shape::dashed_line(&ends, Stroke::new(1.5, self.theme.warm), 5.0, 3.0));
        }
    }

    /// Corridor and axes, behind everything.
    fn ground(&self) {
        let frame = self.view.frame;
        for outline in &self.view.clear {
            self.between(outline, self.theme.faint);
        }
        let line = Stroke::new(0.6, self.theme.rule);
        for panel in [frame.pitch_y, frame.level_y] {
            for &x in &self.view.time_lines {
                self.painter.line_segment([self.at((x, panel.0)), self.at((x, panel.1))], line);
            }
            let corners = [(frame.x.0, panel.0), (frame.x.1, panel.1)].map(|p| self.at(p));
            let outline = Rect::from_two_pos(corners[0], corners[1]);
            self.painter.rect_stroke(outline, 0.0, Stroke::new(1.0, self.theme.rule), egui::StrokeKind::Inside);
        }
        for y in [self.view.cents_y(0.0), self.view.level_y(0.0)] {
            self.painter.line_segment([self.at((frame.x.0, y)), self.at((frame.x.1, y))], line);
        }
    }

    /// What lies between the upper edge of an outline, which comes first, and the lower, which comes back.
    fn between(&self, outline: &[Point], colour: Color32) {
        let mut mesh = Mesh::default();
        for i in 0..outline.len() / 2 {
            let first = mesh.vertices.len() as u32;
            mesh.colored_vertex(self.at(outline[i]), colour);
            mesh.colored_vertex(self.at(outline[outline.len() - 1 - i]), colour);
            if first > 0 {
                mesh.add_triangle(first - 2, first - 1, first);
                mesh.add_triangle(first - 1, first, first + 1);
            }
        }
        self.painter.add(Shape::mesh(mesh));
    }

    fn levels(&self) {
        let bottom = self.view.frame.level_y.1;
        for part in parts(&self.view.noise) {
            let back = part.iter().rev().map(|(x, _)| (*x, bottom));
            self.between(&part.iter().copied().chain(back).collect::<Vec<_>>(), self.theme.rule);
        }
        self.lines(&self.view.tone, Stroke::new(1.8, self.theme.ink));
    }

    fn pitch(&self, entrance: &Entrance) {
        self.lines(&self.view.pitch, Stroke::new(2.2, self.theme.ink));
        let told = (entrance.front.onset_cents, entrance.front.settle_ms);
        if let (true, (Ok(_), Ok(settle))) = (self.view.pitch.iter().all(Option::is_none), told) {
            // The path is not kept with a project: a dashed way between the two measures stands for it.
            let ms = (0..=NUM_WAY).map(|i| i as f64 / NUM_WAY as f64 * settle.value.clamp(20.0, self.view.time_ms.1));
            let way: Vec<Pos2> =
                ms.map(|ms| self.at((self.view.x(ms), self.view.cents_y(pitch_at(entrance, ms))))).collect();
            self.painter.extend(Shape::dashed_line(&way, Stroke::new(1.8, self.theme.ink), 6.0, 4.0));
        }
        let settled = self.view.settled.map(|at| self.at(at));
        self.painter.extend(settled.map(|at| Shape::circle_filled(at, 3.5, self.theme.ink)));
    }

    fn instants(&self) {
        let frame = self.view.frame;
        let upright = |x: f64| [self.at((x, frame.pitch_y.0)), self.at((x, frame.level_y.1))];
        for line in &self.view.air {
            self.painter.line_segment(line.map(|p| self.at(p)), Stroke::new(1.0, self.theme.amount(0.8)));
        }
        self.painter.line_segment(upright(self.view.speaks_x), Stroke::new(2.4, self.theme.ink));
        if let Some(x) = self.view.beat_x {
            self.painter.extend(Shape::dashed_line(&upright(x), Stroke::new(1.4, self.theme.warm), 5.0, 4.0));
        }
    }

    fn lines(&self, points: &[Option<Point>], pen: Stroke) {
        let drawn = |part: &[Point]| Shape::line(part.iter().map(|p| self.at(*p)).collect(), pen);
        self.painter.extend(parts(points).iter().map(|part| drawn(part)));
    }

    /// A word on a plate of paper, so that no line runs through it.
    fn word(&self, word: &Word, text_px: f32) {
        let colour = match word.kind {
            WordKind::Axis | WordKind::Noise | WordKind::Clear => self.theme.soft_ink,
            WordKind::Pitch | WordKind::Tone => self.theme.ink,
            WordKind::Beat => self.theme.warm,
        };
        let align = match word.end {
            -1 => Align2::LEFT_BOTTOM,
            0 => Align2::CENTER_BOTTOM,
            _ => Align2::RIGHT_BOTTOM,
        };
        let at = self.at(word.at) + vec2(0.0, DESCENT * text_px);
        let galley = self.painter.layout_no_wrap(word.text.clone(), FontId::proportional(text_px), colour);
        let place = align.anchor_size(at, galley.size());
        if word.kind != WordKind::Axis {
            self.painter.rect_filled(place.expand2(vec2(2.0, -1.0)), 2.0, self.theme.paper);
        }
        self.painter.galley(pos2(place.left(), place.top()), galley, colour);
    }
}

/// Stretches between lifts of the pen, of two points and more.
fn parts(points: &[Option<Point>]) -> Vec<Vec<Point>> {
    let stretches = points.split(Option::is_none).map(|part| part.iter().flatten().copied().collect::<Vec<_>>());
    stretches.filter(|part| part.len() > 1).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pen_is_lifted_where_nothing_is_told() {
        let points =
            [Some((0.0, 1.0)), Some((1.0, 1.0)), None, Some((3.0, 1.0)), None, Some((5.0, 0.0)), Some((6.0, 0.0))];
        let lens: Vec<usize> = parts(&points).iter().map(Vec::len).collect();
        assert_eq!(lens, [2, 2]);
    }
}
