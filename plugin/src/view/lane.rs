//! The lane: every entrance of a pass at its place on the time line, over the outline of the sound.

use super::filter::FaultFilter;
use super::glyph::{self, Stand};
use super::groups::{self, Column};
use super::labels::{self, Label, Rows};
use super::ruler;
use super::scale::TimeScale;
use super::theme::Theme;
use crate::passes::Pass;
use egui::epaint::Mesh;
use egui::{Align2, FontId, Painter, Pos2, Rect, Response, Sense, Shape, Stroke, Ui, pos2, vec2};
use notefront_dsp::Entrance;

/// Height of what stands under the base line, pixels at normal text size: note names, and under them the ruler.
const RULER_PX: f32 = 46.0;
const NAMES_PX: f32 = 15.0;
/// From the base line down to the names: room for the feet that show the time, pixels.
const FOOT_PX: f32 = 7.0;
/// A name under a clear attack matters less than one under an unclear one.
const CLEAR_WEIGHT: f64 = -1.0;
/// Rows of labels over the strokes.
const LABEL_ROWS: usize = 2;
/// Height of a label row, pixels at normal text size.
const LABEL_ROW_PX: f32 = 15.0;
/// Width of one bar of the outline, pixels.
const OUTLINE_PX: f32 = 2.0;
/// Tallest stroke, pixels.
const MAX_HEIGHT_PX: f32 = 300.0;
/// Half width of the cross where there is no entrance, pixels.
const CROSS_PX: f32 = 4.0;
/// How near a click must be to a stroke, pixels.
const CLICK_PX: f32 = 14.0;

/// What the lane shows.
pub struct LaneInput<'a> {
    /// The pass.
    pub pass: &'a Pass,
    /// Faults that are shown.
    pub filter: &'a FaultFilter,
    /// Index of the selected entrance within the pass.
    pub selected: Option<usize>,
    /// Play position, seconds of the pass.
    pub play_s: Option<f64>,
    /// "Here", seconds of the pass.
    pub here_s: Option<f64>,
    /// Colours.
    pub theme: &'a Theme,
    /// Text size, 1 = normal.
    pub text_scale: f32,
}

/// What the player did.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct LaneResponse {
    /// Clicked on this entrance (or on nothing), at this time of the pass, s.
    pub clicked: Option<(Option<usize>, f64)>,
    /// The scale after scrolling and zooming.
    pub scale: Option<TimeScale>,
}

/// Lines of a lane within its rectangle.
#[derive(Debug, Clone, Copy)]
struct Frame {
    rect: Rect,
    /// The line the strokes stand on.
    base_y: f32,
    /// Height of a stroke at full scale.
    height: f32,
}

impl Frame {
    fn of(rect: Rect, text_scale: f32) -> Self {
        let labels = 6.0 + LABEL_ROWS as f32 * LABEL_ROW_PX * text_scale;
        let ruler = RULER_PX * text_scale;
        let room = rect.height() - labels - ruler - 12.0;
        let height = room.clamp(20.0, MAX_HEIGHT_PX);
        // A tall window leaves the lane in its middle: longer strokes would say nothing more.
        let spare = (room - height).max(0.0);
        Self { rect, base_y: rect.bottom() - ruler - spare / 2.0, height }
    }
}

impl Frame {
    /// Labels stand right over the tallest stroke or sound on the screen.
    fn labels_top(&self, tallest: f32, text_scale: f32) -> f32 {
        self.base_y - tallest - 10.0 - LABEL_ROWS as f32 * LABEL_ROW_PX * text_scale
    }
}

/// Draws the lane into all of `rect`, at `scale`.
pub fn show(ui: &mut Ui, rect: Rect, scale: TimeScale, input: &LaneInput<'_>) -> LaneResponse {
    let response = ui.interact(rect, ui.scope_id().with("lane"), Sense::click_and_drag());
    let painter = ui.painter_at(rect);
    let frame = Frame::of(rect, input.text_scale);
    painter.rect_filled(rect, 0.0, input.theme.paper);
    let selected = input.selected.and_then(|i| input.pass.entrances.get(i));
    if let Some(entrance) = selected {
        let x = scale.x(entrance.front.speaks_s);
        painter.rect_filled(Rect::from_x_y_ranges(x - 9.0..=x + 9.0, rect.y_range()), 3.0, input.theme.select_ground);
    }
    draw_outline(&painter, &frame, &scale, input);
    draw_ruler(&painter, &frame, &scale, input);
    let visible = groups::visible(&input.pass.entrances, &scale);
    if groups::is_crowded(visible.len(), &scale) {
        draw_columns(&painter, &frame, &scale, input);
    } else {
        draw_strokes(&painter, &frame, &scale, input, visible);
    }
    draw_clipping(&painter, &frame, &scale, input);
    draw_removed(&painter, &frame, &scale, input);
    if let Some(here_s) = input.here_s {
        let ends = [pos2(scale.x(here_s), frame.base_y - frame.height), pos2(scale.x(here_s), frame.base_y)];
        painter.extend(Shape::dashed_line(&ends, Stroke::new(1.5, input.theme.warm), 5.0, 3.0));
    }
    if let Some(play_s) = input.play_s {
        let x = scale.x(play_s);
        painter.vline(x, rect.y_range(), Stroke::new(1.5, input.theme.select));
    }
    describe(&response, input);
    respond(ui, &response, scale, input)
}

/// For a reader who does not see the lane: nothing is counted where none asks.
fn describe(response: &Response, input: &LaneInput<'_>) {
    let text = || {
        let num = input.pass.entrances.len();
        let num_flagged = (0..num).filter(|&i| input.filter.flags(input.pass, i)).count();
        format!("{}: {num} entrances, {num_flagged} flagged", input.pass.title())
    };
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Figure, true, text()));
}

fn draw_outline(painter: &Painter, frame: &Frame, scale: &TimeScale, input: &LaneInput<'_>) {
    let mut mesh = Mesh::default();
    let mut x = frame.rect.left();
    while x < frame.rect.right() {
        let level = input.pass.wave.level_between(scale.s(x), scale.s(x + OUTLINE_PX));
        if level > 0.0 {
            let top = frame.base_y - level * frame.height;
            let bar = Rect::from_min_max(pos2(x, top), pos2(x + OUTLINE_PX, frame.base_y));
            mesh.add_colored_rect(bar, input.theme.faint);
        }
        x += OUTLINE_PX;
    }
    painter.add(Shape::mesh(mesh));
    painter.hline(frame.rect.x_range(), frame.base_y, Stroke::new(1.0, input.theme.rule));
}

fn draw_ruler(painter: &Painter, frame: &Frame, scale: &TimeScale, input: &LaneInput<'_>) {
    let font = FontId::proportional(11.5 * input.text_scale);
    for mark in ruler::marks(&input.pass.beats, scale) {
        let x = scale.x(mark.s);
        let len = if mark.strong { 11.0 } else { 6.0 };
        let top = frame.base_y + FOOT_PX + 2.0 + NAMES_PX * input.text_scale;
        painter.vline(x, top..=top + len, Stroke::new(1.0, input.theme.rule));
        if let Some(label) = mark.label {
            painter.text(pos2(x + 4.0, top), Align2::LEFT_TOP, label, font.clone(), input.theme.soft_ink);
        }
    }
}

fn draw_strokes(
    painter: &Painter,
    frame: &Frame,
    scale: &TimeScale,
    input: &LaneInput<'_>,
    visible: std::ops::Range<usize>,
) {
    let entrances = &input.pass.entrances;
    let mut shapes = Vec::new();
    let stand_of = |i: usize| {
        let foot = pos2(scale.x(entrances[i].front.speaks_s), frame.base_y);
        Stand::of(entrances, i, foot, frame.height, scale)
    };
    let height = |i: usize| stand_of(i).height(&entrances[i]);
    let outline = frame.height * input.pass.wave.level_between(scale.s(frame.rect.left()), scale.right_s());
    let tallest = visible.clone().map(height).fold(outline, f32::max);
    for index in visible.clone() {
        let entrance = &entrances[index];
        let (stand, shown) = (stand_of(index), input.filter.ink(input.pass, index));
        match input.pass.said_of(index) {
            Some(by_ear) if by_ear.found.is_none() => glyph::draw_own(&mut shapes, entrance, &stand, input.theme),
            _ => glyph::draw(&mut shapes, entrance, &shown, &stand, input.theme, false),
        }
        if input.pass.said_of(index).is_some() {
            glyph::draw_said(&mut shapes, entrance, &stand, input.theme);
        }
    }
    painter.extend(shapes);
    let fault_label = |i: usize| Label::of_entrance(scale.x(entrances[i].front.speaks_s), input.pass, i, input.filter);
    let words: Vec<Label> = visible.clone().filter_map(fault_label).collect();
    let (ends, row) = ((frame.rect.left(), frame.rect.right()), LABEL_ROW_PX * input.text_scale);
    let lowest = frame.labels_top(tallest, input.text_scale) + (LABEL_ROWS - 1) as f32 * row;
    // The lowest row is taken first: it is nearest to the stroke.
    let rows = Rows { first_top: lowest, step: -row, num: LABEL_ROWS, x: ends };
    labels::draw(painter, &words, &rows, &FontId::proportional(11.5 * input.text_scale), input.theme.soft_ink);
    let names: Vec<Label> = visible.map(|i| name_label(i, scale, input)).collect();
    let rows = Rows { first_top: frame.base_y + FOOT_PX, step: 0.0, num: 1, x: ends };
    labels::draw(painter, &names, &rows, &FontId::proportional(10.5 * input.text_scale), input.theme.soft_ink);
}

/// The note under the foot of a stroke.
fn name_label(index: usize, scale: &TimeScale, input: &LaneInput<'_>) -> Label {
    let entrance = &input.pass.entrances[index];
    let weight = if input.filter.flags(input.pass, index) { 100.0 - entrance.verdict.clarity } else { CLEAR_WEIGHT };
    Label { x: scale.x(entrance.front.speaks_s), text: crate::words::note(entrance), weight }
}

fn draw_columns(painter: &Painter, frame: &Frame, scale: &TimeScale, input: &LaneInput<'_>) {
    let columns = groups::columns(input.pass, scale, input.filter);
    let most = columns.iter().map(Column::num).max().unwrap_or(1) as f32;
    let step = groups::column_s(scale);
    let font = FontId::proportional(10.5 * input.text_scale);
    for column in &columns {
        let (left, right) = (scale.x(column.place as f64 * step), scale.x((column.place + 1) as f64 * step));
        let bar = |num: usize| {
            let height = 0.9 * frame.height * num as f32 / most;
            Rect::from_min_max(pos2(left + 2.0, frame.base_y - height), pos2(right - 2.0, frame.base_y))
        };
        let share = column.num_flagged as f64 / column.num() as f64;
        if input.selected.is_some_and(|s| (column.first..column.end).contains(&s)) {
            painter.rect_filled(bar(column.num()).expand(3.0), 2.0, input.theme.select_ground);
        }
        let outline = Stroke::new(1.0, input.theme.rule);
        painter.rect_stroke(bar(column.num()), 0.0, outline, egui::StrokeKind::Inside);
        painter.rect_filled(bar(column.num_flagged), 0.0, input.theme.amount(0.35 + 0.65 * share));
        if right - left > 22.0 {
            let at = pos2((left + right) / 2.0, bar(column.num()).top() - 3.0);
            let text = format!("{}/{}", column.num_flagged, column.num());
            painter.text(at, Align2::CENTER_BOTTOM, text, font.clone(), input.theme.soft_ink);
        }
    }
    let note = "counts: flagged / all entrances; zoom in for strokes";
    let at = frame.rect.right_top() + vec2(-8.0, 5.0);
    painter.text(at, Align2::RIGHT_TOP, note, font, input.theme.soft_ink);
}

/// Where the player says that there is no entrance: crossed out on the line, so that it can be seen and taken back.
fn draw_removed(painter: &Painter, frame: &Frame, scale: &TimeScale, input: &LaneInput<'_>) {
    let removed = input.pass.corrected.iter().flat_map(|corrected| &corrected.removed);
    let times = removed.map(|(_, found)| found.front.speaks_s);
    for s in times.filter(|s| (scale.left_s..=scale.right_s()).contains(s)) {
        let (at, pen) = (pos2(scale.x(s), frame.base_y - CROSS_PX - 2.0), Stroke::new(1.5, input.theme.soft_ink));
        painter.line_segment([at - vec2(CROSS_PX, CROSS_PX), at + vec2(CROSS_PX, CROSS_PX)], pen);
        painter.line_segment([at + vec2(-CROSS_PX, CROSS_PX), at + vec2(CROSS_PX, -CROSS_PX)], pen);
    }
}

fn draw_clipping(painter: &Painter, frame: &Frame, scale: &TimeScale, input: &LaneInput<'_>) {
    for s in input.pass.clipped_at_s.iter().filter(|s| **s >= scale.left_s && **s <= scale.right_s()) {
        let top = pos2(scale.x(*s), frame.base_y - frame.height);
        let triangle = vec![top, top + vec2(-5.0, -7.0), top + vec2(5.0, -7.0)];
        painter.add(Shape::convex_polygon(triangle, input.theme.warm, Stroke::NONE));
    }
}

fn respond(ui: &Ui, response: &Response, scale: TimeScale, input: &LaneInput<'_>) -> LaneResponse {
    let mut result = LaneResponse::default();
    let duration_s = input.pass.duration_s;
    let mut moved = scale;
    if response.dragged() {
        moved = moved.scrolled(-f64::from(response.drag_delta().x), duration_s);
    }
    if let Some(pointer) = response.hover_pos() {
        let (scroll, zoom) = ui.input(|i| (i.smooth_scroll_delta(), i.zoom_delta()));
        // A wheel zooms, sideways scrolls: there is nothing above or below the lane.
        let factor = f64::from(zoom) * (f64::from(scroll.y) / 240.0).exp2();
        if factor != 1.0 {
            moved = moved.zoomed(factor, pointer.x, duration_s);
        }
        if scroll.x != 0.0 {
            moved = moved.scrolled(-f64::from(scroll.x), duration_s);
        }
    }
    if response.clicked()
        && let Some(pointer) = response.interact_pointer_pos()
    {
        result.clicked = Some((nearest(&input.pass.entrances, &scale, pointer), scale.s(pointer.x)));
    }
    result.scale = (moved != scale).then_some(moved);
    result
}

fn nearest(entrances: &[Entrance], scale: &TimeScale, pointer: Pos2) -> Option<usize> {
    let crowded = groups::is_crowded(groups::visible(entrances, scale).len(), scale);
    let after = entrances.partition_point(|e| scale.x(e.front.speaks_s) < pointer.x);
    [after.checked_sub(1), Some(after).filter(|i| *i < entrances.len())]
        .into_iter()
        .flatten()
        .map(|i| (i, (scale.x(entrances[i].front.speaks_s) - pointer.x).abs()))
        .filter(|(_, distance)| crowded || *distance <= CLICK_PX)
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(i, _)| i)
}
