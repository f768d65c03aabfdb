//! The lane as SVG: the take in tiles that flow like lines of music, one glyph for each entrance.

use super::{note_name, svg};
use crate::beats::Beats;
use crate::compare::HeardTake;
use crate::corrections::{self, Corrected};
use crate::glyph::{self, DOT_PX, Glyph, GlyphScale, Mark as GlyphMark, MarkKind, glyph};
use crate::words;
use maud::{Markup, html};
use notefront_dsp::Entrance;
use std::ops::Range;

/// Seconds of a tile without a grid.
const TILE_S: f64 = 4.0;
/// Beats of a tile with one.
const TILE_BEATS: f64 = 4.0;
/// Shortest and longest tile, s: a grid of any tempo stays readable.
const TILE_RANGE_S: (f64, f64) = (2.0, 6.0);
/// Size of a tile, px.
const TILE_PX: (f64, f64) = (300.0, 124.0);
/// Where the foot of every stroke stands, px from the top.
const BASE_PX: f64 = 84.0;
/// Height of the tallest stroke, px.
pub const FULL_PX: f64 = 66.0;
/// Room a note's name takes, px: names that would touch the one before are left out.
const NAME_PX: f64 = 25.0;
/// Room a number over a stroke takes, px.
const RANK_PX: f64 = 19.0;
/// Px that marks may reach over the edge of a tile: within the margin of the lane.
const EDGE_PX: f64 = 8.0;
/// Most tiles drawn: 20 000 entrances stay a page that opens. Longer takes are cut, and it is said.
pub const MAX_TILES: usize = 1_500;
/// Where an entrance stands on the page.
pub struct Mark {
    /// Name of its card.
    pub id: String,
    /// Its place among the most unclear, from 1; `None` for a clear one.
    pub rank: Option<usize>,
}

/// The lane of a take.
pub fn lane(take: usize, heard: &HeardTake, mark: impl Fn(&Entrance) -> Mark) -> Markup {
    let entrances = &heard.take.entrances;
    let by_ear = heard.take.corrected.as_deref();
    let lane = Lane { tiles: Tiles::new(heard.take.beats.as_ref()), loudest: loudest_db(entrances), entrances, by_ear };
    let groups = lane.groups();
    let num_left_out = groups.len().saturating_sub(MAX_TILES);
    html! {
        div.lane data-take=(take) tabindex="0" role="region" aria-label="The lane: every entrance drawn in its place. The table of all entrances says the same in words." {
            @for (k, (tile, range)) in groups.iter().take(MAX_TILES).enumerate() {
                (lane.tile(*tile, range.clone(), k.checked_sub(1).map(|k| groups[k].0), &mark))
            }
        }
        @if num_left_out > 0 {
            p.remark { "The lane ends here: " (num_left_out) " more stretches of this long take are left out of the picture. The list of the worst entrances covers them." }
        }
    }
}

/// Level of the loudest entrance, dB: drawn at full height.
pub fn loudest_db(entrances: &[Entrance]) -> f64 {
    entrances.iter().map(|e| e.front.level_db).filter(|db| db.is_finite()).fold(f64::NEG_INFINITY, f64::max)
}

/// How time is cut into tiles.
struct Tiles<'a> {
    beats: Option<&'a Beats>,
    first_s: f64,
    seconds: f64,
}

impl<'a> Tiles<'a> {
    fn new(beats: Option<&'a Beats>) -> Self {
        let length_s = |beats: &&Beats| TILE_BEATS * 60.0 / beats.bpm();
        let usable = beats.filter(|beats| (TILE_RANGE_S.0..=TILE_RANGE_S.1).contains(&length_s(beats)));
        let seconds = usable.as_ref().map_or(TILE_S, length_s);
        // An early downbeat belongs to the tile of its beat, so that tiles begin a little before it.
        let first_s = usable.map_or(0.0, |beats| beats.first_beat_s() - seconds / 16.0);
        Self { beats, first_s, seconds }
    }

    fn of(&self, at_s: f64) -> i64 {
        ((at_s - self.first_s) / self.seconds).floor() as i64
    }

    fn start_s(&self, tile: i64) -> f64 {
        self.first_s + tile as f64 * self.seconds
    }

    fn px_per_s(&self) -> f64 {
        TILE_PX.0 / self.seconds
    }

    fn x(&self, tile: i64, at_s: f64) -> f64 {
        (at_s - self.start_s(tile)) * self.px_per_s()
    }

    /// Places of the beats in a tile, px.
    fn beats(&self, tile: i64) -> Vec<f64> {
        let Some(beats) = self.beats else { return Vec::new() };
        let beats = beats.within(self.start_s(tile), self.start_s(tile + 1));
        beats.into_iter().map(|beat_s| self.x(tile, beat_s)).filter(|&x| x < TILE_PX.0).collect()
    }
}

/// What is drawn, and by which scales.
struct Lane<'a> {
    tiles: Tiles<'a>,
    loudest: f64,
    entrances: &'a [Entrance],
    by_ear: Option<&'a Corrected>,
}

impl Lane<'_> {
    /// Tiles that hold entrances, with these.
    fn groups(&self) -> Vec<(i64, Range<usize>)> {
        let mut groups: Vec<(i64, Range<usize>)> = Vec::new();
        for (i, entrance) in self.entrances.iter().enumerate() {
            let tile = self.tiles.of(entrance.front.speaks_s);
            match groups.last_mut() {
                Some((last, range)) if *last == tile => range.end = i + 1,
                _ => groups.push((tile, i..i + 1)),
            }
        }
        groups
    }

    fn tile(&self, tile: i64, range: Range<usize>, before: Option<i64>, mark: &impl Fn(&Entrance) -> Mark) -> Markup {
        let (width, height) = TILE_PX;
        let rest_s = before.map_or(0, |before| tile - before - 1) as f64 * self.tiles.seconds;
        html! {
            svg.tile viewBox=(format!("0 0 {width} {height}")) data-from=(format!("{:.4}", self.tiles.start_s(tile))) data-to=(format!("{:.4}", self.tiles.start_s(tile + 1))) aria-hidden="true" focusable="false" {
                line.ground x1="0" y1=(BASE_PX) x2=(width) y2=(BASE_PX) {}
                @for x in self.tiles.beats(tile) {
                    line.beat x1=(svg::px(x)) y1=(BASE_PX + 1.0) x2=(svg::px(x)) y2=(BASE_PX + 8.0) {}
                }
                text.clock x="2" y=(height - 6.0) {
                    (seconds_clock(self.tiles.start_s(tile).max(0.0)))
                    @if rest_s > 0.0 { (format!("  after {rest_s:.0} s without a note")) }
                }
                @for i in range.clone() { (self.placed(tile, i, mark)) }
                (self.names(tile, range.clone()))
                (self.numbers(tile, range, mark))
            }
        }
    }

    fn x(&self, tile: i64, i: usize) -> f64 {
        self.tiles.x(tile, self.entrances[i].front.speaks_s)
    }

    fn scale(&self, tile: i64, i: usize) -> GlyphScale {
        let x = self.x(tile, i);
        // A mark goes half the way to a neighbour; at an edge of the tile all the way there.
        let edges_px = (2.0 * (x + EDGE_PX), 2.0 * (TILE_PX.0 - x + EDGE_PX));
        GlyphScale {
            line_px_per_s: Some(self.tiles.px_per_s()),
            front_px_per_s: glyph::front_px_per_s(self.tiles.px_per_s()),
            neighbours_px: (
                self.px_between(i, i.wrapping_sub(1)).min(edges_px.0),
                self.px_between(i, i + 1).min(edges_px.1),
            ),
            levels_db: glyph::levels_under(self.loudest),
            full_height_px: FULL_PX,
            place: glyph::Place::Ground,
        }
    }

    /// Distance to a neighbour; a whole tile where there is none.
    fn px_between(&self, i: usize, other: usize) -> f64 {
        let other = self.entrances.get(other);
        other.map_or(TILE_PX.0, |o| (o.front.speaks_s - self.entrances[i].front.speaks_s).abs() * self.tiles.px_per_s())
    }

    fn placed(&self, tile: i64, i: usize, mark: &impl Fn(&Entrance) -> Mark) -> Markup {
        let entrance = &self.entrances[i];
        let drawn = glyph(entrance, &entrance.verdict.faults, &self.scale(tile, i));
        let said = self.by_ear.and_then(|corrected| corrected.of(i));
        html! {
            g.glyph.flagged[entrance.is_flagged()].ear[said.is_some()].own[said.is_some_and(|s| s.found.is_none())] data-place=(i) data-for=(mark(entrance).id) transform=(format!("translate({} {BASE_PX})", svg::px(self.x(tile, i)))) {
                title { (super::spoken(entrance)) @if let Some(said) = said { " (" (corrections::words::of(said)) ")" } }
                path.body d=(self.body(tile, i, drawn.height)) {}
                (ink(&drawn))
                @if said.is_some() { circle.ring cx="0" cy=(svg::px(-drawn.height - 5.0)) r="3" {} }
                rect.touch x="-10" y=(svg::px(-FULL_PX - 16.0)) width="22" height=(svg::px(FULL_PX + 24.0)) {}
            }
        }
    }

    /// The sounding note behind the stroke, as far as the tile goes.
    fn body(&self, tile: i64, i: usize, height: f64) -> String {
        let length_s = self.entrances[i].front.end_s.map_or(0.0, |end| end - self.entrances[i].front.speaks_s);
        let room = (self.px_between(i, i + 1) - 2.0).min(TILE_PX.0 - self.x(tile, i));
        let right = (length_s * self.tiles.px_per_s()).min(room).max(3.0);
        let (top, slope) = (-0.8 * height, (0.2 * right).min(9.0));
        format!("M2 0V{}H{}L{} 0Z", svg::px(top), svg::px(right - slope), svg::px(right))
    }

    fn names(&self, tile: i64, range: Range<usize>) -> Markup {
        let mut last = f64::NEG_INFINITY;
        let shown: Vec<usize> = range.filter(|&i| has_room(&mut last, self.x(tile, i), NAME_PX)).collect();
        html! { @for i in shown {
            text.name x=(svg::px(self.x(tile, i))) y=(BASE_PX + 20.0) text-anchor="middle" { (note_name(&self.entrances[i])) }
        } }
    }

    fn numbers(&self, tile: i64, range: Range<usize>, mark: &impl Fn(&Entrance) -> Mark) -> Markup {
        let mut last = f64::NEG_INFINITY;
        let ranked: Vec<(usize, usize)> = range.filter_map(|i| Some((i, mark(&self.entrances[i]).rank?))).collect();
        let shown = ranked.into_iter().filter(|&(i, _)| has_room(&mut last, self.x(tile, i), RANK_PX));
        let shown: Vec<(usize, usize)> = shown.collect();
        html! { @for (i, rank) in shown {
            text.rank x=(svg::px(self.x(tile, i))) y=(BASE_PX - FULL_PX - 6.0) text-anchor="middle" { (rank) }
        } }
    }
}

/// Whether a label fits after the last one; if so it is the last one now.
fn has_room(last: &mut f64, x: f64, px: f64) -> bool {
    let fits = x - *last >= px;
    if fits {
        *last = x;
    }
    fits
}

/// "1:04", as a time line is read.
fn seconds_clock(seconds: f64) -> String {
    let clock = words::clock(seconds);
    clock.split('.').next().unwrap_or(&clock).to_owned()
}

/// The marks of a glyph.
pub fn ink(glyph: &Glyph) -> Markup {
    html! { @for mark in &glyph.marks {
        path class=(class(mark)) d=(svg::lines(&mark.lines)) {}
        @if let Some((x, y)) = mark.dot { circle.settled cx=(svg::px(x)) cy=(svg::px(y)) r=(DOT_PX) {} }
    } }
}

/// Its pen, in the page's style sheet.
fn class(mark: &GlyphMark) -> &'static str {
    match mark.kind {
        MarkKind::Stroke => "stroke",
        MarkKind::Bar => "bar",
        MarkKind::Air => "air",
        MarkKind::Approach => "approach",
        MarkKind::Growth => "growth",
        MarkKind::Held => "held",
        MarkKind::Foot => "foot",
    }
}
