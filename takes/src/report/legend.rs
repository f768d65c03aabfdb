//! How to read the lane: one drawn example of each mark, made by the same hand as the lane itself.

use super::{lane, svg};
use crate::glyph::{self, GlyphScale, glyph};
use maud::{Markup, html};
use notefront_dsp::entrance::Smear;
use notefront_dsp::verdict::table;
use notefront_dsp::{Entrance, Evidence, Fault, FaultName, Faults, Front, FrontPicture, Measure, Told, Verdict};

/// Size of an example, px.
const SIZE_PX: (f64, f64) = (64.0, 64.0);
/// Where its stroke stands, px.
const FOOT_PX: (f64, f64) = (32.0, 56.0);
/// Height of its stroke, px.
const STROKE_PX: f64 = 46.0;

/// The marks that occur in these entrances.
pub fn view(entrances: &[Entrance]) -> Markup {
    let Some(any) = entrances.first() else { return html! {} };
    let mut clear = *any;
    clear.verdict.faults = Faults::default();
    let occurs = |name: &FaultName| entrances.iter().any(|e| e.verdict.faults.get(*name).is_some());
    html! {
        details.read { summary { h3 { "How to read the lane" } }
        ul.legend aria-label="How to read the lane" {
            li { (drawn(&clear)) span { "clear: a bare stroke, as tall as it is loud" } }
            @for name in FaultName::ALL.into_iter().filter(occurs) {
                li { (drawn(&example(clear, name))) span { (meaning(name)) } }
            }
        }
        p.facts { "Numbers over the strokes are those of the close-ups below. Fronts are drawn wider than the time line, as far as there is room; a foot goes to the beat itself. The pale shape behind is the sounding note. A ring is what you said yourself; an entrance you added is dashed." }
        }
    }
}

fn meaning(name: FaultName) -> String {
    let row = table::row(name);
    format!("{}: {}", row.word, row.mark)
}

/// A clear entrance with one fault put on it, of a size that shows.
fn example(clear: Entrance, name: FaultName) -> Entrance {
    let told = |value| -> Told { Ok(Measure { value, uncertainty: 1.0 }) };
    let mut faults = Faults::default();
    faults.insert(Fault { name, severity: 0.5, sureness: 1.0 });
    let smear = Smear { rate_cents_per_s: 1000.0, depth_cents: -100.0, duration_ms: 100.0, probability: 1.0 };
    let front = Front {
        noise_before_tone_ms: told(110.0),
        noise_before_tone_db: told(-18.0),
        approach_cents: told(if name == FaultName::Above { 40.0 } else { -40.0 }),
        onset_cents: told(if name == FaultName::Above { 80.0 } else { -80.0 }),
        settle_ms: told(120.0),
        attack_ms: told(110.0),
        evidence: Evidence { smear: Some(smear), held_breath_ms: Some(150.0), ..Evidence::default() },
        picture: FrontPicture::empty(),
        ..clear.front
    };
    let timing_ms = told(if name == FaultName::Early { -70.0 } else { 70.0 });
    Entrance { front, verdict: Verdict { timing_ms, faults, ..clear.verdict } }
}

fn drawn(entrance: &Entrance) -> Markup {
    let scale = GlyphScale {
        line_px_per_s: None,
        front_px_per_s: glyph::FRONT_PX_PER_S,
        neighbours_px: (SIZE_PX.0, SIZE_PX.0),
        levels_db: glyph::levels_under(entrance.front.level_db),
        full_height_px: STROKE_PX,
        place: glyph::Place::Ground,
    };
    html! {
        svg viewBox=(format!("0 0 {} {}", SIZE_PX.0, SIZE_PX.1)) width=(SIZE_PX.0) height=(SIZE_PX.1) aria-hidden="true" focusable="false" {
            line.ground x1="4" y1=(svg::px(FOOT_PX.1)) x2=(SIZE_PX.0 - 4.0) y2=(svg::px(FOOT_PX.1)) {}
            g.glyph.flagged.still transform=(format!("translate({} {})", FOOT_PX.0, FOOT_PX.1)) { (lane::ink(&glyph(entrance, &entrance.verdict.faults, &scale))) }
        }
    }
}
