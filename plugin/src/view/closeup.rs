//! The close-up of one entrance: the same stroke with axes, the faults in words, the numbers with their
//! uncertainty.

use super::theme::Theme;
use crate::words::{self, Place};
use egui::epaint::Mesh;
use egui::{Align2, FontId, Grid, Painter, Rect, RichText, Sense, Shape, Stroke, Ui, pos2, vec2};
use notefront_dsp::entrance::FRONT_POINTS;
use notefront_dsp::{Entrance, FrontPicture};
use notefront_takes::corridor::{Corridor, Edge};
use notefront_takes::glyph::pitch_at;
use notefront_takes::words::{articulation, because, usual_remedy};

/// Below this height there is no picture: words and numbers come first. Pixels at normal text size, as those below.
const MIN_PLOT_PX: f32 = 150.0;
/// Width of the numbers, and the least the words need beside them; in less room the numbers follow the words.
const NUMBERS_PX: f32 = 205.0;
const MIN_WORDS_PX: f32 = 150.0;
/// Times shown, ms from the onset: the picture's own range.
const RANGE_MS: (f64, f64) = (-100.0, 400.0);
/// Least half range of pitch shown, cents.
const MIN_CENTS: f64 = 30.0;
/// Most half range of pitch shown, cents; a split beyond it runs out of the picture at its edge.
const MAX_CENTS: f64 = 1300.0;
/// Band within which a pitch counts as settled, cents (measures page).
const SETTLED_CENTS: f64 = 10.0;
/// Levels shown under the pitch, dB re the settled tone.
const LEVEL_RANGE_DB: (f64, f64) = (-48.0, 6.0);
/// Share of the height for pitch; the rest is level.
const PITCH_SHARE: f32 = 0.66;

/// Draws the close-up into what is left of `ui`: the picture, the faults in words, the numbers. True when the
/// place to play from is to be copied.
pub fn show(ui: &mut Ui, entrance: &Entrance, place: &Place, theme: &Theme, text_scale: f32) -> bool {
    let all = ui.available_rect_before_wrap();
    let mut left = all.left();
    if all.height() >= MIN_PLOT_PX * text_scale {
        let plot_width = 0.5 * (all.width() - 16.0).max(0.0);
        plot(ui, Rect::from_min_size(all.min, vec2(plot_width, all.height())), entrance, theme, text_scale);
        left += plot_width + 12.0;
    }
    let numbers_left = all.right() - NUMBERS_PX * text_scale;
    let has_room = numbers_left - left >= MIN_WORDS_PX * text_scale;
    let right = if has_room { numbers_left - 10.0 } else { all.right() };
    let mut copies = false;
    column(ui, Rect::from_x_y_ranges(left..=right, all.y_range()), "words", |ui| {
        copies = describe(ui, entrance, place, theme);
        if !has_room {
            numbers(ui, entrance);
        }
    });
    if has_room {
        let right = Rect::from_x_y_ranges(numbers_left..=all.right(), all.y_range());
        column(ui, right, "numbers", |ui| numbers(ui, entrance));
    }
    ui.advance_cursor_after_rect(all);
    copies
}

fn column(ui: &mut Ui, rect: Rect, id: &str, add: impl FnOnce(&mut Ui)) {
    let mut inner = ui.new_child(egui::UiBuilder::new().id_salt(id).max_rect(rect));
    inner.set_clip_rect(rect.expand(2.0).intersect(ui.clip_rect()));
    egui::ScrollArea::vertical().id_salt(id).auto_shrink(false).show(&mut inner, |ui| ui.vertical(add));
}

fn describe(ui: &mut Ui, entrance: &Entrance, place: &Place, theme: &Theme) -> bool {
    let positions = words::positions(entrance);
    let title = format!("{} \u{b7} {}", words::note(entrance), place.at);
    ui.label(RichText::new(title).heading().strong());
    let position = if positions.is_empty() { String::new() } else { format!(" \u{b7} position {positions}") };
    let how = articulation(entrance.front.articulation);
    ui.label(format!("{how}{position} \u{b7} clarity {:.0} of 100", entrance.verdict.clarity));
    let copies = listen(ui, place);
    ui.add_space(4.0);
    if entrance.verdict.faults.is_empty() {
        ui.label("A clear attack.");
    }
    for fault in entrance.verdict.faults.iter() {
        ui.label(RichText::new(notefront_takes::words::word(fault.name)).strong());
        ui.label(because(entrance, fault.name));
        let remedy = usual_remedy(fault.name);
        let sure = format!("{:.0} % sure. Players usually try: {remedy}.", fault.sureness * 100.0);
        ui.label(RichText::new(sure).color(theme.soft_ink).small());
    }
    copies
}

/// An insert cannot move its host's play position: it says where to put it.
fn listen(ui: &mut Ui, place: &Place) -> bool {
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new(format!("To hear it, play from {}", place.listen_from)).small());
        ui.small_button("copy").on_hover_text("Copy this place for the host's locate field (H)").clicked()
    })
    .inner
}

fn numbers(ui: &mut Ui, entrance: &Entrance) {
    let rows = [
        ("leaned", words::measure(entrance.front.approach_cents, "cents")),
        ("in at", words::measure(entrance.front.onset_cents, "cents")),
        ("spoke in", words::measure(entrance.front.speak_ms, "ms")),
        ("settled after", words::measure(entrance.front.settle_ms, "ms")),
        ("tuning", words::measure(entrance.front.tuning_cents, "cents")),
        ("air first", words::measure(entrance.front.noise_before_tone_ms, "ms")),
        ("grows in", words::measure(entrance.front.attack_ms, "ms")),
        ("burst", words::measure(entrance.front.overshoot_db, "dB")),
        ("from the beat", words::measure(entrance.verdict.timing_ms, "ms")),
        ("level", words::signed(entrance.front.level_db, 0, "dBFS")),
    ];
    Grid::new("measures").num_columns(2).spacing(vec2(12.0, 3.0)).show(ui, |ui| {
        for (name, text) in rows {
            ui.label(RichText::new(name).weak());
            ui.label(text);
            ui.end_row();
        }
    });
}

/// Axes of the picture.
struct Axes {
    pitch: Rect,
    level: Rect,
    cents: f64,
}

impl Axes {
    fn x(&self, ms: f64) -> f32 {
        let share = (ms - RANGE_MS.0) / (RANGE_MS.1 - RANGE_MS.0);
        self.pitch.left() + share as f32 * self.pitch.width()
    }

    fn y_cents(&self, cents: f64) -> f32 {
        let share = (cents / self.cents).clamp(-1.0, 1.0);
        self.pitch.center().y - share as f32 * self.pitch.height() / 2.0
    }

    fn y_db(&self, db: f64) -> f32 {
        let (low, high) = LEVEL_RANGE_DB;
        let share = (db.clamp(low, high) - low) / (high - low);
        self.level.bottom() - share as f32 * self.level.height()
    }
}

fn plot(ui: &mut Ui, rect: Rect, entrance: &Entrance, theme: &Theme, text_scale: f32) {
    let response = ui.interact(rect, ui.scope_id().with("plot"), Sense::hover());
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 2.0, theme.paper);
    let font = FontId::proportional(11.0 * text_scale);
    let axes = axes_of(rect, entrance, text_scale);
    let mut notes = Vec::new();
    let corridor = Corridor::of(&entrance.front, RANGE_MS.1);
    draw_corridor(&painter, &axes, corridor.as_ref(), &mut notes, theme);
    draw_axes(&painter, &axes, &font, theme);
    draw_levels(&painter, &axes, entrance, &mut notes, theme);
    draw_instants(&painter, &axes, entrance, &mut notes, theme);
    draw_pitch(&painter, &axes, entrance, &mut notes, theme);
    notes.iter().for_each(|note| note.draw(&painter, &font, theme));
    let text = described(entrance, corridor.as_ref());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &text));
}

/// The picture for those who do not see it.
fn described(entrance: &Entrance, corridor: Option<&Corridor>) -> String {
    let text = format!("close-up of {}: pitch in cents and level in dB over ms from the tone", words::note(entrance));
    corridor.map_or_else(|| text.clone(), |corridor| format!("{text}; {}", corridor.words()))
}

/// A note in the picture: written last, on a plate of paper, so that no line runs through it.
struct Note {
    at: egui::Pos2,
    /// Leftmost pixel it may take.
    left: f32,
    align: Align2,
    text: String,
    colour: egui::Color32,
}

impl Note {
    fn draw(&self, painter: &Painter, font: &FontId, theme: &Theme) {
        let galley = painter.layout_no_wrap(self.text.clone(), font.clone(), self.colour);
        let rect = self.align.anchor_size(self.at, galley.size());
        // What would run out on the left is moved in: the axis is labelled there.
        let rect = rect.translate(vec2((self.left - rect.left()).max(0.0), 0.0));
        painter.rect_filled(rect.expand2(vec2(3.0, 0.0)), 2.0, theme.paper);
        painter.galley(rect.min, galley, self.colour);
    }
}

fn axes_of(rect: Rect, entrance: &Entrance, text_scale: f32) -> Axes {
    let inner = Rect::from_min_max(
        rect.min + vec2(46.0 * text_scale, 20.0 * text_scale),
        rect.max - vec2(12.0, 22.0 * text_scale),
    );
    let split_y = inner.top() + inner.height() * PITCH_SHARE;
    let widest = (0..FRONT_POINTS)
        .map(|i| f64::from(entrance.front.picture.pitch_cents[i]).abs())
        .filter(|c| c.is_finite())
        .fold(entrance.front.onset_cents.map_or(0.0, |m| m.value.abs()), f64::max);
    Axes {
        pitch: Rect::from_min_max(inner.min, pos2(inner.right(), split_y - 5.0)),
        level: Rect::from_min_max(pos2(inner.left(), split_y + 5.0), inner.max),
        cents: (widest * 1.2).clamp(MIN_CENTS, MAX_CENTS),
    }
}

/// Where clear fronts of this kind lie, behind everything: pitch and level.
fn draw_corridor(painter: &Painter, axes: &Axes, corridor: Option<&Corridor>, notes: &mut Vec<Note>, theme: &Theme) {
    let Some(corridor) = corridor else { return };
    let fill = |edges: &[Edge], y: &dyn Fn(f64) -> f32| {
        let mut mesh = Mesh::default();
        for edge in edges {
            let x = axes.x(edge.ms.clamp(RANGE_MS.0, RANGE_MS.1));
            let first = mesh.vertices.len() as u32;
            mesh.colored_vertex(pos2(x, y(edge.high)), theme.faint);
            mesh.colored_vertex(pos2(x, y(edge.low)), theme.faint);
            if first > 0 {
                mesh.add_triangle(first - 2, first - 1, first);
                mesh.add_triangle(first - 1, first, first + 1);
            }
        }
        painter.add(Shape::mesh(mesh));
    };
    fill(&corridor.pitch, &|cents| axes.y_cents(cents));
    fill(&corridor.level, &|db| axes.y_db(db));
    let at = axes.pitch.right_bottom() + vec2(-4.0, -2.0);
    let text = "shaded: clear fronts".to_owned();
    notes.push(Note { at, left: axes.pitch.left() + 4.0, align: Align2::RIGHT_BOTTOM, text, colour: theme.soft_ink });
}

fn draw_axes(painter: &Painter, axes: &Axes, font: &FontId, theme: &Theme) {
    let step = nice_step(axes.cents / 2.0);
    let num = (axes.cents / step).floor() as i32;
    for i in -num..=num {
        let cents = f64::from(i) * step;
        let text = if i == 0 { "0 c".to_owned() } else { words::signed(cents, 0, "") };
        let at = pos2(axes.pitch.left() - 5.0, axes.y_cents(cents));
        painter.text(at, Align2::RIGHT_CENTER, text.trim(), font.clone(), theme.soft_ink);
        painter.hline(axes.pitch.left() - 3.0..=axes.pitch.left(), at.y, Stroke::new(1.0, theme.rule));
    }
    for db in [0.0, -20.0, -40.0] {
        let at = pos2(axes.level.left() - 5.0, axes.y_db(db));
        let text = if db == 0.0 { "0 dB".to_owned() } else { words::signed(db, 0, "") };
        painter.text(at, Align2::RIGHT_CENTER, text.trim(), font.clone(), theme.soft_ink);
        painter.hline(axes.level.x_range(), at.y, Stroke::new(0.6, theme.rule));
    }
    for ms in [-100.0, 0.0, 100.0, 200.0, 300.0, 400.0] {
        let at = pos2(axes.x(ms), axes.level.bottom() + 4.0);
        let text = if ms == 400.0 { "400 ms".into() } else { words::signed(ms, 0, "").replace('+', "") };
        let align = if ms == 400.0 { Align2::RIGHT_TOP } else { Align2::CENTER_TOP };
        painter.text(at, align, text.trim(), font.clone(), theme.soft_ink);
        painter.vline(at.x, axes.level.bottom()..=axes.level.bottom() + 4.0, Stroke::new(1.0, theme.rule));
    }
    painter.vline(axes.pitch.left(), axes.pitch.top()..=axes.level.bottom(), Stroke::new(1.0, theme.rule));
}

/// 1, 2 or 5 times a power of ten, at or below `most`.
fn nice_step(most: f64) -> f64 {
    let power = 10f64.powf(most.max(1.0).log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|m| m * power).find(|s| *s <= most).unwrap_or(power)
}

fn draw_levels(painter: &Painter, axes: &Axes, entrance: &Entrance, notes: &mut Vec<Note>, theme: &Theme) {
    let picture = &entrance.front.picture;
    let points = |levels: &[f32; FRONT_POINTS]| {
        let shown = (0..FRONT_POINTS).filter(|i| levels[*i].is_finite() && FrontPicture::time_ms(*i) <= RANGE_MS.1);
        shown.map(|i| pos2(axes.x(FrontPicture::time_ms(i)), axes.y_db(f64::from(levels[i])))).collect::<Vec<_>>()
    };
    let noise = points(&picture.noise_db);
    let mut mesh = Mesh::default();
    for pair in noise.windows(2) {
        let bar = Rect::from_min_max(pos2(pair[0].x, pair[0].y), pos2(pair[1].x, axes.level.bottom()));
        mesh.add_colored_rect(bar, theme.rule);
    }
    painter.add(Shape::mesh(mesh));
    painter.add(Shape::line(points(&picture.tone_db), Stroke::new(1.8, theme.ink)));
    let at = axes.level.right_bottom() + vec2(-4.0, -2.0);
    let text = "line: tone, grey: air and room".to_owned();
    notes.push(Note { at, left: axes.pitch.left() + 4.0, align: Align2::RIGHT_BOTTOM, text, colour: theme.soft_ink });
}

fn draw_pitch(painter: &Painter, axes: &Axes, entrance: &Entrance, notes: &mut Vec<Note>, theme: &Theme) {
    let picture = &entrance.front.picture;
    let seen: Vec<_> = (0..FRONT_POINTS)
        .filter(|i| picture.pitch_cents[*i].is_finite() && FrontPicture::time_ms(*i) <= RANGE_MS.1)
        .map(|i| pos2(axes.x(FrontPicture::time_ms(i)), axes.y_cents(f64::from(picture.pitch_cents[i]))))
        .collect();
    if seen.len() > 1 {
        painter.add(Shape::line(seen, Stroke::new(2.2, theme.ink)));
    } else if let (Ok(_), Ok(settle)) = (entrance.front.onset_cents, entrance.front.settle_ms) {
        // The path is not kept with a project: a dashed way between the two measures stands for it.
        let points = (0..=24).map(|i| f64::from(i) / 24.0 * settle.value.max(20.0));
        let points: Vec<_> = points.map(|ms| pos2(axes.x(ms), axes.y_cents(pitch_at(entrance, ms)))).collect();
        painter.extend(Shape::dashed_line(&points, Stroke::new(1.8, theme.ink), 6.0, 4.0));
    }
    if let Ok(onset) = entrance.front.onset_cents {
        let y = axes.y_cents(onset.value);
        error_bar(painter, axes, 0.0, (onset.value - onset.uncertainty, onset.value + onset.uncertainty), theme);
        let text = format!("in at {}", words::measure(entrance.front.onset_cents, "c"));
        // On the far side of the way in, which runs towards the middle.
        let (dy, align) = if onset.value > 0.0 { (-5.0, Align2::LEFT_BOTTOM) } else { (5.0, Align2::LEFT_TOP) };
        notes.push(Note {
            at: pos2(axes.x(0.0) + 12.0, y + dy),
            left: axes.pitch.left(),
            align,
            text,
            colour: theme.ink,
        });
    }
    if let Ok(settle) = entrance.front.settle_ms.as_ref()
        && settle.value > 0.0
    {
        let x = axes.x(settle.value.min(RANGE_MS.1));
        painter.circle_filled(pos2(x, axes.y_cents(0.0)), 3.5, theme.ink);
        let text = format!("settled after {}", words::measure(entrance.front.settle_ms, "ms"));
        let below = entrance.front.onset_cents.is_ok_and(|m| m.value > 0.0);
        let (y, align) = if below {
            (axes.y_cents(-SETTLED_CENTS) + 4.0, Align2::LEFT_TOP)
        } else {
            (axes.y_cents(SETTLED_CENTS) - 4.0, Align2::LEFT_BOTTOM)
        };
        notes.push(Note { at: pos2(x + 4.0, y), left: axes.pitch.left(), align, text, colour: theme.ink });
    }
}

fn error_bar(painter: &Painter, axes: &Axes, ms: f64, cents: (f64, f64), theme: &Theme) {
    let x = axes.x(ms) + 4.0;
    let (low, high) = (axes.y_cents(cents.0), axes.y_cents(cents.1));
    painter.vline(x, high..=low, Stroke::new(1.2, theme.ink));
    for y in [low, high] {
        painter.hline(x - 3.0..=x + 3.0, y, Stroke::new(1.2, theme.ink));
    }
}

fn draw_instants(painter: &Painter, axes: &Axes, entrance: &Entrance, notes: &mut Vec<Note>, theme: &Theme) {
    let all = axes.pitch.top()..=axes.level.bottom();
    painter.vline(axes.x(0.0), all, Stroke::new(2.4, theme.ink));
    let speaks_ms = (entrance.front.speaks_s - entrance.front.onset_s) * 1e3;
    if let Ok(timing) = entrance.verdict.timing_ms {
        let beat_ms = speaks_ms - timing.value;
        if (RANGE_MS.0..=RANGE_MS.1).contains(&beat_ms) {
            let x = axes.x(beat_ms);
            let line = [pos2(x, axes.pitch.top()), pos2(x, axes.level.bottom())];
            painter.extend(Shape::dashed_line(&line, Stroke::new(1.4, theme.warm), 5.0, 4.0));
            let at = pos2(x, axes.pitch.top() - 2.0);
            notes.push(Note {
                at,
                left: axes.pitch.left() + 4.0,
                align: Align2::CENTER_BOTTOM,
                text: "beat".into(),
                colour: theme.warm,
            });
        }
    }
    if let (Ok(air), Ok(level)) = (entrance.front.noise_before_tone_ms, entrance.front.noise_before_tone_db)
        && air.value > 0.0
    {
        let left = axes.x((-air.value).max(RANGE_MS.0));
        for i in 0..9 {
            let y = axes.pitch.bottom() - 6.0 - i as f32 * 7.0;
            painter.hline(left..=axes.x(0.0) - 3.0, y, Stroke::new(1.0, theme.amount(0.8)));
        }
        // How long it lasted stands among the numbers; there is room for one of the two.
        let text = format!("air {}", words::signed(level.value, 0, "dB"));
        // Over the hatching, on the side of the onset where the air is.
        let at = pos2(axes.x(0.0) - 6.0, axes.pitch.bottom() - 6.0 - 9.0 * 7.0);
        notes.push(Note { at, left: axes.pitch.left() + 4.0, align: Align2::RIGHT_BOTTOM, text, colour: theme.ink });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_fit() {
        for (most, step) in [(15.0, 10.0), (60.0, 50.0), (47.0, 20.0), (650.0, 500.0), (0.0, 1.0)] {
            assert!((nice_step(most) - step).abs() < 1e-9, "{most}: {}", nice_step(most));
        }
    }
}
