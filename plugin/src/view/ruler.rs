//! The line under the lane: bars and beats where the host gives them, seconds otherwise.

use super::scale::TimeScale;
use crate::beats::BeatMap;
use crate::words;

/// Least distance of two labels, pixels.
const LABEL_PX: f64 = 64.0;
/// Least distance of two beats, pixels.
const BEAT_PX: f64 = 9.0;
/// Most marks on a screen; a broken tempo cannot draw more.
const MAX_MARKS: usize = 2000;

/// One mark of the ruler.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its time, seconds of the pass.
    pub s: f64,
    /// Its label; beats have none.
    pub label: Option<String>,
    /// A bar (or a labelled second), not a mere beat.
    pub strong: bool,
}

/// The marks on the screen.
#[must_use]
pub fn marks(beats: &BeatMap, scale: &TimeScale) -> Vec<Mark> {
    if beats.is_empty() { seconds(scale) } else { bars(beats, scale) }
}

fn bars(beats: &BeatMap, scale: &TimeScale) -> Vec<Mark> {
    let mut marks = Vec::new();
    let bends = beats.bends();
    for (i, bend) in bends.iter().enumerate() {
        let from_s = if i == 0 { scale.left_s } else { bend.at_s.max(scale.left_s) };
        let to_s = bends.get(i + 1).map_or(scale.right_s(), |b| b.at_s.min(scale.right_s()));
        let beat_px = bend.beat_beats * 60.0 / bend.tempo_bpm * scale.px_per_s;
        let bar_px = beat_px * bend.bar_beats / bend.beat_beats;
        // Bars are labelled 1, 2, 4, 8... apart, so that labels never touch.
        let every = (LABEL_PX / bar_px).log2().ceil().exp2().max(1.0) as i64;
        let step = if beat_px >= BEAT_PX { bend.beat_beats } else { bend.bar_beats };
        let phase = bend.bar_start_beats.rem_euclid(bend.bar_beats);
        let position = |s: f64| bend.beats + (s - bend.at_s) * bend.tempo_bpm / 60.0;
        let mut n = ((position(from_s) - phase) / step).ceil();
        while marks.len() < MAX_MARKS {
            let at = phase + n * step;
            let s = bend.at_s + (at - bend.beats) * 60.0 / bend.tempo_bpm;
            if s >= to_s {
                break;
            }
            let bar = ((at - phase) / bend.bar_beats + 1e-9).floor();
            let is_bar = ((at - phase) - bar * bend.bar_beats).abs() < 1e-6;
            let number = bar as i64 + 1;
            let is_labelled = is_bar && (number - 1).rem_euclid(every) == 0;
            if is_bar && bar_px < BEAT_PX && !is_labelled {
                n += 1.0;
                continue;
            }
            marks.push(Mark { s, label: is_labelled.then(|| format!("bar {number}")), strong: is_bar });
            n += 1.0;
        }
    }
    marks
}

fn seconds(scale: &TimeScale) -> Vec<Mark> {
    const STEPS_S: [f64; 14] = [0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 900.0, 3600.0];
    let step = STEPS_S.into_iter().find(|s| s * scale.px_per_s >= LABEL_PX).unwrap_or(14_400.0);
    let first = (scale.left_s / step).ceil().max(0.0) as u64;
    (first..)
        .map(|n| n as f64 * step)
        .take_while(|s| *s < scale.right_s())
        .take(MAX_MARKS)
        .map(|s| {
            let label = if step < 1.0 { format!("{s:.2} s") } else { words::clock(s) };
            Mark { s, label: Some(label), strong: true }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fixture;

    #[test]
    fn bars_and_beats_stand_where_the_host_says() {
        // 60 a minute in 4/4: bars at 0, 4, 8 s.
        let pass = fixture::pass_at_60(&[1.0]);
        let scale = TimeScale { left_s: 0.0, px_per_s: 50.0, x0: 0.0, width: 450.0 };
        let marks = marks(&pass.beats, &scale);
        let labelled: Vec<(f64, &str)> = marks.iter().filter_map(|m| Some((m.s, m.label.as_deref()?))).collect();
        assert_eq!(labelled, [(0.0, "bar 1"), (4.0, "bar 2"), (8.0, "bar 3")]);
        assert_eq!(marks.len(), 9);
    }

    #[test]
    fn labels_never_touch() {
        let pass = fixture::pass_at_60(&[1.0]);
        for px_per_s in [0.01, 0.3, 2.0, 17.0, 80.0, 2500.0] {
            for beats in [&pass.beats, &BeatMap::default()] {
                let scale = TimeScale { left_s: -2.0, px_per_s, x0: 0.0, width: 900.0 };
                let marks = marks(beats, &scale);
                let labelled: Vec<f64> = marks.iter().filter(|m| m.label.is_some()).map(|m| m.s).collect();
                assert!(labelled.windows(2).all(|w| (w[1] - w[0]) * px_per_s > LABEL_PX - 1e-6), "{px_per_s}");
                assert!(marks.len() < 200);
            }
        }
    }
}
