//! The whole analysis behind one door: `push` samples, take measured fronts out.

use crate::air;
use crate::coarse::Note;
use crate::decode::{NoteFinder, note_midi};
use crate::entrance::Front;
use crate::framer::{Decimated, Framer, History};
use crate::measure::Measurer;
use crate::observe::Frames;
use crate::settings::{Settings, SettingsError};
use crate::slide;
use crate::verdict::Entrance;
use std::collections::VecDeque;

/// What the analysis reports, in the order of the sound.
#[derive(Debug, Clone, Copy, PartialEq)]
#[expect(clippy::large_enum_variant, reason = "boxing a front would allocate while running")]
pub enum Event {
    /// The front of an entrance, measured, about 0.7 s after its onset. `end_s` is set when the note ended by then.
    Front(Front),
    /// The note of an entrance told earlier has ended.
    End {
        /// Index of the entrance.
        index: usize,
        /// End of its note, seconds.
        end_s: f64,
    },
}

/// Rates the analysis takes, in Hz \[T\].
pub const SAMPLE_RATE_RANGE_HZ: (f64, f64) = (8_000.0, 192_000.0);

/// Why an analysis cannot start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AnalyzerError {
    /// Sample rate outside [`SAMPLE_RATE_RANGE_HZ`].
    SampleRateOutOfRange(f64),
    /// A setting that cannot be used.
    Settings(SettingsError),
}

impl std::fmt::Display for AnalyzerError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::SampleRateOutOfRange(hz) => write!(f, "a sample rate of {hz} Hz is outside 8 to 192 kHz"),
            Self::Settings(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for AnalyzerError {}

/// Streaming analysis of one mono signal. Allocates in `new` only.
pub struct Analyzer {
    rate_hz: f64,
    settings: Settings,
    framer: Framer,
    history: History,
    frames: Frames,
    finder: NoteFinder,
    measurer: Measurer,
    events: VecDeque<Event>,
    num_dropped: u64,
    clips: Clips,
}

/// Events that can wait to be taken out \[T\].
const MAX_EVENTS: usize = 256;
/// Seconds of sound kept: measuring looks back about 1.2 s from 0.9 s after an onset \[T\].
const HISTORY_S: f64 = 3.0;
/// A note is measured this long after its coarse start, or when it has ended, s \[T\].
const MEASURE_AFTER_S: f64 = 0.680;
/// ... but not before a second start could have come, s \[T\].
const MEASURE_EARLIEST_S: f64 = 0.250;

impl Analyzer {
    /// An analysis of a signal at `sample_rate_hz`.
    ///
    /// # Errors
    /// A rate or a setting outside its range.
    pub fn new(sample_rate_hz: f64, settings: Settings) -> Result<Self, AnalyzerError> {
        settings.validate().map_err(AnalyzerError::Settings)?;
        if !(SAMPLE_RATE_RANGE_HZ.0..=SAMPLE_RATE_RANGE_HZ.1).contains(&sample_rate_hz) {
            return Err(AnalyzerError::SampleRateOutOfRange(sample_rate_hz));
        }
        let framer = Framer::new(sample_rate_hz);
        let rate_hz = sample_rate_hz / framer.factor() as f64;
        Ok(Self {
            rate_hz,
            settings,
            framer,
            history: History::new((HISTORY_S * rate_hz) as usize),
            frames: Frames::new(rate_hz),
            finder: NoteFinder::new(),
            measurer: Measurer::new(rate_hz, settings),
            events: VecDeque::with_capacity(MAX_EVENTS),
            num_dropped: 0,
            clips: Clips::new(sample_rate_hz),
        })
    }

    /// The settings it runs with.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Takes the next samples, in blocks of any size.
    pub fn push(&mut self, block: &[f32]) {
        for &sample in block {
            let decimated = self.framer.push(sample);
            if let Some(at) = self.framer.last_clip() {
                self.clips.note(at);
            }
            if let Some(decimated) = decimated {
                self.take(decimated);
            }
        }
    }

    fn take(&mut self, decimated: Decimated) {
        self.history.push(decimated);
        if self.frames.advance(&self.history) {
            self.finder.advance(&self.frames, false);
            self.measurer.listen(&self.history);
            self.tell(false);
        }
    }

    /// Says that no more samples come: what is pending is told now.
    pub fn finish(&mut self) {
        // Silence flushes the filter and lets the last notes see past their end.
        for _ in 0..(FLUSH_S * self.rate_hz) as usize * self.framer.factor() {
            self.push(&[0.0]);
        }
        self.finder.advance(&self.frames, true);
        self.tell(true);
    }

    /// Back to the state of `new`, with the same rate and settings, without allocating.
    pub fn reset(&mut self) {
        self.framer.clear();
        self.history.clear();
        self.frames.clear();
        self.finder.clear();
        self.measurer.clear();
        self.events.clear();
        self.num_dropped = 0;
        self.clips.clear();
    }

    /// Measures the notes that are ripe and tells the ends of those told before.
    fn tell(&mut self, all: bool) {
        while let Some(note) = self.finder.notes().front().copied() {
            if !note.is_told {
                if !all && !self.is_ripe(&note) {
                    return;
                }
                self.measure(note);
                self.finder.mark_told();
            }
            let Some(end) = note.end else { return };
            let end = self.frames.centre(end);
            if let Some(index) = self.measurer.end_note(end) {
                self.send(Event::End { index, end_s: end as f64 / self.rate_hz });
            }
            self.finder.pop();
        }
    }

    fn measure(&mut self, note: Note) {
        let until = self.finder.is_alone_until(&self.frames, &note);
        if !self.finder.is_played(&self.frames, &note, until) {
            return;
        }
        let seen = Note { midi: note_midi(&self.frames, &note, until), ..note };
        let (sounds_until, floor_db) = (self.finder.sounds_until(&self.frames, &note), self.finder.floor_db());
        if let Some(front) = self.measurer.measure(&self.history, &self.frames, &seen, sounds_until, floor_db) {
            self.send(Event::Front(front));
        }
    }

    fn is_ripe(&self, note: &Note) -> bool {
        let age = self.frames.len() - note.start;
        age >= self.frames.count(MEASURE_AFTER_S)
            || (note.end.is_some() && age >= self.frames.count(MEASURE_EARLIEST_S))
    }

    fn send(&mut self, event: Event) {
        if self.events.len() == MAX_EVENTS {
            self.num_dropped += 1;
        } else {
            self.events.push_back(event);
        }
    }

    /// The next event, if one is ready. Take them out after every `push`: when more than 256 wait,
    /// the oldest are kept, further ones are dropped and counted.
    pub fn next_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Samples that were not numbers (NaN or infinite) and were taken as 0.
    #[must_use]
    pub fn num_bad_samples(&self) -> u64 {
        self.framer.num_bad()
    }

    /// Events lost because nobody took them out.
    #[must_use]
    pub fn num_dropped_events(&self) -> u64 {
        self.num_dropped
    }

    /// Starts, in seconds, of stretches at full scale: the first 32 of them.
    #[must_use]
    pub fn clipped_at_s(&self) -> &[f64] {
        self.clips.starts()
    }
}

/// Silence pushed by `finish`, s: more than any look-ahead \[T\].
const FLUSH_S: f64 = 0.9;

/// Stretches of the input at full scale.
struct Clips {
    rate_hz: f64,
    last: Option<u64>,
    run: u32,
    starts: Vec<f64>,
}

/// Stretches remembered \[T\].
const MAX_CLIPS: usize = 32;
/// Samples at full scale that make a clip: one or two may be honest peaks \[T\].
const CLIP_RUN: u32 = 3;
/// Clips nearer than this are one stretch, s \[T\].
const CLIP_JOIN_S: f64 = 0.25;

impl Clips {
    fn new(rate_hz: f64) -> Self {
        Self { rate_hz, last: None, run: 0, starts: Vec::with_capacity(MAX_CLIPS) }
    }

    fn clear(&mut self) {
        self.last = None;
        self.run = 0;
        self.starts.clear();
    }

    fn note(&mut self, at: u64) {
        if self.last == Some(at) {
            return;
        }
        self.run = if self.last.is_some_and(|last| at == last + 1) { self.run + 1 } else { 1 };
        self.last = Some(at);
        if self.run != CLIP_RUN {
            return;
        }
        let start_s = (at + 1 - u64::from(CLIP_RUN)) as f64 / self.rate_hz;
        let is_new = self.starts.last().is_none_or(|last| start_s - last > CLIP_JOIN_S);
        if is_new && self.starts.len() < MAX_CLIPS {
            self.starts.push(start_s);
        }
    }

    fn starts(&self) -> &[f64] {
        &self.starts
    }
}

/// Analyses a whole signal at once: [`Analyzer`] with every note's end filled in. Allocates.
///
/// # Errors
/// Those of [`Analyzer::new`].
pub fn analyze(samples: &[f32], sample_rate_hz: f64, settings: Settings) -> Result<Vec<Front>, AnalyzerError> {
    /// \[T\]
    const BLOCK_LEN: usize = 4096;
    let mut analyzer = Analyzer::new(sample_rate_hz, settings)?;
    let mut fronts = Vec::new();
    for block in samples.chunks(BLOCK_LEN) {
        analyzer.push(block);
        collect(&mut analyzer, &mut fronts);
    }
    analyzer.finish();
    collect(&mut analyzer, &mut fronts);
    Ok(fronts)
}

/// [`analyze`], with every front judged: timed against the grid of the settings, if they give one. Allocates.
///
/// # Errors
/// Those of [`Analyzer::new`].
pub fn analyze_and_judge(
    samples: &[f32],
    sample_rate_hz: f64,
    settings: Settings,
) -> Result<Vec<Entrance>, AnalyzerError> {
    let judged = |front: Front| {
        let beat = settings.grid.map(|grid| grid.nearest(front.speaks_s));
        Entrance::of(front, beat.as_ref(), &settings)
    };
    Ok(analyze(samples, sample_rate_hz, settings)?.into_iter().map(judged).collect())
}

/// What is seen of a front by what is fitted to such.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Looked {
    /// Its onset, s.
    pub onset_s: f64,
    /// What sounds before it, as it is and under a tail, where anything stands out.
    pub air: [Option<air::Seen>; 2],
    /// Its way in, where there is one.
    pub slide: Option<slide::Seen>,
}

/// What is seen of every front of a whole sound: what "air" and "slide" of `fitted.txt` are fitted to. Allocates.
///
/// # Errors
/// Those of [`Analyzer::new`].
pub fn looked_at(samples: &[f32], sample_rate_hz: f64) -> Result<Vec<Looked>, AnalyzerError> {
    // Of notes told at once only the last is still known: blocks are short \[T\].
    const BLOCK_LEN: usize = 64;
    let mut analyzer = Analyzer::new(sample_rate_hz, Settings::default())?;
    let (mut fronts, mut found) = (Vec::new(), Vec::new());
    let mut tell = |analyzer: &mut Analyzer| {
        let num = fronts.len();
        collect(analyzer, &mut fronts);
        let (air, slide) = analyzer.measurer.last_seen();
        let new = fronts.last().filter(|_| fronts.len() > num);
        found.extend(new.map(|front| Looked { onset_s: front.onset_s, air, slide }));
    };
    for block in samples.chunks(BLOCK_LEN) {
        analyzer.push(block);
        tell(&mut analyzer);
    }
    analyzer.finish();
    tell(&mut analyzer);
    Ok(found)
}

/// Moves all waiting events into a list of fronts.
pub fn collect(analyzer: &mut Analyzer, fronts: &mut Vec<Front>) {
    while let Some(event) = analyzer.next_event() {
        match event {
            Event::Front(front) => fronts.push(front),
            Event::End { index, end_s } => {
                if let Some(front) = fronts.iter_mut().rev().find(|f| f.index == index) {
                    front.end_s = Some(end_s);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grid::Beat;
    use crate::settings::Grid;
    use crate::test_sounds::{RATE_HZ, noise, sound, tone};
    use crate::test_sounds::{dice, fronts as fronts_of, held, with_noise};

    #[test]
    fn rates_outside_its_range_are_refused() {
        for hz in [0.0, 7_999.0, 192_001.0, f64::NAN, f64::INFINITY] {
            let refused = Analyzer::new(hz, Settings::default()).err();
            assert!(matches!(refused, Some(AnalyzerError::SampleRateOutOfRange(_))), "{hz}: {refused:?}");
        }
        assert!(Analyzer::new(8_000.0, Settings::default()).is_ok());
        assert!(Analyzer::new(192_000.0, Settings::default()).is_ok());
    }

    fn note() -> Vec<f32> {
        let level = |s: f64| ((s - 0.4) / 0.020).clamp(0.0, 1.0) * ((1.4 - s) / 0.050).clamp(0.0, 1.0);
        sound(1.8, |s| level(s) * tone(233.08, 1..=8, 0.1, s))
    }

    fn fronts(analyzer: &mut Analyzer, samples: &[f32], block: usize) -> Vec<Front> {
        let mut found = Vec::new();
        for block in samples.chunks(block) {
            analyzer.push(block);
            collect(analyzer, &mut found);
        }
        analyzer.finish();
        collect(analyzer, &mut found);
        found
    }

    #[test]
    fn blocks_of_any_size_and_a_reset_give_the_same_to_the_bit() {
        let samples = note();
        let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("a usual rate");
        let mut told = |block: usize| {
            analyzer.reset();
            let found = fronts(&mut analyzer, &samples, block);
            assert_eq!(found.len(), 1);
            format!("{found:?}") // its picture holds what is no number, which equals nothing
        };
        let whole = told(samples.len());
        for block in [1, 7, 64, 4097] {
            assert!(told(block) == whole, "blocks of {block}");
        }
    }

    #[test]
    fn a_front_is_told_while_its_note_still_sounds_and_its_end_later() {
        let samples = sound(3.0, |s| {
            ((s - 0.4) / 0.020).clamp(0.0, 1.0) * ((2.6 - s) / 0.050).clamp(0.0, 1.0) * tone(233.08, 1..=8, 0.1, s)
        });
        let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("a usual rate");
        let mut told_s = None;
        let mut end_s = None;
        for (i, block) in samples.chunks(480).enumerate() {
            analyzer.push(block);
            while let Some(event) = analyzer.next_event() {
                match event {
                    Event::Front(front) => {
                        assert_eq!(front.end_s, None);
                        told_s = Some(0.01 * (i + 1) as f64);
                    }
                    Event::End { index, end_s: at_s } => {
                        assert_eq!(index, 0);
                        end_s = Some(at_s);
                    }
                }
            }
        }
        // 0.68 s after its coarse start, and what the frames look ahead.
        assert!(told_s.is_some_and(|s| s < 0.4 + 0.8), "{told_s:?}");
        assert!(end_s.is_some_and(|s| (s - 2.6f64).abs() < 0.05), "{end_s:?}");
    }

    #[test]
    fn what_is_no_number_is_counted_and_noise_is_no_note() {
        let mut hiss = noise(3);
        let mut samples: Vec<f32> = (0..48_000).map(|_| (0.01 * hiss()) as f32).collect();
        (samples[100], samples[200], samples[300]) = (f32::NAN, f32::INFINITY, f32::NEG_INFINITY);
        let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("a usual rate");
        assert_eq!(fronts(&mut analyzer, &samples, 512).len(), 0);
        assert_eq!(analyzer.num_bad_samples(), 3);
    }

    #[test]
    fn three_samples_at_full_scale_are_a_clip_and_near_ones_are_one() {
        let mut clips = Clips::new(1_000.0);
        [10, 11].into_iter().for_each(|at| clips.note(at));
        assert!(clips.starts().is_empty(), "two may be honest peaks");
        (100..110).for_each(|at| clips.note(at));
        (200..210).for_each(|at| clips.note(at));
        (600..603).for_each(|at| clips.note(at));
        assert_eq!(clips.starts(), [0.1, 0.6], "100 ms apart is one stretch, 500 ms another");
        clips.clear();
        assert!(clips.starts().is_empty());
        (0..100u64).flat_map(|i| (0..3).map(move |k| 1000 * i + k)).for_each(|at| clips.note(at));
        assert_eq!(clips.starts().len(), MAX_CLIPS);
    }

    /// Four notes a second apart at any rate, Hz.
    fn four_notes(rate_hz: f64) -> Vec<f32> {
        let value = |s: f64| {
            let (k, since) = ((s - 0.3).max(0.0).floor(), (s - 0.3).max(0.0).fract());
            let hz = [116.54, 146.83, 174.61, 233.08][(k as usize).min(3)];
            if k < 4.0 { held(since, (0.0, 0.6), 0.015, 0.04) * tone(hz, 1..=8, 0.1, s) } else { 0.0 }
        };
        (0..(4.6 * rate_hz) as usize).map(|i| value(i as f64 / rate_hz) as f32).collect()
    }

    #[test]
    fn a_take_at_any_rate_has_the_same_entrances() {
        for rate_hz in [8_000.0, 11_025.0, 22_050.0, 44_100.0, 88_200.0, 192_000.0] {
            let found = analyze(&four_notes(rate_hz), rate_hz, Settings::default()).expect("a rate in range");
            let notes: Vec<Option<u8>> = found.iter().map(|f| f.midi_note).collect();
            assert_eq!(notes, [Some(46), Some(50), Some(53), Some(58)], "{rate_hz} Hz");
            for (k, front) in found.iter().enumerate() {
                // A quarter of the way up 15 ms.
                let late_ms = 1e3 * (front.speaks_s - 0.3 - k as f64 - 0.003_8);
                assert!(late_ms.abs() <= front.instant_uncertainty.speaks_ms, "{rate_hz} Hz, note {k}: {late_ms} ms");
                assert!(front.tuning_cents.expect("told").value.abs() < 1.5, "{rate_hz} Hz, note {k}");
                assert_eq!(front.index, k);
                assert!(front.end_s.is_some_and(|end| (end - 0.9 - k as f64).abs() < 0.06), "{:?}", front.end_s);
            }
        }
    }

    #[test]
    fn blocks_drawn_at_random_give_the_same_to_the_bit() {
        let samples = with_noise(four_notes(RATE_HZ), 1e-8, 1);
        let whole = format!("{:?}", fronts_of(&samples));
        for seed in 0..3 {
            let (mut dice, mut at, mut found) = (dice(seed + 1), 0, Vec::new());
            let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("a usual rate");
            while at < samples.len() {
                let end = (at + (3_000.0 * dice().powi(3)) as usize).min(samples.len());
                analyzer.push(&samples[at..end]);
                at = end;
                collect(&mut analyzer, &mut found);
            }
            analyzer.finish();
            collect(&mut analyzer, &mut found);
            assert!(format!("{found:?}") == whole, "seed {seed}");
        }
    }

    /// What was said of a take never depends on the take before, nor on what is asked of it twice.
    #[test]
    fn a_reset_forgets_all_and_finish_may_come_twice() {
        let mut analyzer = Analyzer::new(RATE_HZ, Settings::default()).expect("a usual rate");
        let mut loud: Vec<f32> = four_notes(RATE_HZ).iter().map(|x| 20.0 * x).collect();
        loud[100] = f32::NAN;
        assert!(!fronts(&mut analyzer, &loud, 512).is_empty());
        assert!(analyzer.num_bad_samples() == 1 && !analyzer.clipped_at_s().is_empty());
        analyzer.reset();
        assert_eq!((analyzer.num_bad_samples(), analyzer.clipped_at_s().len(), analyzer.next_event()), (0, 0, None));
        let again = fronts(&mut analyzer, &note(), 512);
        assert_eq!(format!("{again:?}"), format!("{:?}", fronts_of(&note())));
        analyzer.finish();
        let mut more = Vec::new();
        collect(&mut analyzer, &mut more);
        assert!(more.is_empty(), "nothing is told twice");
    }

    #[test]
    fn events_that_nobody_takes_are_counted_and_the_oldest_kept() {
        // Three strokes a second for two minutes, a front and an end each.
        let mut analyzer = Analyzer::new(8_000.0, Settings::default()).expect("a rate in range");
        let stroke: Vec<f32> = (0..2_666)
            .map(|i| f64::from(i) / 8_000.0)
            .map(|s| (held(s, (0.05, 0.25), 0.01, 0.03) * tone(233.08, 1..=6, 0.1, s)) as f32)
            .collect();
        (0..360).for_each(|_| analyzer.push(&stroke));
        analyzer.finish();
        let mut told = Vec::new();
        while let Some(event) = analyzer.next_event() {
            told.push(event);
        }
        assert_eq!(told.len(), MAX_EVENTS);
        assert!(analyzer.num_dropped_events() > 0);
        let all = told.len() as u64 + analyzer.num_dropped_events();
        assert!((350..=720).contains(&all), "{all} of 360 strokes");
        assert!(matches!(told[0], Event::Front(front) if front.index == 0), "the first of them is there");
    }

    #[test]
    fn nothing_and_next_to_nothing_have_no_entrances() {
        for samples in [vec![], vec![0.5], vec![f32::NAN; 3], vec![0.0; 24_000], vec![1.0; 24_000], vec![1e-30; 24_000]]
        {
            let found = fronts_of(&samples);
            assert!(found.is_empty(), "{} samples of {:?}: {}", samples.len(), samples.first(), found.len());
        }
    }

    #[test]
    fn entrances_are_timed_against_the_grid_that_is_given_and_none_otherwise() {
        let grid = Grid { bpm: 60.0, first_beat_s: 0.25, per_beat: 1 };
        let settings = Settings { grid: Some(grid), ..Settings::default() };
        let judged = analyze_and_judge(&four_notes(RATE_HZ), RATE_HZ, settings).expect("a usual rate");
        assert_eq!(judged.len(), 4);
        for entrance in &judged {
            let late_ms = entrance.verdict.timing_ms.expect("a grid").value;
            assert!((late_ms - 53.8).abs() < 4.0, "50 ms, and a quarter of the rise: {late_ms}");
            let beat: Option<Beat> = Some(grid.nearest(entrance.front.speaks_s));
            assert_eq!(Entrance::of(entrance.front, beat.as_ref(), &settings).verdict, entrance.verdict);
        }
        let free = analyze_and_judge(&four_notes(RATE_HZ), RATE_HZ, Settings::default()).expect("a usual rate");
        assert!(free.iter().all(|entrance| entrance.verdict.timing_ms.is_err()));
        let same: Vec<(f64, f64)> =
            free.iter().zip(&judged).map(|(a, b)| (a.front.speaks_s, b.front.speaks_s)).collect();
        assert!(same.iter().all(|(a, b)| a == b), "a grid shapes no front");
    }

    #[test]
    fn what_cannot_be_used_is_told_before_anything_is_analysed() {
        let a4 = Settings { a4_hz: 500.0, ..Settings::default() };
        let error = Analyzer::new(RATE_HZ, a4).err().expect("refused");
        assert!(error.to_string().contains("500") && matches!(error, AnalyzerError::Settings(_)));
        let error = analyze(&[], 5_000.0, Settings::default()).expect_err("refused");
        assert!(error.to_string().contains("5000") && error.to_string().contains("192"), "{error}");
    }

    #[test]
    fn what_is_seen_of_fronts_is_told_front_by_front() {
        let samples = with_noise(four_notes(RATE_HZ), 1e-8, 2);
        let (found, seen) = (fronts_of(&samples), looked_at(&samples, RATE_HZ).expect("a usual rate"));
        assert_eq!(found.len(), seen.len());
        assert!(found.iter().zip(&seen).all(|(front, seen)| front.onset_s == seen.onset_s));
    }
}
