//! The close-up of one front as SVG. Its geometry is that of the insert too.

use super::svg;
use crate::front_view::{Frame, FrontView, Word, WordKind};
use maud::{Markup, html};
use notefront_dsp::Entrance;

pub use crate::front_view::minus;

/// Size of the picture and height of its letters, px: on a phone it is drawn at little less than that, and letters stay
/// over 11 px.
const SIZE: (f64, f64) = (340.0, 290.0);
const TEXT_PX: f64 = 14.5;

/// The picture of a front; `words` is what was heard, for those who do not see it.
pub fn close_up(entrance: &Entrance, words: &str) -> Markup {
    let view = FrontView::of(entrance, Frame::new(SIZE.0, SIZE.1, TEXT_PX));
    let frame = view.frame;
    let words = view.corridor_words.as_ref().map_or_else(|| words.to_owned(), |c| format!("{words}; {c}"));
    html! {
        svg.close-up viewBox=(format!("0 0 {} {}", SIZE.0, SIZE.1)) role="img" aria-label=(words)
            data-from=(svg::px(view.time_ms.0)) data-to=(svg::px(view.time_ms.1)) data-onset=(format!("{:.4}", entrance.front.onset_s))
            data-left=(svg::px(frame.x.0)) data-right=(svg::px(frame.x.1)) {
            @for outline in view.clear.iter().filter(|outline| !outline.is_empty()) { path.clear d=(svg::lines(&[outline])) {} }
            g.axis {
                @for x in &view.time_lines { line x1=(svg::px(*x)) y1=(svg::px(frame.pitch_y.0)) x2=(svg::px(*x)) y2=(svg::px(frame.level_y.1)) {} }
                @for (_, y) in [frame.pitch_y, frame.level_y] { line.frame x1=(svg::px(frame.x.0)) y1=(svg::px(y)) x2=(svg::px(frame.x.1)) y2=(svg::px(y)) {} }
            }
            @if !view.air.is_empty() { path.hatch d=(svg::lines(&view.air)) {} }
            (upright("stroke", view.speaks_x, frame))
            @if let Some(x) = view.beat_x { (upright("beat", x, frame)) }
            path.pitch d=(svg::broken_curve(view.pitch.iter().copied())) {}
            path.noise d=(svg::broken_curve(view.noise.iter().copied())) {}
            path.tone d=(svg::broken_curve(view.tone.iter().copied())) {}
            @if let Some((x, y)) = view.settled { circle.settled cx=(svg::px(x)) cy=(svg::px(y)) r="3.5" {} }
            @for word in &view.words { (text(word)) }
        }
    }
}

fn upright(class: &str, x: f64, frame: Frame) -> Markup {
    html! { line class=(class) x1=(svg::px(x)) y1=(svg::px(frame.pitch_y.0)) x2=(svg::px(x)) y2=(svg::px(frame.level_y.1)) {} }
}

fn text(word: &Word) -> Markup {
    let anchor = match word.end {
        -1 => "start",
        0 => "middle",
        _ => "end",
    };
    let class = match word.kind {
        WordKind::Axis => "on-axis",
        WordKind::Beat => "beat-name",
        WordKind::Clear => "clear-name",
        WordKind::Pitch | WordKind::Tone | WordKind::Noise => "label",
    };
    html! { text class=(class) x=(svg::px(word.at.0)) y=(svg::px(word.at.1)) text-anchor=(anchor) { (word.text) } }
}
