//! The shape of one entrance on the lane: a clear attack is a plain upright stroke, every fault adds ink.
//!
//! Geometry only, in px: the foot of the stroke is (0, 0), x to the right, y downwards. Every group of lines says
//! which mark it is; who draws it, page or insert, chooses pen, ink and paper. Each fault has a mark of its own, so
//! that no meaning hangs on colour.

use notefront_dsp::verdict::table::{self, Ink};
use notefront_dsp::{Entrance, Fault, FaultName, Faults, FrontPicture, Told};

/// A point, px.
pub type Point = (f64, f64);

/// How entrances become px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlyphScale {
    /// Px of a second on the time line; `None` where the glyphs stand side by side, whatever their time.
    pub line_px_per_s: Option<f64>,
    /// Px of a second within the front; see [`front_px_per_s`].
    pub front_px_per_s: f64,
    /// Px to the entrances before and after it; infinite where there is none.
    pub neighbours_px: (f64, f64),
    /// Levels drawn at no height and at full height, dB re full scale.
    pub levels_db: (f64, f64),
    /// Height of the tallest stroke, px.
    pub full_height_px: f64,
    /// Where the glyph stands.
    pub place: Place,
}

/// Where a glyph stands: by itself, or in one half of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// On the ground line; the foot to the beat lies under it.
    Ground,
    /// On the line between two takes. The foot stays in its own half.
    Upper,
    /// Hanging from that line. Up stays up for the pitch.
    Lower,
}

/// Which mark lines belong to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MarkKind {
    /// The stroke itself: doubled by a split, broken by a stutter, leaning for a smear.
    Stroke,
    /// A hard start: the bar at the end of the stroke.
    Bar,
    /// Air: hatching before the stroke.
    Air,
    /// The pitch's way in, after the stroke.
    Approach,
    /// A slow tone: from the stroke to where it has grown.
    Growth,
    /// A held breath: the bracket around the silence.
    Held,
    /// From the stroke to the beat it missed.
    Foot,
}

/// One mark of a glyph.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Which.
    pub kind: MarkKind,
    /// Severity of its fault, 0 to 1; 0 for the stroke.
    pub severity: f64,
    /// Each a line through its points.
    pub lines: Vec<Vec<Point>>,
    /// Where a dot of [`DOT_PX`] stands: the settled pitch.
    pub dot: Option<Point>,
}

/// What is to be drawn, in the order of drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Glyph {
    /// Height of the stroke, px, positive also for one that hangs.
    pub height: f64,
    /// Its marks; the stroke lies over those beside it.
    pub marks: Vec<Mark>,
}

impl Glyph {
    /// The mark of a kind, if it is drawn.
    #[must_use]
    pub fn mark(&self, kind: MarkKind) -> Option<&Mark> {
        self.marks.iter().find(|mark| mark.kind == kind)
    }
}

/// Finest time scale of a front, px a second \[H\]: on a time line of 75 px a second, 50 ms of air would be 4 px.
pub const FRONT_PX_PER_S: f64 = 180.0;
/// Radius of the dot on the settled pitch, px: wider than any curve it ends.
pub const DOT_PX: f64 = 2.2;
/// Level under the loudest of a take that would have no height, dB: dynamics from soft to loud fill the lane \[P\].
const TAKE_SPAN_DB: f64 = 40.0;
/// Height of the lowest stroke as a share of the tallest: a soft note is still a note.
const LEAST_HEIGHT: f64 = 0.3;
/// Px kept free to the middle between two entrances, so that their marks do not touch.
const MARGIN_PX: f64 = 3.0;
/// Shortest mark that can be seen, px.
const LEAST_MARK_PX: f64 = 5.0;
/// Where on the stroke the settled pitch lies, as a share of its height.
const PITCH_LINE: f64 = 0.55;
/// Px of a cent, near the settled pitch.
const PX_PER_CENT: f64 = 0.4;
/// Px a curve can be displaced by, as a share of the height: it stays between the line and the end of the stroke.
const MOST_BEND: f64 = 0.45;
/// Parts of the pitch curve: smooth at any size it is drawn in.
const APPROACH_PARTS: usize = 20;
/// Points of the picture on either side that a point of the pitch curve is smoothed with: five are 20 ms.
const SMOOTHED_POINTS: usize = 2;
/// Distance of a split's second stroke, px: two strokes of 2.4 px and as much paper between.
const DOUBLE_PX: f64 = 4.8;
/// Height of a split's second stroke as a share of the first: two strokes, not one thick one.
const DOUBLE_HEIGHT: f64 = 0.92;
/// A stutter's gap, as shares of the height.
const BREAK: (f64, f64) = (0.41, 0.61);
/// How far a smear's end leans over: px at least, cents of the slide for each px more, px at most.
const LEAN: (f64, f64, f64) = (6.0, 12.0, 16.0);
/// Most lean as a share of the height: a short stroke still stands.
const MOST_LEAN: f64 = 0.25;
/// Half the width of the bar on a hard start, px.
const BAR_PX: f64 = 5.5;
/// Distance of the hatching's lines, px, for the softest and the loudest air.
const HATCH_PX: (f64, f64) = (14.0, 4.0);
/// Levels of the softest and the loudest air that are told apart, dB re the tone.
const AIR_DB: (f64, f64) = (-40.0, -10.0);
/// The stretch of the stroke that is hatched, as shares of the height: clear of a foot and of a bar.
const HATCHED: (f64, f64) = (0.12, 0.92);
/// Fewest lines that are a hatching.
const LEAST_LINES: usize = 3;
/// Px between the stroke and marks that end before it.
const GAP_PX: f64 = 2.5;
/// Heights of a held breath's bracket, px from the line: its bottom and the end of its arms.
const HELD_PX: (f64, f64) = (8.0, 20.0);
/// Px from the foot to the line that the stroke stands on: clear of it, with a pen of 3 px.
const FOOT_PX: f64 = 4.0;
/// Drawn for a measure that its fault should have, and that could not be told: ms, and dB re the tone.
const UNTOLD_AIR: (f64, f64) = (30.0, -30.0);
const UNTOLD_SETTLE_MS: f64 = 80.0;
const UNTOLD_ATTACK_MS: f64 = 90.0;
const UNTOLD_HELD_MS: f64 = 200.0;
/// A pitch settles within this band, cents (measures: settled).
const SETTLED_CENTS: f64 = 10.0;

/// The scale of fronts on a time line: that of the line itself, but never too coarse for a front.
#[must_use]
pub fn front_px_per_s(line_px_per_s: f64) -> f64 {
    line_px_per_s.max(FRONT_PX_PER_S)
}

/// Levels drawn at no and at full height where strokes are told against the loudest of their take.
#[must_use]
pub fn levels_under(loudest_db: f64) -> (f64, f64) {
    (loudest_db - TAKE_SPAN_DB, loudest_db)
}

/// A stroke's height, px. A level that cannot be told is drawn lowest.
#[must_use]
pub fn stroke_height(level_db: f64, scale: &GlyphScale) -> f64 {
    let (none_db, full_db) = scale.levels_db;
    let share = (level_db - none_db) / (full_db - none_db);
    scale.full_height_px * if share.is_nan() { LEAST_HEIGHT } else { share.clamp(LEAST_HEIGHT, 1.0) }
}

/// The glyph of an entrance with those of its faults that are shown.
#[must_use]
pub fn glyph(entrance: &Entrance, shown: &Faults, scale: &GlyphScale) -> Glyph {
    let frame = Frame::new(entrance, shown, scale);
    let mut marks: Vec<Mark> = shown.iter().filter_map(|fault| frame.beside(fault)).collect();
    marks.push(mark(MarkKind::Stroke, 0.0, frame.strokes()));
    if let Some(hard) = shown.get(FaultName::Hard) {
        let (x, y) = frame.at(0.0, 1.0);
        marks.push(mark(MarkKind::Bar, hard.severity, vec![vec![(x - BAR_PX, y), (x + BAR_PX, y)]]));
    }
    Glyph { height: frame.height, marks }
}

fn mark(kind: MarkKind, severity: f64, lines: Vec<Vec<Point>>) -> Mark {
    Mark { kind, severity, lines, dot: None }
}

/// An entrance with its stroke's size: what all marks are measured by.
struct Frame<'a> {
    entrance: &'a Entrance,
    shown: &'a Faults,
    scale: &'a GlyphScale,
    height: f64,
    /// Px that the end of the stroke lies to the right of its foot.
    lean: f64,
}

impl<'a> Frame<'a> {
    fn new(entrance: &'a Entrance, shown: &'a Faults, scale: &'a GlyphScale) -> Self {
        let height = stroke_height(entrance.front.level_db, scale);
        let frame = Self { entrance, shown, scale, height, lean: 0.0 };
        Self { lean: frame.smeared_px(), ..frame }
    }

    fn has(&self, name: FaultName) -> bool {
        self.shown.get(name).is_some()
    }

    /// A point beside the stroke at a share of its height.
    fn at(&self, dx: f64, share: f64) -> Point {
        (dx + self.lean * share, self.away(share * self.height))
    }

    /// Px from the line to where the stroke goes, as y.
    fn away(&self, px: f64) -> f64 {
        if self.scale.place == Place::Lower { px } else { -px }
    }

    /// A slide from below leans forward, one from above back.
    fn smeared_px(&self) -> f64 {
        if !self.has(FaultName::Smear) {
            return 0.0;
        }
        let depth = self.entrance.front.evidence.smear.map_or(0.0, |smear| smear.depth_cents);
        let (least, cents_per_px, most) = LEAN;
        let lean = (least + depth.abs() / cents_per_px).min(most).min(MOST_LEAN * self.height);
        if depth > 0.0 { -lean } else { lean }
    }

    fn strokes(&self) -> Vec<Vec<Point>> {
        let piece = |dx, from, to| vec![self.at(dx, from), self.at(dx, to)];
        let mut strokes = match self.has(FaultName::Stutter) {
            true => vec![piece(0.0, 0.0, BREAK.0), piece(0.0, BREAK.1, 1.0)],
            false => vec![piece(0.0, 0.0, 1.0)],
        };
        if self.has(FaultName::Split) {
            strokes.push(piece(DOUBLE_PX, 0.0, DOUBLE_HEIGHT));
        }
        strokes
    }

    /// The mark beside the stroke, of faults that have one.
    fn beside(&self, fault: &Fault) -> Option<Mark> {
        let (kind, lines) = match table::row(fault.name).ink {
            Ink::Hatching => (MarkKind::Air, self.air()),
            Ink::Approach => (MarkKind::Approach, vec![self.approach()]),
            Ink::Wedge => (MarkKind::Growth, vec![self.growth()]),
            Ink::Bracket => (MarkKind::Held, vec![self.held()]),
            Ink::Foot => (MarkKind::Foot, vec![self.foot(if fault.name == FaultName::Early { 1.0 } else { -1.0 })]),
            Ink::Double | Ink::Slant | Ink::Break | Ink::Bar => return None,
        };
        let dot = lines.last().and_then(|line| line.last().copied()).filter(|_| kind == MarkKind::Approach);
        Some(Mark { dot, ..mark(kind, fault.severity, lines) })
    }

    /// As long as the air lasted, as dense as it was loud.
    fn air(&self) -> Vec<Vec<Point>> {
        let length = self.before(value(self.entrance.front.noise_before_tone_ms, UNTOLD_AIR.0));
        let level_db = value(self.entrance.front.noise_before_tone_db, UNTOLD_AIR.1);
        let loudness = ((level_db - AIR_DB.0) / (AIR_DB.1 - AIR_DB.0)).clamp(0.0, 1.0);
        let distance = HATCH_PX.0 + loudness * (HATCH_PX.1 - HATCH_PX.0);
        let hatched = HATCHED.1 - HATCHED.0;
        let num_lines = ((hatched * self.height / distance) as usize + 1).max(LEAST_LINES);
        let line = |i| {
            let share = HATCHED.0 + hatched * i as f64 / (num_lines - 1) as f64;
            vec![self.at(-length, share), self.at(-GAP_PX, share)]
        };
        (0..num_lines).map(line).collect()
    }

    /// The pitch as it was, from the onset until it settled. Up is up, also under the line.
    fn approach(&self) -> Vec<Point> {
        let settle_ms = value(self.entrance.front.settle_ms, UNTOLD_SETTLE_MS).max(1.0);
        let length = self.after(settle_ms);
        let (x, settled_y) = self.at(0.0, PITCH_LINE);
        let point = |i: usize| {
            let share = i as f64 / APPROACH_PARTS as f64;
            (x + share * length, settled_y - self.bend(pitch_at(self.entrance, share * settle_ms)))
        };
        (0..=APPROACH_PARTS).map(point).collect()
    }

    /// Px of so many cents. Far ones press together rather than run along an edge, where they would look steady.
    fn bend(&self, cents: f64) -> f64 {
        let most = MOST_BEND * self.height;
        let px = most * (cents * PX_PER_CENT / most).tanh();
        if px.is_finite() { px } else { 0.0 }
    }

    /// Full height only where the tone has grown to it.
    fn growth(&self) -> Vec<Point> {
        let length = self.after(value(self.entrance.front.attack_ms, UNTOLD_ATTACK_MS));
        vec![self.at(0.0, 0.0), self.at(length, 1.0), self.at(0.0, 1.0)]
    }

    fn held(&self) -> Vec<Point> {
        let left = -self.before(self.entrance.front.evidence.held_breath_ms.unwrap_or(UNTOLD_HELD_MS));
        let (bottom, top) = (self.away(HELD_PX.0), self.away(HELD_PX.1));
        vec![(left, top), (left, bottom), (-GAP_PX, bottom), (-GAP_PX, top)]
    }

    /// To the beat itself where the time line is known. `sign`: 1 when the beat lies after the stroke.
    fn foot(&self, sign: f64) -> Vec<Point> {
        let off_ms = value(self.entrance.verdict.timing_ms, 0.0).abs();
        let neighbours = self.scale.neighbours_px;
        let length = match self.scale.line_px_per_s {
            Some(px_per_s) => px(off_ms, px_per_s).max(LEAST_MARK_PX),
            None => self.reach(off_ms, if sign < 0.0 { neighbours.0 } else { neighbours.1 }),
        };
        let y = if self.scale.place == Place::Ground { FOOT_PX } else { self.away(FOOT_PX) };
        vec![(0.0, y), (sign * length, y)]
    }

    /// Px of so many ms before the stroke.
    fn before(&self, ms: f64) -> f64 {
        self.reach(ms, self.scale.neighbours_px.0)
    }

    /// Px of so many ms after the stroke.
    fn after(&self, ms: f64) -> f64 {
        self.reach(ms, self.scale.neighbours_px.1)
    }

    /// A front may be drawn larger than the time line up to half the way to a neighbour, and further only as far as
    /// the time line itself says.
    fn reach(&self, ms: f64, neighbour_px: f64) -> f64 {
        let wide = px(ms, self.scale.front_px_per_s).min(0.5 * neighbour_px - MARGIN_PX);
        let on_line = self.scale.line_px_per_s.map_or(0.0, |px_per_s| px(ms, px_per_s).min(neighbour_px - MARGIN_PX));
        wide.max(on_line).max(LEAST_MARK_PX)
    }
}

/// Cents from the settled pitch at a time in ms after the onset: from the picture, or, where that was not kept, the
/// way of a pitch that nears its end at a steady rate and enters the settled band when it did.
#[must_use]
pub fn pitch_at(entrance: &Entrance, ms: f64) -> f64 {
    let cents = &entrance.front.picture.pitch_cents;
    let index = (0..cents.len()).rfind(|&i| FrontPicture::time_ms(i) <= ms && cents[i].is_finite());
    if let Some(index) = index {
        // A glyph is read at a glance: single wild points are left to the close-up.
        let near = index.saturating_sub(SMOOTHED_POINTS)..=(index + SMOOTHED_POINTS).min(cents.len() - 1);
        return median(cents[near].iter().copied().filter(|c| c.is_finite()));
    }
    let (onset, settle_ms) = (value(entrance.front.onset_cents, 0.0), value(entrance.front.settle_ms, 0.0));
    if onset.abs() <= SETTLED_CENTS || settle_ms <= 0.0 {
        return onset;
    }
    onset * (-(onset.abs() / SETTLED_CENTS).ln() * ms / settle_ms).exp()
}

fn median(values: impl Iterator<Item = f32>) -> f64 {
    let mut sorted: Vec<f32> = values.collect();
    sorted.sort_by(f32::total_cmp);
    sorted.get(sorted.len().saturating_sub(1) / 2).map_or(0.0, |&middle| f64::from(middle))
}

/// A measure, or what is drawn without one.
fn value(told: Told, untold: f64) -> f64 {
    told.ok().map(|measure| measure.value).filter(|value| value.is_finite()).unwrap_or(untold)
}

fn px(ms: f64, px_per_s: f64) -> f64 {
    ms.max(0.0) / 1e3 * px_per_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{airy, below, clear, flagged, told, with};
    use notefront_dsp::entrance::Smear;
    use notefront_dsp::{CannotTell, Evidence};

    const SCALE: GlyphScale = GlyphScale {
        line_px_per_s: None,
        front_px_per_s: 200.0,
        neighbours_px: (66.0, 86.0),
        levels_db: (-54.2, -14.2),
        full_height_px: 60.0,
        place: Place::Ground,
    };

    fn drawn(entrance: &Entrance, scale: &GlyphScale) -> Glyph {
        glyph(entrance, &entrance.verdict.faults, scale)
    }

    fn line(entrance: &Entrance, kind: MarkKind, scale: &GlyphScale) -> Vec<Point> {
        drawn(entrance, scale).mark(kind).unwrap_or_else(|| panic!("{kind:?} is drawn")).lines[0].clone()
    }

    /// A clear entrance with a fault and the measures that go with it.
    fn faulty(name: FaultName) -> Entrance {
        let entrance = with(clear(0, 46, 1.0), |e| e.verdict.timing_ms = told(30.0, 1.0));
        match name {
            FaultName::Below => below(0, 1.0),
            FaultName::Above => flagged(with(entrance, |e| e.front.onset_cents = told(70.9, 4.0)), name, 0.5, 0.9),
            _ => flagged(entrance, name, 0.5, 0.9),
        }
    }

    fn smeared(depth_cents: f64) -> Entrance {
        let smear = Some(Smear { rate_cents_per_s: 900.0, depth_cents, duration_ms: 100.0, probability: 1.0 });
        let evidence = Evidence { smear, ..Evidence::default() };
        with(faulty(FaultName::Smear), |e| e.front.evidence = evidence)
    }

    #[test]
    fn a_clear_entrance_is_one_bare_stroke_of_its_level() {
        let bare = drawn(&clear(0, 46, 1.0), &SCALE);
        let stroke = vec![vec![(0.0, 0.0), (0.0, -60.0)]];
        assert_eq!(bare, Glyph { height: 60.0, marks: vec![mark(MarkKind::Stroke, 0.0, stroke)] });
        // Half of the span under full height, and far under it.
        for (level_db, height) in [(-34.2, 30.0), (-99.0, 18.0), (0.0, 60.0), (f64::NAN, 18.0)] {
            assert!((stroke_height(level_db, &SCALE) - height).abs() < 1e-9, "{level_db} dB");
        }
    }

    #[test]
    fn every_fault_adds_ink_of_its_own() {
        let mut seen = vec![drawn(&clear(0, 46, 1.0), &SCALE)];
        for name in FaultName::ALL {
            let glyph = drawn(&faulty(name), &SCALE);
            assert!(!seen.contains(&glyph), "{name:?}");
            seen.push(glyph);
        }
    }

    #[test]
    fn a_fault_that_is_not_shown_adds_none() {
        for name in FaultName::ALL {
            let hidden = glyph(&faulty(name), &Faults::default(), &SCALE);
            assert_eq!(hidden, drawn(&clear(0, 46, 1.0), &SCALE), "{name:?}");
        }
    }

    #[test]
    fn air_stands_before_the_stroke_as_long_as_it_lasted_and_denser_when_louder() {
        let length = |entrance: &Entrance, scale: &GlyphScale| -line(entrance, MarkKind::Air, scale)[0].0;
        // 115 ms at 200 px/s.
        assert!((length(&airy(0, 1.0), &SCALE) - 23.0).abs() < 1e-9);
        let num_lines = |level_db| {
            let entrance = with(airy(0, 1.0), |e| e.front.noise_before_tone_db = told(level_db, 1.0));
            drawn(&entrance, &SCALE).mark(MarkKind::Air).expect("air").lines.len()
        };
        assert!(num_lines(-35.0) < num_lines(-22.0) && num_lines(-22.0) < num_lines(-10.0));
        let hatching = drawn(&airy(0, 1.0), &SCALE).mark(MarkKind::Air).expect("air").lines.concat();
        assert!(hatching.iter().all(|(x, y)| *x < 0.0 && (-60.0..0.0).contains(y)), "{hatching:?}");
    }

    #[test]
    fn marks_of_neighbours_meet_only_where_they_do_in_time() {
        let long = with(airy(0, 1.0), |e| e.front.noise_before_tone_ms = told(300.0, 4.0));
        let length = |scale: &GlyphScale| -line(&long, MarkKind::Air, scale)[0].0;
        // Half the way to the note before, with the margin.
        assert!((length(&SCALE) - 30.0).abs() < 1e-9);
        // On a line of 150 px a second, 300 ms are 45 px.
        let on_line = GlyphScale { line_px_per_s: Some(150.0), ..SCALE };
        assert!((length(&on_line) - 45.0).abs() < 1e-9);
        assert!((length(&GlyphScale { line_px_per_s: Some(900.0), ..SCALE }) - 63.0).abs() < 1e-9);
    }

    #[test]
    fn a_pitch_from_below_rises_to_a_dot_where_it_settled() {
        let glyph = drawn(&below(0, 1.0), &SCALE);
        let way = glyph.mark(MarkKind::Approach).expect("a way in");
        let (first, last) = (way.lines[0][0], way.lines[0][APPROACH_PARTS]);
        // 70.9 cents at 0.4 px: 28.4 px, pressed to 27 tanh(28.36 / 27) = 21.11, under the pitch line at 33 px.
        assert!((first.1 - (-33.0 + 21.11)).abs() < 0.01, "{first:?}");
        // 112.5 ms at 200 px/s; it enters the band of 10 cents there, 4 px from the end.
        assert!((last.0 - 22.5).abs() < 1e-9 && (last.1 + 33.0).abs() < 4.0, "{last:?}");
        assert_eq!(way.dot, Some(last));
    }

    #[test]
    fn up_is_up_for_the_pitch_in_both_halves_of_a_comparison() {
        for place in [Place::Ground, Place::Upper, Place::Lower] {
            for (name, starts_lower) in [(FaultName::Below, true), (FaultName::Above, false)] {
                let way = line(&faulty(name), MarkKind::Approach, &GlyphScale { place, ..SCALE });
                assert_eq!(way[0].1 > way[APPROACH_PARTS].1, starts_lower, "{name:?} {place:?}");
                let is_within = |y: f64| if place == Place::Lower { (0.0..=60.0).contains(&y) } else { y <= 0.0 };
                assert!(way.iter().all(|p| is_within(p.1)), "{place:?}: between the line and the stroke's end");
            }
        }
    }

    #[test]
    fn the_farther_a_pitch_the_farther_its_curve() {
        let start = |cents| {
            let entrance = with(below(0, 1.0), |e| e.front.onset_cents = told(cents, 4.0));
            line(&entrance, MarkKind::Approach, &SCALE)[0].1
        };
        let starts = [-20.0, -40.0, -80.0, -160.0].map(start);
        assert!(starts.is_sorted() && starts[3] - starts[2] > 1.0, "{starts:?}");
        assert!(start(-1200.0) < 0.0, "never through the line");
    }

    #[test]
    fn a_wild_point_of_the_picture_does_not_show() {
        let mut entrance = below(0, 1.0);
        entrance.front.picture.pitch_cents[30..60].fill(-20.0);
        let ms = FrontPicture::time_ms(45);
        entrance.front.picture.pitch_cents[45] = 1200.0;
        assert!((pitch_at(&entrance, ms) + 20.0).abs() < 1e-9);
    }

    #[test]
    fn without_a_picture_the_curve_comes_from_the_measures() {
        let below = below(0, 1.0);
        assert!((pitch_at(&below, 0.0) + 70.9).abs() < 1e-9);
        // It enters the band of 10 cents where it settles.
        assert!((pitch_at(&below, 112.5) + 10.0).abs() < 1e-6);
    }

    #[test]
    fn the_foot_goes_to_the_beat_before_a_late_stroke_and_after_an_early_one() {
        let at = |ms, name, line_px_per_s| {
            let entrance = with(flagged(clear(0, 46, 1.0), name, 0.5, 0.9), |e| e.verdict.timing_ms = told(ms, 1.0));
            line(&entrance, MarkKind::Foot, &GlyphScale { line_px_per_s, ..SCALE })[1].0
        };
        assert!((at(50.0, FaultName::Late, None) + 10.0).abs() < 1e-9);
        assert!((at(-50.0, FaultName::Early, None) - 10.0).abs() < 1e-9);
        // On a time line to the beat itself: 70 ms at 100 px/s, whatever the scale of the front.
        assert!((at(70.0, FaultName::Late, Some(100.0)) + 7.0).abs() < 1e-9);
    }

    #[test]
    fn in_a_comparison_a_foot_stays_in_its_half() {
        let y = |place| line(&faulty(FaultName::Late), MarkKind::Foot, &GlyphScale { place, ..SCALE })[0].1;
        assert!(y(Place::Ground) > 0.0 && y(Place::Upper) < 0.0 && y(Place::Lower) > 0.0);
    }

    #[test]
    fn a_smear_leans_the_way_the_slide_came_and_more_for_more() {
        let end = |depth_cents| line(&smeared(depth_cents), MarkKind::Stroke, &SCALE)[1].0;
        assert!(end(-100.0) > 0.0 && end(100.0) < 0.0);
        assert!(end(-100.0) > end(-30.0));
    }

    #[test]
    fn a_slow_tone_has_grown_where_its_triangle_ends() {
        let slow = with(faulty(FaultName::Slow), |e| e.front.attack_ms = told(120.0, 5.0));
        let triangle = line(&slow, MarkKind::Growth, &SCALE);
        // 120 ms at 200 px/s.
        assert_eq!(triangle, [(0.0, 0.0), (24.0, -60.0), (0.0, -60.0)]);
    }

    #[test]
    fn a_held_breath_is_a_bracket_as_long_as_the_silence() {
        let left = |held_ms| {
            let evidence = Evidence { held_breath_ms: Some(held_ms), ..Evidence::default() };
            let scale = GlyphScale { neighbours_px: (400.0, 86.0), ..SCALE };
            line(&with(faulty(FaultName::HeldBreath), |e| e.front.evidence = evidence), MarkKind::Held, &scale)[0].0
        };
        assert!((left(300.0) + 60.0).abs() < 1e-9 && (left(500.0) + 100.0).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_told_still_has_a_finite_shape() {
        let mut entrance = clear(0, 46, 1.0);
        for name in FaultName::ALL {
            entrance = flagged(entrance, name, 1.0, 1.0);
        }
        entrance.front.level_db = f64::NAN;
        entrance.front.noise_before_tone_db = told(f64::NAN, 1.0);
        entrance.front.onset_cents = Err(CannotTell::TooSoft);
        entrance.verdict.timing_ms = told(f64::INFINITY, 1.0);
        let alone = (f64::INFINITY, f64::INFINITY);
        for (line_px_per_s, neighbours_px) in [(None, alone), (Some(80.0), alone), (Some(80.0), (0.0, 0.0))] {
            let scale = GlyphScale { line_px_per_s, neighbours_px, ..SCALE };
            let points = drawn(&entrance, &scale).marks.into_iter().flat_map(|mark| mark.lines.concat());
            assert!(points.into_iter().all(|(x, y)| x.is_finite() && y.is_finite()));
        }
    }
}
