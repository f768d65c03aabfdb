//! Two passes mirrored on the beat line, aligned note by note: what differs is inked, what agrees is faint.

use super::counts::Counts;
use super::filter::FaultFilter;
use super::glyph::{self, Stand};
use super::groups;
use super::labels::{self, Label, Rows};
use super::ruler;
use super::scale::TimeScale;
use super::theme::Theme;
use crate::align::{Aligned, align_passes};
use crate::passes::{Pass, Revision};
use egui::{Align2, FontId, Painter, Pos2, Rect, Sense, Shape, Stroke, Ui, pos2};
use notefront_dsp::Entrance;
use notefront_dsp::align::{Pair, Side};
use notefront_takes::compare::{clearer, is_same_music};
use notefront_takes::glyph::Place;
use std::ops::Range;
use std::thread::JoinHandle;

/// Heights at normal text size, pixels: a title, a row of words, the ruler's numbers.
const TITLE_PX: f32 = 22.0;
const ROW_PX: f32 = 16.0;
const RULER_PX: f32 = 17.0;
/// Passes of so many entrances are compared within a frame.
const AT_ONCE: usize = 300;

/// So far beyond the picture's edges strokes are drawn too, since their ink reaches in, s.
const REACH_S: f64 = 1.0;

/// What a comparison depends on of each pass: its state, and whether it still grows.
type Key = [(Revision, bool); 2];

/// An alignment, kept until one of the two passes changes.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    key: Key,
    /// Note by note.
    pub aligned: Aligned,
    /// Which is clearer, pair by pair.
    pub clearer: Vec<Option<Side>>,
    /// Pairs by outcome: A better, B better, same.
    pub outcome: (usize, usize, usize),
    /// False where too few notes pair to say which is clearer.
    pub is_same_music: bool,
}

impl Comparison {
    fn key(a: &Pass, b: &Pass) -> Key {
        [a, b].map(|pass| (pass.revision, pass.live))
    }

    /// Aligns two passes.
    #[must_use]
    pub fn of(a: &Pass, b: &Pass) -> Self {
        let key = Self::key(a, b);
        let aligned = align_passes(a, b);
        let pairs = aligned.alignment.pairs.iter();
        let clearer: Vec<_> = pairs.map(|pair| clearer(&a.entrances[pair.a], &b.entrances[pair.b])).collect();
        let outcome = clearer.iter().fold((0, 0, 0), |(x, y, z), o| match o {
            Some(Side::A) => (x + 1, y, z),
            Some(Side::B) => (x, y + 1, z),
            None => (x, y, z + 1),
        });
        let is_same_music = is_same_music(&aligned.alignment);
        Self { key, aligned, clearer, outcome, is_same_music }
    }

    /// The outcome in words.
    #[must_use]
    pub fn summary(&self) -> String {
        if !self.is_same_music {
            return "not the same music: nothing is said of which is clearer".into();
        }
        let (a, b, same) = self.outcome;
        let alone = self.aligned.alignment.only_in_a.len() + self.aligned.alignment.only_in_b.len();
        format!("clearer above: {a} \u{b7} clearer below: {b} \u{b7} alike: {same} \u{b7} without a partner: {alone}")
    }
}

/// Compares passes: short ones at once, long ones on a thread of its own, so that nobody waits for the session meanwhile.
#[derive(Default)]
pub struct Comparer {
    made: Option<Comparison>,
    under_way: Option<(Key, JoinHandle<Comparison>)>,
}

impl Comparer {
    /// The comparison of two passes; `None` while it is being made.
    pub fn of(&mut self, a: &Pass, b: &Pass) -> Option<&Comparison> {
        let key = Comparison::key(a, b);
        if self.made.as_ref().is_some_and(|made| made.key == key) {
            return self.made.as_ref();
        }
        if a.entrances.len().max(b.entrances.len()) <= AT_ONCE {
            return Some(self.made.insert(Comparison::of(a, b)));
        }
        self.take_finished();
        if self.under_way.is_none() && self.made.as_ref().is_none_or(|made| made.key != key) {
            let (a, b) = (a.clone(), b.clone());
            let compare = move || Comparison::of(&a, &b);
            let thread = std::thread::Builder::new().name("notefront compare".into()).spawn(compare);
            self.under_way = thread.ok().map(|thread| (key, thread));
        }
        self.made.as_ref().filter(|made| made.key == key)
    }

    fn take_finished(&mut self) {
        if let Some((_, thread)) = self.under_way.take_if(|(_, thread)| thread.is_finished()) {
            self.made = thread.join().ok();
        }
    }
}

impl Drop for Comparer {
    /// The host may unload the library right after.
    fn drop(&mut self) {
        if let Some((_, thread)) = self.under_way.take() {
            let _ = thread.join();
        }
    }
}

/// What the comparison shows.
pub struct CompareInput<'a> {
    /// Above the line.
    pub a: &'a Pass,
    /// Below the line.
    pub b: &'a Pass,
    /// Their counts.
    pub counts: [Counts; 2],
    /// Their alignment.
    pub comparison: &'a Comparison,
    /// Faults that are shown.
    pub filter: &'a FaultFilter,
    /// Colours.
    pub theme: &'a Theme,
    /// Text size, 1 = normal.
    pub text_scale: f32,
}

/// Draws both passes into `rect`; the scale after scrolling and zooming, if it changed.
pub fn show(ui: &mut Ui, rect: Rect, scale: TimeScale, input: &CompareInput<'_>) -> Option<TimeScale> {
    let response = ui.interact(rect, ui.scope_id().with("compare"), Sense::click_and_drag());
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 0.0, input.theme.paper);
    draw_line(&painter, rect, &scale, input);
    draw_titles(&painter, rect, input);
    let num_visible = groups::visible(&input.a.entrances, &scale).len();
    if groups::is_crowded(num_visible, &scale) {
        let font = FontId::proportional(13.0 * input.text_scale);
        let note = "zoom in to compare note by note";
        painter.text(rect.center() - egui::vec2(0.0, 20.0), Align2::CENTER_CENTER, note, font, input.theme.soft_ink);
    } else {
        draw_steps(&painter, rect, &scale, input);
    }
    let text = || format!("{} against {}: {}", input.a.title(), input.b.title(), input.comparison.summary());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Figure, true, text()));
    moved(ui, &response, scale, input.a.duration_s.max(input.b.duration_s))
}

fn moved(ui: &Ui, response: &egui::Response, scale: TimeScale, duration_s: f64) -> Option<TimeScale> {
    let mut moved = scale;
    if response.dragged() {
        moved = moved.scrolled(-f64::from(response.drag_delta().x), duration_s);
    }
    if let Some(pointer) = response.hover_pos() {
        let scroll = ui.input(|i| i.smooth_scroll_delta());
        if scroll.y != 0.0 {
            moved = moved.zoomed((f64::from(scroll.y) / 240.0).exp2(), pointer.x, duration_s);
        }
        if scroll.x != 0.0 {
            moved = moved.scrolled(-f64::from(scroll.x), duration_s);
        }
    }
    (moved != scale).then_some(moved)
}

fn draw_line(painter: &Painter, rect: Rect, scale: &TimeScale, input: &CompareInput<'_>) {
    let y = rect.center().y;
    painter.hline(rect.x_range(), y, Stroke::new(1.2, input.theme.soft_ink));
    let font = FontId::proportional(11.0 * input.text_scale);
    for mark in ruler::marks(&input.a.beats, scale) {
        let x = scale.x(mark.s);
        let half = if mark.strong { rect.height() / 2.0 } else { 4.0 };
        painter.vline(x, y - half..=y + half, Stroke::new(if mark.strong { 0.7 } else { 1.0 }, input.theme.faint));
        if let Some(label) = mark.label {
            let at = pos2(x + 4.0, rect.bottom() - 3.0);
            painter.text(at, Align2::LEFT_BOTTOM, label, font.clone(), input.theme.soft_ink);
        }
    }
}

fn draw_titles(painter: &Painter, rect: Rect, input: &CompareInput<'_>) {
    let font = FontId::proportional(12.5 * input.text_scale);
    let title = |pass: &Pass, counts: &Counts| format!("{} \u{b7} {}", pass.title(), counts.in_words());
    let [of_a, of_b] = &input.counts;
    let at = rect.left_top() + egui::vec2(8.0, 4.0);
    painter.text(at, Align2::LEFT_TOP, title(input.a, of_a), font.clone(), input.theme.ink);
    let at = rect.left_bottom() + egui::vec2(8.0, -4.0 - 16.0 * input.text_scale);
    painter.text(at, Align2::LEFT_BOTTOM, title(input.b, of_b), font, input.theme.ink);
}

fn draw_steps(painter: &Painter, rect: Rect, scale: &TimeScale, input: &CompareInput<'_>) {
    let mut shapes = Vec::new();
    // Room for the titles and the ruler, and for the dots at the strokes' ends.
    let height = rect.height() / 2.0 - (TITLE_PX + ROW_PX + RULER_PX) * input.text_scale - 14.0;
    let base_y = rect.center().y;
    let Seen { a: in_a, b: in_b, pairs } = Seen::of(scale, input);
    // The end of the stroke, pixels; nothing out of view.
    let mut half = |pass: &Pass, index: usize, place: Place, faint: bool| {
        let (entrances, entrance) = (&pass.entrances, &pass.entrances[index]);
        let (range, shift_s, way) = match place {
            Place::Lower => (&in_b, input.comparison.aligned.shift_s, 1.0),
            _ => (&in_a, 0.0, -1.0),
        };
        range.contains(&index).then(|| {
            let foot = pos2(scale.x(entrance.front.speaks_s + shift_s), base_y);
            let stand = Stand::of(entrances, index, foot, height, scale).within(place);
            glyph::draw(&mut shapes, entrance, &input.filter.ink(pass, index), &stand, input.theme, faint);
            if pass.said_of(index).is_some() {
                glyph::draw_said(&mut shapes, entrance, &stand, input.theme);
            }
            stand.foot + egui::vec2(0.0, way * stand.height(entrance))
        })
    };
    let alignment = &input.comparison.aligned.alignment;
    let mut words: [Vec<Label>; 2] = Default::default();
    for (pair, &clearer) in alignment.pairs[pairs.clone()].iter().zip(&input.comparison.clearer[pairs]) {
        let (a, b) = (&input.a.entrances[pair.a], &input.b.entrances[pair.b]);
        let faint = clearer.is_none() && has_same_faults(a, b, input.filter);
        let ends = (half(input.a, pair.a, Place::Upper, faint), half(input.b, pair.b, Place::Lower, faint));
        draw_clearer(painter, ends, clearer.filter(|_| input.comparison.is_same_music), input);
        if !faint {
            words[0].extend(ends.0.and_then(|end| Label::of_entrance(end.x, input.a, pair.a, input.filter)));
            words[1].extend(ends.1.and_then(|end| Label::of_entrance(end.x, input.b, pair.b, input.filter)));
        }
    }
    for &i in within(&alignment.only_in_a, &in_a) {
        half(input.a, i, Place::Upper, false);
    }
    for &j in within(&alignment.only_in_b, &in_b) {
        half(input.b, j, Place::Lower, false);
    }
    painter.extend(shapes);
    draw_words(painter, rect, &words, input);
}

/// What of two passes lies in the picture, as ranges of places: theirs, and the pairs of which either partner does.
struct Seen {
    a: Range<usize>,
    b: Range<usize>,
    pairs: Range<usize>,
}

impl Seen {
    fn of(scale: &TimeScale, input: &CompareInput<'_>) -> Self {
        let Aligned { alignment, shift_s } = &input.comparison.aligned;
        let (a, b) = (in_picture(&input.a.entrances, scale, 0.0), in_picture(&input.b.entrances, scale, *shift_s));
        // Pairs rise in both indexes.
        let before = |pair: &Pair| pair.a < a.start && pair.b < b.start;
        let up_to = |pair: &Pair| pair.a < a.end || pair.b < b.end;
        let pairs = alignment.pairs.partition_point(before)..alignment.pairs.partition_point(up_to);
        Self { pairs: pairs.start.min(pairs.end)..pairs.end, a, b }
    }
}

fn in_picture(entrances: &[Entrance], scale: &TimeScale, shift_s: f64) -> Range<usize> {
    let first = entrances.partition_point(|e| e.front.speaks_s + shift_s < scale.left_s - REACH_S);
    first..entrances.partition_point(|e| e.front.speaks_s + shift_s <= scale.right_s() + REACH_S)
}

/// Those of rising places that lie in a range.
fn within<'a>(places: &'a [usize], range: &Range<usize>) -> &'a [usize] {
    let first = places.partition_point(|place| *place < range.start);
    &places[first..places.partition_point(|place| *place < range.end).max(first)]
}

/// Words of the upper pass under its title, of the lower one over its title.
fn draw_words(painter: &Painter, rect: Rect, words: &[Vec<Label>; 2], input: &CompareInput<'_>) {
    let scaled = |px: f32| px * input.text_scale;
    let tops = [rect.top() + scaled(TITLE_PX), rect.bottom() - scaled(RULER_PX + TITLE_PX + ROW_PX)];
    for (words, first_top) in words.iter().zip(tops) {
        let rows = Rows { first_top, step: 0.0, num: 1, x: (rect.left(), rect.right()) };
        labels::draw(painter, words, &rows, &FontId::proportional(scaled(11.0)), input.theme.soft_ink);
    }
}

/// True when two partners have the same faults on show.
fn has_same_faults(a: &Entrance, b: &Entrance, filter: &FaultFilter) -> bool {
    filter.of(a).iter().map(|f| f.name).eq(filter.of(b).iter().map(|f| f.name))
}

/// A small mark at the end of the clearer partner's stroke.
fn draw_clearer(painter: &Painter, ends: (Option<Pos2>, Option<Pos2>), side: Option<Side>, input: &CompareInput<'_>) {
    let at = match side {
        Some(Side::A) => ends.0.map(|end| end - egui::vec2(0.0, 9.0)),
        Some(Side::B) => ends.1.map(|end| end + egui::vec2(0.0, 9.0)),
        None => None,
    };
    painter.extend(at.map(|at| Shape::circle_filled(at, 3.4, input.theme.select)));
}

/// What the mark means, for the caption under the picture.
#[must_use]
pub fn caption(input: &CompareInput<'_>) -> String {
    let mut text = input.comparison.summary();
    if input.comparison.is_same_music {
        text += " \u{b7} a dot marks the clearer one";
    }
    for pass in [input.a, input.b] {
        text += &unlike(pass).map_or_else(String::new, |why| format!(" \u{b7} {} {why}", pass.title()));
    }
    text
}

/// Why a pass is no whole partner.
fn unlike(pass: &Pass) -> Option<&'static str> {
    match () {
        () if pass.live => Some("still runs"),
        () if pass.num_lost > 0 => Some("has gaps"),
        () if pass.num_left_out > 0 => Some("is cut: it had no more room"),
        () => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;
    use notefront_dsp::FaultName;

    #[test]
    fn the_clearer_one_is_named_where_a_measure_bears_it_out_only() {
        let clear = fixture::clear(0, 1.0, 46);
        let outcome = |b: &Entrance| {
            let (mut first, mut second) = (fixture::pass_at_60(&[1.0]), fixture::pass_at_60(&[1.0]));
            (first.entrances, second.entrances) = (vec![clear], vec![*b]);
            second.id = 2;
            [Comparison::of(&first, &second), Comparison::of(&second, &first)].map(|c| c.outcome)
        };
        let worse = fixture::with_fault(clear, FaultName::Split, 0.8);
        assert_eq!(outcome(&worse), [(1, 0, 0), (0, 1, 0)]);
        let hardly = fixture::with(clear, |e| e.verdict.clarity -= 4.9);
        assert_eq!(outcome(&hardly), [(0, 0, 1); 2]);
        // 30 points, and no measure that differs beyond its uncertainty: a line between two equals is no difference.
        let by_a_line = fixture::with(clear, |e| e.verdict.clarity -= 30.0);
        assert_eq!(outcome(&by_a_line), [(0, 0, 1); 2]);
    }

    #[test]
    fn other_music_is_said_to_be_that() {
        let (a, mut b) = (fixture::pass_at_60(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), fixture::pass_at_60(&[1.4, 4.6, 5.1]));
        for (entrance, midi) in b.entrances.iter_mut().zip([65, 40, 66]) {
            entrance.front.midi_note = Some(midi);
        }
        (b.id, b.start_samples) = (2, None);
        let comparison = Comparison::of(&a, &b);
        assert!(comparison.summary().starts_with("not the same music"), "{}", comparison.summary());
        let again = Pass { id: 3, ..a.clone() };
        assert!(Comparison::of(&a, &again).summary().starts_with("clearer above: 0"));
    }

    #[test]
    fn the_outcome_counts_every_step_once() {
        let a = fixture::mixed_pass(40, 1);
        let mut b = Pass { id: 2, ..fixture::mixed_pass(40, 2) };
        b.entrances.remove(3);
        let comparison = Comparison::of(&a, &b);
        let (x, y, z) = comparison.outcome;
        let alignment = &comparison.aligned.alignment;
        assert_eq!(x + y + z, alignment.pairs.len());
        assert_eq!((alignment.pairs.len(), alignment.only_in_a.as_slice()), (39, [3].as_slice()));
    }

    #[test]
    fn what_lies_in_the_picture_is_found_wherever_it_lies() {
        let (mut a, mut b) = (fixture::mixed_pass(60, 1), Pass { id: 2, ..fixture::mixed_pass(60, 2) });
        a.entrances.drain(20..24);
        b.entrances.drain(30..33);
        // Another place on the host's time line: the second stands 5 s later.
        b.start_samples = Some(5 * 48_000);
        let (comparison, counts, filter) =
            (Comparison::of(&a, &b), [Counts::of(&a), Counts::of(&b)], FaultFilter::default());
        let alignment = &comparison.aligned.alignment;
        assert!(
            comparison.aligned.shift_s == 5.0 && !alignment.only_in_a.is_empty() && !alignment.only_in_b.is_empty()
        );
        let theme = Theme::of(crate::looks::Colours::Light);
        let input = CompareInput {
            a: &a,
            b: &b,
            counts,
            comparison: &comparison,
            filter: &filter,
            theme: &theme,
            text_scale: 1.0,
        };
        for (left_s, px_per_s) in
            [(-3.0, 10.0), (12.0, 200.0), (28.0, 60.0), (64.0, 500.0), (900.0, 50.0), (-900.0, 50.0)]
        {
            let scale = TimeScale { left_s, px_per_s, x0: 0.0, width: 800.0 };
            let lies_in = |s: f64| (scale.left_s - REACH_S..=scale.right_s() + REACH_S).contains(&s);
            let (of_a, of_b) =
                (|i: usize| a.entrances[i].front.speaks_s, |j: usize| b.entrances[j].front.speaks_s + 5.0);
            let seen = Seen::of(&scale, &input);
            for (k, pair) in alignment.pairs.iter().enumerate() {
                let is_seen = seen.pairs.contains(&k);
                assert_eq!(is_seen && seen.a.contains(&pair.a), lies_in(of_a(pair.a)), "{left_s} {k}");
                assert_eq!(is_seen && seen.b.contains(&pair.b), lies_in(of_b(pair.b)), "{left_s} {k}");
            }
            let alone = |places: &[usize], s: &dyn Fn(usize) -> f64| {
                places.iter().copied().filter(|&i| lies_in(s(i))).collect::<Vec<_>>()
            };
            assert_eq!(within(&alignment.only_in_a, &seen.a), alone(&alignment.only_in_a, &of_a));
            assert_eq!(within(&alignment.only_in_b, &seen.b), alone(&alignment.only_in_b, &of_b));
        }
    }

    #[test]
    fn long_passes_are_compared_beside_the_window_and_once() {
        let (a, b) = (fixture::mixed_pass(2_000, 1), Pass { id: 2, ..fixture::mixed_pass(2_000, 2) });
        let mut comparer = Comparer::default();
        assert!(comparer.of(&a, &b).is_none(), "it is under way");
        let made = loop {
            if let Some(made) = comparer.of(&a, &b) {
                break made.clone();
            }
            std::thread::yield_now();
        };
        assert_eq!(made, Comparison::of(&a, &b));
        assert_eq!(comparer.of(&a, &b), Some(&made));
        assert!(comparer.under_way.is_none());
        let grown = Pass { live: true, ..b };
        assert!(comparer.of(&a, &grown).is_none(), "what grew is compared again");
    }

    #[test]
    fn a_pass_that_still_runs_is_said_to() {
        let whole = fixture::pass_at_60(&[1.0]);
        assert_eq!(unlike(&whole), None);
        assert_eq!(unlike(&Pass { live: true, ..whole.clone() }), Some("still runs"));
        assert_eq!(unlike(&Pass { num_lost: 3, ..whole }), Some("has gaps"));
    }
}
