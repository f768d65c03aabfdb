//! Two takes mirrored on one line, place by place: take A above, take B below. What differs is inked, what
//! agrees is faint, and a note that one take has not is a gap on its side.

use super::lane::{self, FULL_PX, ink, loudest_db};
use super::{note_name, spoken, svg};
use crate::compare::{Comparison, HeardTake, PairChange};
use crate::glyph::{self, GlyphScale, glyph};
use maud::{Markup, html};
use notefront_dsp::Entrance;
use notefront_dsp::align::Side;

/// Places of a tile, and px of a place.
const TILE: (usize, f64) = (10, 30.0);
/// Height of a half with its mark, px.
const HALF_PX: f64 = FULL_PX + 16.0;
/// Room for the names of the notes under both halves, px.
const NAMES_PX: f64 = 16.0;
/// Px of a second of a front: half a place holds 150 ms.
const FRONT_PX_PER_S: f64 = 90.0;

/// A place of the music in either take or both.
#[derive(Clone, Copy)]
enum Place<'a> {
    Both(&'a PairChange),
    Only(Side, usize),
}

/// The mirrored lane.
pub fn view(a: &HeardTake, b: &HeardTake, comparison: &Comparison) -> Markup {
    let (a, b) = (&a.take.entrances, &b.take.entrances);
    let mirror = Mirror { a, b, loudest: (loudest_db(a), loudest_db(b)) };
    let places = places(comparison);
    let (width, height) = (TILE.0 as f64 * TILE.1, 2.0 * HALF_PX + NAMES_PX);
    html! {
        div.lane tabindex="0" role="region" aria-label="Take A above the line, take B mirrored below it, drawn. The tables below say the same in words." {
            @for tile in places.chunks(TILE.0).take(lane::MAX_TILES) {
                svg.tile viewBox=(format!("0 0 {width} {height}")) aria-hidden="true" focusable="false" {
                    line.ground x1="0" y1=(HALF_PX) x2=(width) y2=(HALF_PX) {}
                    @for (k, place) in tile.iter().enumerate() { (mirror.place(*place, TILE.1 * (k as f64 + 0.5))) }
                }
            }
        }
    }
}

/// Pairs and lone entrances in the order of the music; lone ones of A come before those of B.
fn places(comparison: &Comparison) -> Vec<Place<'_>> {
    let alignment = &comparison.alignment;
    let mut only_a = alignment.only_in_a.iter().copied().peekable();
    let mut only_b = alignment.only_in_b.iter().copied().peekable();
    let mut places = Vec::new();
    for pair in &comparison.pairs {
        while let Some(i) = only_a.next_if(|&i| i < pair.pair.a) {
            places.push(Place::Only(Side::A, i));
        }
        while let Some(i) = only_b.next_if(|&i| i < pair.pair.b) {
            places.push(Place::Only(Side::B, i));
        }
        places.push(Place::Both(pair));
    }
    places.extend(only_a.map(|i| Place::Only(Side::A, i)));
    places.extend(only_b.map(|i| Place::Only(Side::B, i)));
    places
}

struct Mirror<'a> {
    a: &'a [Entrance],
    b: &'a [Entrance],
    loudest: (f64, f64),
}

impl Mirror<'_> {
    fn place(&self, place: Place, x: f64) -> Markup {
        match place {
            Place::Both(pair) => self.both(pair, x),
            Place::Only(side, i) => self.only(side, i, x),
        }
    }

    fn both(&self, pair: &PairChange, x: f64) -> Markup {
        let (in_a, in_b) = (&self.a[pair.pair.a], &self.b[pair.pair.b]);
        let is_alike = pair.better.is_none();
        html! {
            g.glyph.pair.flagged[!is_alike].alike[is_alike] data-for=(format!("p{}", pair.pair.a)) transform=(at(x)) {
                title { "A: " (spoken(in_a)) ". B: " (spoken(in_b)) }
                (self.half(in_a, Side::A))
                (self.half(in_b, Side::B))
                @match pair.better {
                    Some(Side::A) => (keep("A", -FULL_PX - 5.0)),
                    Some(Side::B) => (keep("B", FULL_PX + 13.0)),
                    None => {},
                }
                text.name y=(HALF_PX + 10.0) text-anchor="middle" { (note_name(in_a)) }
                rect.touch x="-13" y=(-HALF_PX) width="26" height=(2.0 * HALF_PX) {}
            }
        }
    }

    fn only(&self, side: Side, i: usize, x: f64) -> Markup {
        let (entrance, y) = match side {
            Side::A => (&self.a[i], 22.0),
            Side::B => (&self.b[i], -22.0),
        };
        html! {
            g.glyph.pair.lone transform=(at(x)) {
                title { "Only in " (if side == Side::A { "A" } else { "B" }) ": " (spoken(entrance)) }
                (self.half(entrance, side))
                path.gap d=(format!("M-4 {0}L4 {1}M-4 {1}L4 {0}", y - 4.0, y + 4.0)) {}
                text.name y=(HALF_PX + 10.0) text-anchor="middle" { (note_name(entrance)) }
            }
        }
    }

    fn half(&self, entrance: &Entrance, side: Side) -> Markup {
        let (loudest, place) = match side {
            Side::A => (self.loudest.0, glyph::Place::Upper),
            Side::B => (self.loudest.1, glyph::Place::Lower),
        };
        let scale = GlyphScale {
            line_px_per_s: None,
            front_px_per_s: FRONT_PX_PER_S,
            neighbours_px: (TILE.1, TILE.1),
            levels_db: glyph::levels_under(loudest),
            full_height_px: FULL_PX,
            place,
        };
        ink(&glyph(entrance, &entrance.verdict.faults, &scale))
    }
}

fn at(x: f64) -> String {
    format!("translate({} {HALF_PX})", svg::px(x))
}

/// The letter of the take to keep, at the end of its stroke.
fn keep(letter: &str, y: f64) -> Markup {
    html! { text.keep y=(svg::px(y)) text-anchor="middle" { (letter) } }
}
