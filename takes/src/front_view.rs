//! The close-up of one front as geometry, for the page and the insert: axes that end where there is nothing to show,
//! curves, the corridor of clear fronts, and words that never lie over one another. Who draws it chooses pens and colours.

use crate::corridor::{Corridor, Edge};
use crate::glyph::Point;
use notefront_dsp::entrance::FRONT_POINTS;
use notefront_dsp::{Entrance, FaultName, FrontPicture, Told};

/// Time shown at least, ms from the onset; more where the air or the picture is longer.
const TIME_MS: (f64, f64) = (-40.0, 130.0);
/// Time kept free before the air and after the last point, ms.
const ROOM_MS: f64 = 20.0;
/// Most air shown, ms.
const MOST_AIR_MS: f64 = 900.0;
/// Levels told at all, dB from the settled tone, and fewest dB shown.
const LEVEL_DB: (f64, f64) = (-60.0, 24.0);
const LEAST_LEVELS_DB: f64 = 30.0;
/// Room over and under the levels, dB.
const ROOM_DB: f64 = 4.0;
/// Cents shown each way at least, and at most: an octave and a little.
const CENTS: (f64, f64) = (50.0, 1300.0);
/// Tone level under which its pitch is not drawn, dB from the settled tone: noise has no pitch.
const PITCH_FLOOR_DB: f32 = -30.0;
/// Width of a letter as a share of its height: a wide estimate for the sans-serif faces of page and insert.
const LETTER: f64 = 0.58;
/// Distance of the lines of air, px.
const HATCH_PX: f64 = 8.0;
/// Steps of axes that people read easily, smallest first.
const TIME_STEPS_MS: [f64; 5] = [20.0, 50.0, 100.0, 200.0, 500.0];
const CENT_STEPS: [f64; 6] = [25.0, 50.0, 100.0, 200.0, 400.0, 600.0];
const LEVEL_STEPS_DB: [f64; 3] = [10.0, 20.0, 40.0];

/// Where a close-up is drawn, px: x to the right, y downwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Left and right edge of both panels.
    pub x: (f64, f64),
    /// Top and bottom of the panel of the pitch.
    pub pitch_y: (f64, f64),
    /// Top and bottom of the panel of the levels.
    pub level_y: (f64, f64),
    /// Height of letters.
    pub text_px: f64,
}

impl Frame {
    /// A picture of so many px with letters of that height.
    #[must_use]
    pub fn new(width: f64, height: f64, text_px: f64) -> Self {
        let left = 4.4 * LETTER * text_px + 6.0;
        // Under the panels two rows of letters, over each panel one.
        let (top, bottom) = (1.5 * text_px, height - 2.7 * text_px);
        let between = 1.7 * text_px;
        let pitch_bottom = top + 0.62 * (bottom - top - between);
        Self {
            x: (left, width - 3.0),
            pitch_y: (top, pitch_bottom),
            level_y: (pitch_bottom + between, bottom),
            text_px,
        }
    }
}

/// What a word in the picture belongs to, for its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WordKind {
    /// A number or name of an axis.
    Axis,
    /// A number about the pitch.
    Pitch,
    /// The name of the tone's level.
    Tone,
    /// The name of the level of air and room.
    Noise,
    /// The name of the corridor.
    Clear,
    /// The name of the beat.
    Beat,
}

/// A word, lying on its baseline.
#[derive(Debug, Clone, PartialEq)]
pub struct Word {
    /// What it belongs to.
    pub kind: WordKind,
    /// The letters.
    pub text: String,
    /// Left or right end of its baseline, or its middle.
    pub at: Point,
    /// -1: `at` is its left end, 0 its middle, 1 its right end.
    pub end: i8,
}

impl Word {
    /// Left, top, right, bottom.
    #[must_use]
    pub fn rect(&self, text_px: f64) -> [f64; 4] {
        let width = LETTER * text_px * self.text.chars().count() as f64;
        let left = self.at.0 - width * 0.5 * (1.0 + f64::from(self.end));
        [left, self.at.1 - 0.85 * text_px, left + width, self.at.1 + 0.25 * text_px]
    }
}

/// The close-up of a front.
#[derive(Debug, Clone, PartialEq)]
pub struct FrontView {
    /// Where it is drawn.
    pub frame: Frame,
    /// First and last time, ms from the onset.
    pub time_ms: (f64, f64),
    /// Lowest and highest pitch, cents from the settled pitch.
    pub cents: (f64, f64),
    /// Lowest and highest level, dB from the settled tone.
    pub level_db: (f64, f64),
    /// Upright lines of the time axis, x.
    pub time_lines: Vec<f64>,
    /// All words; no two lie over one another.
    pub words: Vec<Word>,
    /// Where the tone speaks, x.
    pub speaks_x: f64,
    /// Where the beat is, x.
    pub beat_x: Option<f64>,
    /// Lines of air before the tone.
    pub air: Vec<[Point; 2]>,
    /// The pitch's way in; `None` lifts the pen.
    pub pitch: Vec<Option<Point>>,
    /// Level of the tone.
    pub tone: Vec<Option<Point>>,
    /// Level of air and room.
    pub noise: Vec<Option<Point>>,
    /// Outlines of the corridor of clear fronts, in both panels; empty where there is none.
    pub clear: [Vec<Point>; 2],
    /// Where the pitch settled.
    pub settled: Option<Point>,
    /// The corridor in words, for those who do not see it.
    pub corridor_words: Option<String>,
}

impl FrontView {
    /// The close-up of an entrance in a frame.
    #[must_use]
    pub fn of(entrance: &Entrance, frame: Frame) -> Self {
        let time_ms = time_range(entrance);
        let corridor = Corridor::of(&entrance.front, time_ms.1);
        let level_db = level_range(&entrance.front.picture, corridor.as_ref());
        let mut view = Self {
            frame,
            time_ms,
            cents: cents_range(entrance),
            level_db,
            time_lines: Vec::new(),
            words: Vec::new(),
            speaks_x: 0.0,
            beat_x: None,
            air: Vec::new(),
            pitch: Vec::new(),
            tone: Vec::new(),
            noise: Vec::new(),
            clear: [Vec::new(), Vec::new()],
            settled: None,
            corridor_words: corridor.as_ref().map(Corridor::words),
        };
        view.draw(entrance, corridor.as_ref());
        view.axes();
        view.say(entrance);
        view
    }

    /// Place of a time, ms from the onset.
    #[must_use]
    pub fn x(&self, ms: f64) -> f64 {
        let (from, to) = self.time_ms;
        self.frame.x.0 + (ms - from) / (to - from) * (self.frame.x.1 - self.frame.x.0)
    }

    /// Place of a pitch, cents from the settled pitch.
    #[must_use]
    pub fn cents_y(&self, cents: f64) -> f64 {
        on(self.frame.pitch_y, self.cents, cents)
    }

    /// Place of a level, dB from the settled tone.
    #[must_use]
    pub fn level_y(&self, db: f64) -> f64 {
        on(self.frame.level_y, self.level_db, db)
    }

    fn draw(&mut self, entrance: &Entrance, corridor: Option<&Corridor>) {
        let (front, picture) = (&entrance.front, &entrance.front.picture);
        let speaks_ms = (front.speaks_s - front.onset_s) * 1e3;
        self.speaks_x = self.x(speaks_ms);
        let beat_ms = entrance.verdict.timing_ms.ok().map(|timing| speaks_ms - timing.value);
        self.beat_x = beat_ms.filter(|ms| (self.time_ms.0..=self.time_ms.1).contains(ms)).map(|ms| self.x(ms));
        let pitch = |i| pitch_point(picture, i).map(|(ms, cents)| (self.x(ms), self.cents_y(cents)));
        self.pitch = (0..FRONT_POINTS).map(pitch).collect();
        let level = |db: &[f32; FRONT_POINTS]| -> Vec<Option<Point>> {
            let at = |i: usize| {
                let (ms, db) = (FrontPicture::time_ms(i), f64::from(db[i]));
                (db >= self.level_db.0 && ms >= self.time_ms.0).then(|| (self.x(ms), self.level_y(db)))
            };
            (0..FRONT_POINTS).map(at).collect()
        };
        (self.tone, self.noise) = (level(&picture.tone_db), level(&picture.noise_db));
        self.air = self.hatching(entrance);
        if let Some(corridor) = corridor {
            let inside = |edges: &[Edge], y: &dyn Fn(f64) -> f64| -> Vec<Point> {
                let upper = edges.iter().map(|e| (self.x(e.ms), y(e.high)));
                upper.chain(edges.iter().rev().map(|e| (self.x(e.ms), y(e.low)))).collect()
            };
            self.clear =
                [inside(&corridor.pitch, &|c| self.cents_y(c)), inside(&corridor.level, &|db| self.level_y(db))];
        }
        let settled = front.settle_ms.ok().map(|m| m.value).filter(|ms| *ms > 0.0 && *ms < self.time_ms.1);
        self.settled = settled.map(|ms| (self.x(ms), self.cents_y(0.0)));
    }

    /// Air before the tone, hatched as on the lane.
    fn hatching(&self, entrance: &Entrance) -> Vec<[Point; 2]> {
        let air_ms = air_ms(entrance);
        if entrance.verdict.faults.get(FaultName::Airy).is_none() || air_ms <= 0.0 {
            return Vec::new();
        }
        let (from, to) = (self.x(-air_ms), self.x(0.0) - 2.0);
        let (top, bottom) = self.frame.pitch_y;
        let num = ((bottom - top - HATCH_PX) / HATCH_PX) as usize;
        (1..=num).map(|i| top + HATCH_PX * i as f64).map(|y| [(from, y), (to, y)]).collect()
    }

    /// The axes' numbers and names, which come before all other words.
    fn axes(&mut self) {
        let (frame, px) = (self.frame, self.frame.text_px);
        let axis = |text: String, at: Point, end: i8| Word { kind: WordKind::Axis, text, at, end };
        self.put(axis("cents".into(), (2.0, frame.pitch_y.0 - 0.45 * px), -1));
        self.put(axis("dB".into(), (2.0, frame.level_y.0 - 0.45 * px), -1));
        self.put(axis("ms from the onset".into(), (frame.x.1, frame.level_y.1 + 2.4 * px), 1));
        let num = ((frame.x.1 - frame.x.0) / (4.5 * LETTER * px)).max(2.0);
        for ms in ticks(self.time_ms, step(self.time_ms, &TIME_STEPS_MS, num)) {
            self.time_lines.push(self.x(ms));
            let word = axis(minus(ms), (self.x(ms), frame.level_y.1 + 1.15 * px), 0);
            self.put(word);
        }
        let rows = |(top, bottom): (f64, f64)| ((bottom - top) / (1.5 * px)).max(2.0);
        for cents in ticks(self.cents, step(self.cents, &CENT_STEPS, rows(frame.pitch_y))) {
            let word = axis(minus(cents), (frame.x.0 - 5.0, self.cents_y(cents) + 0.35 * px), 1);
            self.put(word);
        }
        // The times stand right under the panel, the first of them under this axis: a number at its foot would touch it.
        let lowest = frame.level_y.1 - 0.25 * px;
        for db in ticks(self.level_db, step(self.level_db, &LEVEL_STEPS_DB, rows(frame.level_y))) {
            if self.level_y(db) <= lowest {
                let word = axis(minus(db), (frame.x.0 - 5.0, self.level_y(db) + 0.35 * px), 1);
                self.put(word);
            }
        }
    }

    /// What stands in the panels, each at the first place that is free; what has none is left out, since the numbers
    /// under the picture say it too.
    fn say(&mut self, entrance: &Entrance) {
        let (frame, px) = (self.frame, self.frame.text_px);
        let right = frame.x.1 - 3.0;
        let said = [
            (WordKind::Pitch, amount(entrance.front.onset_cents, "cents").map(|t| format!("in at {t}"))),
            (WordKind::Pitch, amount(entrance.front.settle_ms, "ms").map(|t| format!("settled after {t}"))),
            (WordKind::Clear, (!self.clear[0].is_empty()).then(|| "clear fronts".to_owned())),
        ];
        for (kind, text) in said.into_iter().filter_map(|(kind, text)| Some((kind, text?))) {
            let rows = [1.0, 2.15, 3.3].into_iter();
            let places = rows.flat_map(|row| [frame.pitch_y.1 - row * px + 0.4 * px, frame.pitch_y.0 + row * px]);
            self.put_first_free(kind, &text, places.map(|y| (right, y)).collect());
        }
        let last = |db: &[f32; FRONT_POINTS]| db.iter().rev().copied().find(|db| db.is_finite()).map(f64::from);
        let named = [
            (WordKind::Tone, "tone", last(&entrance.front.picture.tone_db)),
            (WordKind::Noise, "air and room", last(&entrance.front.picture.noise_db)),
        ];
        for (kind, text, level) in named {
            let Some(level) = level else { continue };
            let y = self.level_y(level).clamp(frame.level_y.0 + px, frame.level_y.1);
            let near = [y - 0.4 * px, y + 1.2 * px, y - 1.5 * px];
            let inside = near.into_iter().filter(|y| (frame.level_y.0..=frame.level_y.1).contains(y));
            self.put_first_free(kind, text, inside.map(|y| (right, y)).collect());
        }
        if let Some(x) = self.beat_x {
            let end = if x < self.speaks_x { 1 } else { -1 };
            let at = (x - 3.0 * f64::from(end), frame.pitch_y.1 - 0.4 * px);
            self.put(Word { kind: WordKind::Beat, text: "beat".into(), at, end });
        }
    }

    fn put_first_free(&mut self, kind: WordKind, text: &str, places: Vec<Point>) {
        for at in places {
            let word = Word { kind, text: text.to_owned(), at, end: 1 };
            // Words keep off the curve where they can.
            let rect = word.rect(self.frame.text_px);
            let curves = self.pitch.iter().chain(&self.tone).chain(&self.noise).flatten();
            let is_over = |p: &Point| (rect[0]..=rect[2]).contains(&p.0) && (rect[1]..=rect[3]).contains(&p.1);
            if !curves.into_iter().any(is_over) && self.put(word) {
                return;
            }
        }
    }

    /// Puts a word where none lies yet; false where one does, or where it would leave the picture.
    fn put(&mut self, word: Word) -> bool {
        let px = self.frame.text_px;
        let rect = word.rect(px);
        let is_free = self.words.iter().all(|other| !meet(rect, other.rect(px)));
        let is_inside = rect[0] >= -1.0 && rect[2] <= self.frame.x.1 + 6.0;
        if is_free && is_inside {
            self.words.push(word);
        }
        is_free && is_inside
    }
}

fn meet(a: [f64; 4], b: [f64; 4]) -> bool {
    a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]
}

/// Place of a value on an upright axis, kept within it.
fn on((top, bottom): (f64, f64), (low, high): (f64, f64), value: f64) -> f64 {
    bottom - (value.clamp(low, high) - low) / (high - low) * (bottom - top)
}

fn air_ms(entrance: &Entrance) -> f64 {
    let ms = entrance.front.noise_before_tone_ms.map_or(0.0, |m| m.value);
    if ms.is_finite() { ms.min(MOST_AIR_MS) } else { 0.0 }
}

fn time_range(entrance: &Entrance) -> (f64, f64) {
    let last_ms = points(&entrance.front.picture).map(|(ms, _)| ms).fold(0.0, f64::max);
    (TIME_MS.0.min(-air_ms(entrance) - ROOM_MS), TIME_MS.1.max(last_ms + ROOM_MS))
}

fn cents_range(entrance: &Entrance) -> (f64, f64) {
    let shown = points(&entrance.front.picture).map(|(_, cents)| cents);
    let (low, high) = shown.fold((0.0f64, 0.0f64), |(low, high), c| (low.min(c), high.max(c)));
    let reach = |most: f64| (most * 1.15).clamp(CENTS.0, CENTS.1);
    (-reach(-low), reach(high))
}

/// From the softest to the loudest that is drawn.
fn level_range(picture: &FrontPicture, corridor: Option<&Corridor>) -> (f64, f64) {
    let drawn = picture.tone_db.iter().chain(&picture.noise_db).map(|db| f64::from(*db)).filter(|db| db.is_finite());
    let clear = corridor.iter().flat_map(|c| &c.level).map(|edge| edge.high);
    let (low, high) = drawn.chain(clear).fold((0.0f64, 0.0f64), |(low, high), db| (low.min(db), high.max(db)));
    let high = (high + ROOM_DB).min(LEVEL_DB.1);
    ((low - ROOM_DB).max(LEVEL_DB.0).min(high - LEAST_LEVELS_DB), high)
}

/// Points of the pitch that stand for a tone: time in ms, cents.
fn points(picture: &FrontPicture) -> impl Iterator<Item = (f64, f64)> {
    (0..FRONT_POINTS).filter_map(|i| pitch_point(picture, i))
}

fn pitch_point(picture: &FrontPicture, i: usize) -> Option<(f64, f64)> {
    let is_tone = picture.tone_db[i] >= PITCH_FLOOR_DB && picture.pitch_cents[i].is_finite();
    is_tone.then(|| (FrontPicture::time_ms(i), f64::from(picture.pitch_cents[i])))
}

/// "-71 ± 4 cents", with a true minus.
fn amount(told: Told, unit: &str) -> Option<String> {
    let m = told.ok().filter(|m| m.value.is_finite())?;
    Some(format!("{} ± {:.0} {unit}", minus(m.value), m.uncertainty))
}

/// A whole number with a true minus sign.
#[must_use]
pub fn minus(value: f64) -> String {
    let rounded = value.round();
    if rounded < 0.0 { format!("\u{2212}{:.0}", -rounded) } else { format!("{:.0}", rounded.abs()) }
}

/// The smallest step that leaves no more than so many ticks.
fn step(range: (f64, f64), steps: &[f64], most: f64) -> f64 {
    let fits = |step: &&f64| (range.1 - range.0) / **step <= most;
    *steps.iter().find(fits).unwrap_or(&steps[steps.len() - 1])
}

fn ticks(range: (f64, f64), step: f64) -> Vec<f64> {
    let (first, last) = ((range.0 / step).ceil() as i64, (range.1 / step).floor() as i64);
    (first..=last).map(|k| k as f64 * step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixtures::{airy, below, clear, split, told, with};

    /// Fronts of every look: flat, far off, soft, with long air, without a picture.
    fn fronts() -> Vec<Entrance> {
        let drawn = |way: fn(f64) -> f64, noise: f32| {
            with(below(0, 1.0), |e| {
                for i in 0..FRONT_POINTS {
                    let ms = FrontPicture::time_ms(i);
                    e.front.picture.pitch_cents[i] = if ms < 0.0 { f32::NAN } else { way(ms) as f32 };
                    e.front.picture.tone_db[i] = if ms < 0.0 { -58.0 } else { 3.0 };
                    e.front.picture.noise_db[i] = noise;
                }
            })
        };
        let long = with(airy(0, 1.0), |e| e.front.noise_before_tone_ms = told(700.0, 5.0));
        vec![
            drawn(|_| 0.0, -40.0),
            drawn(|ms| -70.0 * (-ms / 40.0).exp(), -3.0),
            drawn(|ms| 900.0 - ms, -59.0),
            drawn(|ms| if ms < 60.0 { -1200.0 } else { 0.0 }, -20.0),
            long,
            split(0, 1.0),
            clear(0, 46, 1.0),
        ]
    }

    #[test]
    fn no_two_words_lie_over_one_another_at_any_size() {
        for (width, height, text_px) in
            [(340.0, 300.0, 14.5), (560.0, 326.0, 12.0), (280.0, 240.0, 12.0), (900.0, 400.0, 16.0)]
        {
            for (k, entrance) in fronts().iter().enumerate() {
                let view = FrontView::of(entrance, Frame::new(width, height, text_px));
                for (i, a) in view.words.iter().enumerate() {
                    let rect = a.rect(text_px);
                    assert!(
                        rect[0] >= -1.0 && rect[2] <= width + 3.0 && rect[1] >= 0.0 && rect[3] <= height,
                        "{k}: {a:?} {rect:?}"
                    );
                    for b in &view.words[i + 1..] {
                        assert!(!meet(rect, b.rect(text_px)), "{k} at {width}: {a:?} {b:?}");
                    }
                }
                let axis = |of: &dyn Fn(&Word) -> bool| {
                    view.words.iter().filter(|w| w.kind == WordKind::Axis && of(w)).count()
                };
                assert!(axis(&|w| w.at.1 > view.frame.level_y.1) >= 3, "a time axis has two numbers and its name");
                assert!(axis(&|w| w.at.1 <= view.frame.level_y.1) >= 5, "so have the others");
            }
        }
    }

    #[test]
    fn axes_end_where_there_is_nothing_to_show() {
        let view = FrontView::of(&fronts()[0], Frame::new(340.0, 300.0, 14.5));
        let top = view.tone.iter().flatten().map(|p| p.1).fold(f64::INFINITY, f64::min);
        assert!(top - view.frame.level_y.0 < 0.2 * (view.frame.level_y.1 - view.frame.level_y.0), "{top}");
        let right = view.pitch.iter().flatten().map(|p| p.0).fold(0.0, f64::max);
        assert!(view.frame.x.1 - right < 0.1 * (view.frame.x.1 - view.frame.x.0), "{right}");
    }

    #[test]
    fn curves_keep_within_their_panels() {
        for entrance in fronts() {
            let view = FrontView::of(&entrance, Frame::new(340.0, 300.0, 14.5));
            let within = |points: &[Option<Point>], (top, bottom): (f64, f64)| {
                points
                    .iter()
                    .flatten()
                    .all(|p| (top - 1e-9..=bottom + 1e-9).contains(&p.1) && p.0 <= view.frame.x.1 + 1e-9)
            };
            assert!(within(&view.pitch, view.frame.pitch_y) && within(&view.tone, view.frame.level_y));
        }
    }
}
