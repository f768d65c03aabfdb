//! The lane as SVG: the take in tiles that flow like lines of music, one glyph for each entrance.

use super::svg;
use crate::beats::Beats;
use crate::compare::{Comparison, HeardTake, PairChange};
use crate::glyph::{Glyph, GlyphScale, glyph};
use crate::words;
use maud::{Markup, html};
use notefront_dsp::Entrance;
use notefront_dsp::align::Side;

/// Seconds of a tile without a grid.
const TILE_S: f64 = 4.0;
/// Beats of a tile with one.
const TILE_BEATS: f64 = 4.0;
/// Shortest and longest tile, s: a grid of any tempo stays readable.
const TILE_RANGE_S: (f64, f64) = (2.0, 6.0);
/// Size of a tile, px.
const TILE_PX: (f64, f64) = (300.0, 112.0);
/// Where the foot of every stroke stands, px from the top.
const BASE_PX: f64 = 84.0;
/// Height of the tallest stroke, px.
const FULL_PX: f64 = 66.0;
/// Fronts are drawn so many times wider than the time line.
pub const FRONT_STRETCH: f64 = 2.5;
/// Px kept free between a glyph's marks and its neighbour.
const MARGIN_PX: f64 = 5.0;
/// Most tiles drawn: 20 000 entrances stay a page that opens. Longer takes are cut, and it is said.
const MAX_TILES: usize = 1_500;
/// Pairs of a tile of the mirrored lane, and px of a pair.
const MIRROR: (usize, f64) = (10, 30.0);

/// The lane of a take. `id` names an entrance's place on the page.
pub fn lane(heard: &HeardTake, id: impl Fn(&Entrance) -> String) -> Markup {
    let entrances = &heard.take.entrances;
    let tiles = Tiles::new(heard.take.beats.as_ref());
    let loudest = loudest_db(entrances);
    let mut groups: Vec<(i64, std::ops::Range<usize>)> = Vec::new();
    for (i, entrance) in entrances.iter().enumerate() {
        let tile = tiles.of(entrance.speaks_s);
        match groups.last_mut() {
            Some((last, range)) if *last == tile => range.end = i + 1,
            _ => groups.push((tile, i..i + 1)),
        }
    }
    let num_left_out = groups.len().saturating_sub(MAX_TILES);
    html! {
        div.lane tabindex="0" role="region" aria-label="The lane: every entrance in its place, drawn. The table below says the same in words." {
            @for (k, (tile, range)) in groups.iter().take(MAX_TILES).enumerate() {
                @if k > 0 && tile - groups[k - 1].0 > 1 {
                    span.rest aria-hidden="true" { (format!("{:.0} s", (tile - groups[k - 1].0 - 1) as f64 * tiles.seconds)) }
                }
                (tile_svg(&tiles, *tile, entrances, range.clone(), loudest, &id))
            }
        }
        @if num_left_out > 0 {
            p.remark { "The lane ends here: " (num_left_out) " more stretches of this long take are left out of the picture. The list of the worst entrances covers them." }
        }
    }
}

fn loudest_db(entrances: &[Entrance]) -> f64 {
    entrances.iter().map(|e| e.level_db).filter(|db| db.is_finite()).fold(f64::NEG_INFINITY, f64::max)
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

fn tile_svg(
    tiles: &Tiles,
    tile: i64,
    entrances: &[Entrance],
    range: std::ops::Range<usize>,
    loudest: f64,
    id: &impl Fn(&Entrance) -> String,
) -> Markup {
    let (width, height) = TILE_PX;
    let start_s = tiles.start_s(tile).max(0.0);
    html! {
        svg.tile viewBox=(format!("0 0 {width} {height}")) width=(width) height=(height) aria-hidden="true" focusable="false" {
            line.ground x1="0" y1=(BASE_PX) x2=(width) y2=(BASE_PX) {}
            @for x in tiles.beats(tile) {
                line.beat x1=(svg::px(x)) y1=(BASE_PX + 2.0) x2=(svg::px(x)) y2=(BASE_PX + 9.0) {}
            }
            text.clock x="2" y=(height - 4.0) { (words::clock(start_s)) }
            @for i in range {
                (placed(tiles, tile, entrances, i, loudest, id))
            }
        }
    }
}

fn placed(
    tiles: &Tiles,
    tile: i64,
    entrances: &[Entrance],
    i: usize,
    loudest: f64,
    id: &impl Fn(&Entrance) -> String,
) -> Markup {
    let entrance = &entrances[i];
    let px_to = |other: Option<&Entrance>| {
        other.map_or(TILE_PX.0, |other| (other.speaks_s - entrance.speaks_s).abs() * tiles.px_per_s())
    };
    let scale = GlyphScale {
        front_px_per_s: tiles.px_per_s() * FRONT_STRETCH,
        room_before_px: (0.5 * px_to(i.checked_sub(1).map(|i| &entrances[i])) - MARGIN_PX).max(2.0),
        room_after_px: (0.5 * px_to(entrances.get(i + 1)) - MARGIN_PX).max(2.0),
        full_level_db: loudest,
        full_height_px: FULL_PX,
    };
    let drawn = glyph(entrance, &scale);
    let x = tiles.x(tile, entrance.speaks_s);
    let length_s = entrance.end_s.map_or(0.0, |end| end - entrance.speaks_s);
    let body = (length_s * tiles.px_per_s()).min(px_to(entrances.get(i + 1)) - 2.0).max(0.0);
    html! {
        g.glyph.flagged[entrance.is_flagged()] data-for=(id(entrance)) transform=(format!("translate({} {BASE_PX})", svg::px(x))) {
            title { (super::spoken(entrance)) }
            rect.body x="2" y=(svg::px(-0.8 * drawn.height)) width=(svg::px(body)) height=(svg::px(0.8 * drawn.height)) {}
            (ink(&drawn, 1.0))
            rect.touch x="-10" y=(svg::px(-FULL_PX - 6.0)) width="22" height=(svg::px(FULL_PX + 14.0)) {}
        }
    }
}

/// The lines of a glyph; `up` is -1 to mirror it below the line.
fn ink(glyph: &Glyph, up: f64) -> Markup {
    let lines = |lines: &[[(f64, f64); 2]]| svg::lines(lines, up);
    html! {
        @if !glyph.air.is_empty() { path.air d=(lines(&glyph.air)) {} }
        path.stroke d=(lines(&glyph.strokes)) {}
        @if !glyph.marks.is_empty() { path.mark d=(lines(&glyph.marks)) {} }
        @if let Some(last) = glyph.approach.last() {
            path.approach d=(svg::curve(&glyph.approach, up)) {}
            circle.settled cx=(svg::px(last.0)) cy=(svg::px(last.1 * up)) r="2" {}
        }
        @if let Some(foot) = glyph.foot { path.foot d=(lines(&[foot])) {} }
    }
}

/// Two takes mirrored on the beat line, aligned note by note: what differs is inked, what agrees is faint.
pub fn mirrored(a: &HeardTake, b: &HeardTake, comparison: &Comparison) -> Markup {
    let (per_tile, step) = MIRROR;
    let scale = |entrances: &[Entrance]| GlyphScale {
        front_px_per_s: 90.0,
        room_before_px: 0.5 * step - 2.0,
        room_after_px: 0.5 * step - 2.0,
        full_level_db: loudest_db(entrances),
        full_height_px: FULL_PX,
    };
    let scales = (scale(&a.take.entrances), scale(&b.take.entrances));
    let (width, half) = (per_tile as f64 * step, FULL_PX + 12.0);
    html! {
        div.lane tabindex="0" role="region" aria-label="Take A above the line, take B mirrored below it, drawn. The table below says the same in words." {
            @for pairs in comparison.pairs.chunks(per_tile).take(MAX_TILES) {
                svg.tile viewBox=(format!("0 0 {width} {}", 2.0 * half)) width=(width) height=(2.0 * half) aria-hidden="true" focusable="false" {
                    line.ground x1="0" y1=(half) x2=(width) y2=(half) {}
                    @for (k, pair) in pairs.iter().enumerate() {
                        (mirrored_pair(a, b, pair, &scales, (step * (k as f64 + 0.5), half)))
                    }
                }
            }
        }
    }
}

fn mirrored_pair(
    a: &HeardTake,
    b: &HeardTake,
    pair: &PairChange,
    scales: &(GlyphScale, GlyphScale),
    at: (f64, f64),
) -> Markup {
    let (in_a, in_b) = (&a.take.entrances[pair.pair.a], &b.take.entrances[pair.pair.b]);
    let class = match pair.better {
        Some(Side::A) => "glyph pair flagged better-a",
        Some(Side::B) => "glyph pair flagged better-b",
        None => "glyph pair",
    };
    html! {
        g class=(class) data-for=(format!("p{}", pair.pair.a)) transform=(format!("translate({} {})", svg::px(at.0), svg::px(at.1))) {
            title { "A: " (super::spoken(in_a)) ". B: " (super::spoken(in_b)) }
            g.half-a { (ink(&glyph(in_a, &scales.0), 1.0)) }
            g.half-b { (ink(&glyph(in_b, &scales.1), -1.0)) }
            rect.touch x="-13" y=(-FULL_PX) width="26" height=(2.0 * FULL_PX) {}
        }
    }
}
