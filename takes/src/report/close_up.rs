//! The close-up of one front as SVG: the pitch's way in, and the levels of tone and air, with axes.

use super::svg;
use crate::corridor::{Corridor, Edge};
use maud::{Markup, html};
use notefront_dsp::entrance::FRONT_POINTS;
use notefront_dsp::{Entrance, FaultName, FrontPicture, Told};

/// Size of the picture, px.
const SIZE: (f64, f64) = (560.0, 326.0);
/// Left, right edge of both panels, px.
const PANEL_X: (f64, f64) = (52.0, 548.0);
/// Top and bottom of the pitch panel and of the level panel, px.
const PITCH_Y: (f64, f64) = (16.0, 176.0);
const LEVEL_Y: (f64, f64) = (196.0, 286.0);
/// Time shown at least, ms from the onset. The picture itself ends where the analysis has seen enough.
const TIME_MS: (f64, f64) = (-100.0, 250.0);
/// Room after the last point for the names of the curves, ms.
const ROOM_AFTER_MS: f64 = 75.0;
/// Room before the air, ms.
const ROOM_MS: f64 = 25.0;
/// Most air shown, ms.
const MOST_AIR_MS: f64 = 900.0;
/// Levels shown, dB from the settled tone.
const LEVEL_DB: (f64, f64) = (-60.0, 12.0);
/// Least cents shown each way.
const LEAST_CENTS: f64 = 60.0;
/// Most cents shown each way: an octave and a little.
const MOST_CENTS: f64 = 1300.0;
/// Tone level under which its pitch is not drawn, dB from the settled tone: noise has no pitch.
const PITCH_FLOOR_DB: f32 = -30.0;

/// Axes of one close-up.
struct Axes {
    time_ms: (f64, f64),
    cents: (f64, f64),
}

impl Axes {
    fn of(entrance: &Entrance) -> Self {
        let air_ms = entrance.front.noise_before_tone_ms.map_or(0.0, |m| m.value);
        let air_ms = if air_ms.is_finite() { air_ms.min(MOST_AIR_MS) } else { 0.0 };
        let start = TIME_MS.0.min(-air_ms - ROOM_MS);
        let shown = points(entrance).map(|(_, cents)| cents);
        let (low, high) = shown.fold((0.0f64, 0.0f64), |(low, high), c| (low.min(c), high.max(c)));
        let reach = |most: f64| (most * 1.15).clamp(LEAST_CENTS, MOST_CENTS);
        let last_ms = points(entrance).map(|(ms, _)| ms).fold(0.0, f64::max);
        Self { time_ms: (start, TIME_MS.1.max(last_ms + ROOM_AFTER_MS)), cents: (-reach(-low), reach(high)) }
    }

    fn x(&self, ms: f64) -> f64 {
        PANEL_X.0 + (ms - self.time_ms.0) / (self.time_ms.1 - self.time_ms.0) * (PANEL_X.1 - PANEL_X.0)
    }

    fn cents_y(&self, cents: f64) -> f64 {
        let share = (cents.clamp(self.cents.0, self.cents.1) - self.cents.0) / (self.cents.1 - self.cents.0);
        PITCH_Y.1 - share * (PITCH_Y.1 - PITCH_Y.0)
    }
}

fn level_y(db: f64) -> f64 {
    let share = (db.clamp(LEVEL_DB.0, LEVEL_DB.1) - LEVEL_DB.0) / (LEVEL_DB.1 - LEVEL_DB.0);
    LEVEL_Y.1 - share * (LEVEL_Y.1 - LEVEL_Y.0)
}

/// Points of the pitch that stand for a tone: time in ms, cents.
fn points(entrance: &Entrance) -> impl Iterator<Item = (f64, f64)> {
    (0..FRONT_POINTS).filter_map(|i| pitch_point(&entrance.front.picture, i))
}

fn pitch_point(picture: &FrontPicture, i: usize) -> Option<(f64, f64)> {
    let is_tone = picture.tone_db[i] >= PITCH_FLOOR_DB && picture.pitch_cents[i].is_finite();
    is_tone.then(|| (FrontPicture::time_ms(i), f64::from(picture.pitch_cents[i])))
}

/// The picture of a front; `words` is what was heard, for those who do not see it.
pub fn close_up(entrance: &Entrance, words: &str) -> Markup {
    let axes = Axes::of(entrance);
    let corridor = Corridor::of(&entrance.front, axes.time_ms.1);
    let words = corridor.as_ref().map_or_else(|| words.to_owned(), |c| format!("{words}; {}", c.words()));
    let speaks = axes.x((entrance.front.speaks_s - entrance.front.onset_s) * 1e3);
    html! {
        svg.close-up viewBox=(format!("0 0 {} {}", SIZE.0, SIZE.1)) role="img" aria-label=(words) {
            (behind(corridor.as_ref(), &axes))
            (time_axis(&axes))
            (cents_axis(&axes))
            (level_axis())
            (air(entrance, &axes))
            line.stroke x1=(svg::px(speaks)) y1=(PITCH_Y.0) x2=(svg::px(speaks)) y2=(LEVEL_Y.1) {}
            (beat(entrance, &axes))
            path.pitch d=(svg::broken_curve((0..FRONT_POINTS).map(|i| {
                pitch_point(&entrance.front.picture, i).map(|(ms, cents)| (axes.x(ms), axes.cents_y(cents)))
            }))) {}
            path.noise d=(level_curve(&entrance.front.picture.noise_db, &axes)) {}
            path.tone d=(level_curve(&entrance.front.picture.tone_db, &axes)) {}
            (labels(entrance, &axes))
        }
    }
}

/// Where clear fronts of this kind lie: pitch and level.
fn behind(corridor: Option<&Corridor>, axes: &Axes) -> Markup {
    let Some(corridor) = corridor else { return html! {} };
    let inside = |edges: &[Edge], y: &dyn Fn(f64) -> f64| {
        let upper = edges.iter().map(|e| (axes.x(e.ms), y(e.high)));
        let lower = edges.iter().rev().map(|e| (axes.x(e.ms), y(e.low)));
        svg::lines(&[upper.chain(lower).collect::<Vec<_>>()])
    };
    html! {
        path.clear d=(inside(&corridor.pitch, &|cents| axes.cents_y(cents))) {}
        path.clear d=(inside(&corridor.level, &level_y)) {}
        @if !corridor.pitch.is_empty() {
            text.clear-name x=(PANEL_X.1 - 4.0) y=(svg::px(axes.cents_y(0.0) + 4.0)) text-anchor="end" { "clear fronts" }
        }
    }
}

fn time_axis(axes: &Axes) -> Markup {
    let step = if axes.time_ms.1 - axes.time_ms.0 > 800.0 { 200.0 } else { 100.0 };
    let ticks = ticks(axes.time_ms, step);
    html! {
        g.axis {
            @for ms in ticks {
                line x1=(svg::px(axes.x(ms))) y1=(PITCH_Y.0) x2=(svg::px(axes.x(ms))) y2=(LEVEL_Y.1) {}
                text x=(svg::px(axes.x(ms))) y=(LEVEL_Y.1 + 15.0) text-anchor="middle" { (minus(ms)) }
            }
            text x=(PANEL_X.1) y=(LEVEL_Y.1 + 32.0) text-anchor="end" { "milliseconds from the onset of the tone" }
        }
    }
}

fn cents_axis(axes: &Axes) -> Markup {
    let span = axes.cents.1 - axes.cents.0;
    let step = [25.0, 50.0, 100.0, 200.0, 400.0].into_iter().find(|s| span / s <= 6.0).unwrap_or(600.0);
    html! {
        g.axis {
            @for cents in ticks(axes.cents, step) {
                text x=(PANEL_X.0 - 6.0) y=(svg::px(axes.cents_y(cents) + 4.0)) text-anchor="end" { (minus(cents)) }
            }
            text x="4" y=(PITCH_Y.0 - 4.0) { "cents" }
        }
    }
}

fn level_axis() -> Markup {
    html! {
        g.axis {
            line.frame x1=(PANEL_X.0) y1=(LEVEL_Y.1) x2=(PANEL_X.1) y2=(LEVEL_Y.1) {}
            line.frame x1=(PANEL_X.0) y1=(PITCH_Y.1) x2=(PANEL_X.1) y2=(PITCH_Y.1) {}
            @for db in [-60.0, -40.0, -20.0, 0.0] {
                text x=(PANEL_X.0 - 6.0) y=(svg::px(level_y(db) + 4.0)) text-anchor="end" { (minus(db)) }
            }
            text x="4" y=(LEVEL_Y.0 - 4.0) { "dB" }
        }
    }
}

fn level_curve(db: &[f32; FRONT_POINTS], axes: &Axes) -> String {
    svg::broken_curve((0..FRONT_POINTS).map(|i| {
        let level = f64::from(db[i]);
        (level >= LEVEL_DB.0).then(|| (axes.x(FrontPicture::time_ms(i)), level_y(level)))
    }))
}

/// Air before the tone, hatched as on the lane.
fn air(entrance: &Entrance, axes: &Axes) -> Markup {
    let air_ms = entrance.front.noise_before_tone_ms.map_or(0.0, |m| m.value);
    if entrance.verdict.faults.get(FaultName::Airy).is_none() || air_ms.is_nan() || air_ms <= 0.0 {
        return html! {};
    }
    let (from, to) = (axes.x(-air_ms.min(MOST_AIR_MS)), axes.x(0.0));
    let lines: Vec<_> = (1..20)
        .map(|i| PITCH_Y.0 + 8.0 * f64::from(i))
        .take_while(|&y| y < PITCH_Y.1 - 4.0)
        .map(|y| [(from, y), (to - 2.0, y)])
        .collect();
    html! { path.hatch d=(svg::lines(&lines)) {} }
}

fn beat(entrance: &Entrance, axes: &Axes) -> Markup {
    let Ok(timing) = entrance.verdict.timing_ms else { return html! {} };
    let ms = (entrance.front.speaks_s - entrance.front.onset_s) * 1e3 - timing.value;
    if !(axes.time_ms.0..=axes.time_ms.1).contains(&ms) {
        return html! {};
    }
    let x = axes.x(ms);
    // The word stands on the side where the stroke is not.
    let (word_x, anchor) = if timing.value > 0.0 { (x - 3.0, "end") } else { (x + 3.0, "start") };
    html! {
        line.beat x1=(svg::px(x)) y1=(PITCH_Y.0) x2=(svg::px(x)) y2=(LEVEL_Y.1) {}
        text.beat-name x=(svg::px(word_x)) y=(PITCH_Y.1 - 5.0) text-anchor=(anchor) { "beat" }
    }
}

fn labels(entrance: &Entrance, axes: &Axes) -> Markup {
    let far = PANEL_X.1 - 4.0;
    let texts = [
        amount(entrance.front.onset_cents, "cents").map(|t| format!("in at {t}")),
        amount(entrance.front.settle_ms, "ms").map(|t| format!("settled after {t}")),
    ];
    // Words keep to the half of the panel that the curve leaves free.
    let mean = points(entrance).filter(|(ms, _)| *ms > 0.0).fold(0.0, |sum, (_, cents)| sum + cents);
    let top = if mean < 0.0 { PITCH_Y.1 - 34.0 } else { PITCH_Y.0 + 16.0 };
    let settled = entrance.front.settle_ms.ok().map(|m| m.value).filter(|ms| *ms > 0.0 && *ms < axes.time_ms.1);
    html! {
        g.label {
            @for (i, text) in texts.iter().flatten().enumerate() {
                text x=(far) y=(svg::px(top + 16.0 * i as f64)) text-anchor="end" { (text) }
            }
            text.tone-name x=(far) y=(svg::px(level_y(0.0) - 5.0)) text-anchor="end" { "tone" }
            @if let Some(level) = last_noise(&entrance.front.picture) {
                text.noise-name x=(far) y=(svg::px((level_y(level) - 5.0).min(LEVEL_Y.1 - 4.0))) text-anchor="end" { "air and room" }
            }
            @if let Some(ms) = settled {
                circle.settled cx=(svg::px(axes.x(ms))) cy=(svg::px(axes.cents_y(0.0))) r="3.5" {}
            }
        }
    }
}

fn last_noise(picture: &FrontPicture) -> Option<f64> {
    let known = picture.noise_db.iter().rev().copied().find(|db| db.is_finite())?;
    Some(f64::from(known))
}

/// "-71 ± 4 cents", with a true minus.
fn amount(told: Told, unit: &str) -> Option<String> {
    let m = told.ok().filter(|m| m.value.is_finite())?;
    Some(format!("{} ± {:.0} {unit}", minus(m.value), m.uncertainty))
}

/// A whole number with a true minus sign.
pub fn minus(value: f64) -> String {
    let rounded = value.round();
    if rounded < 0.0 { format!("\u{2212}{:.0}", -rounded) } else { format!("{:.0}", rounded.abs()) }
}

fn ticks(range: (f64, f64), step: f64) -> Vec<f64> {
    let first = (range.0 / step).ceil() as i64;
    let last = (range.1 / step).floor() as i64;
    (first..=last).map(|k| k as f64 * step).collect()
}
