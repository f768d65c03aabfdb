//! The whole analysis behind one door: `push` samples, take judged entrances out.

use crate::{Entrance, Settings, SettingsError};
use std::collections::VecDeque;

/// What the analysis reports, in the order of the sound.
#[derive(Debug, Clone, Copy, PartialEq)]
#[expect(clippy::large_enum_variant, reason = "boxing an entrance would allocate while running")]
pub enum Event {
    /// An entrance, measured and judged, about 0.7 s after its onset. `end_s` is set when the note ended by then.
    Entrance(Entrance),
    /// The note of an entrance told earlier has ended.
    End {
        /// Index of the entrance.
        index: usize,
        /// End of its note, seconds.
        end_s: f64,
    },
}

/// Rates the analysis takes, in Hz.
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
    events: VecDeque<Event>,
}

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
        Ok(Self { events: VecDeque::with_capacity(64) })
    }

    /// Takes the next samples, in blocks of any size.
    pub fn push(&mut self, _block: &[f32]) {}

    /// Says that no more samples come: what is pending is told now.
    pub fn finish(&mut self) {}

    /// Back to the state of `new`, with the same rate and settings, without allocating.
    pub fn reset(&mut self) {
        self.events.clear();
    }

    /// The next event, if one is ready. Take them out after every `push`: when more than 64 wait,
    /// the oldest are kept, further ones are dropped and counted.
    pub fn next_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Samples that were not numbers (NaN or infinite) and were taken as 0.
    #[must_use]
    pub fn num_bad_samples(&self) -> u64 {
        0
    }

    /// Events lost because nobody took them out.
    #[must_use]
    pub fn num_dropped_events(&self) -> u64 {
        0
    }

    /// First and last instants, in seconds, of stretches at full scale, as far as they were found (at most 32).
    #[must_use]
    pub fn clipped_at_s(&self) -> &[f64] {
        &[]
    }
}

/// Analyses a whole signal at once: [`Analyzer`] with every note's end filled in. Allocates.
///
/// # Errors
/// Those of [`Analyzer::new`].
pub fn analyze(samples: &[f32], sample_rate_hz: f64, settings: Settings) -> Result<Vec<Entrance>, AnalyzerError> {
    const BLOCK_LEN: usize = 4096;
    let mut analyzer = Analyzer::new(sample_rate_hz, settings)?;
    let mut entrances = Vec::new();
    for block in samples.chunks(BLOCK_LEN) {
        analyzer.push(block);
        collect(&mut analyzer, &mut entrances);
    }
    analyzer.finish();
    collect(&mut analyzer, &mut entrances);
    Ok(entrances)
}

/// Moves all waiting events into a list of entrances.
pub fn collect(analyzer: &mut Analyzer, entrances: &mut Vec<Entrance>) {
    while let Some(event) = analyzer.next_event() {
        match event {
            Event::Entrance(entrance) => entrances.push(entrance),
            Event::End { index, end_s } => {
                if let Some(entrance) = entrances.iter_mut().rev().find(|e| e.index == index) {
                    entrance.end_s = Some(end_s);
                }
            }
        }
    }
}
