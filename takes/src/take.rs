//! One take read and judged: the entrances, and what is odd about the recording.

mod held;
mod warning;

pub use warning::Warning;

use crate::audio_file::{AudioFile, ChannelChoice, Findings, ReadError};
use crate::beats::Beats;
use crate::click::count_in::{CountIn, Counting};
use crate::corrections::ear::Lines;
use crate::corrections::fingerprint::Listener;
use crate::corrections::{self, Corrected, Fingerprint, Heard, apply};
use crate::sheet::{Reading, Sheet};
use held::{HeardClick, hear_click, hold_against};
use notefront_dsp::analyzer::collect;
use notefront_dsp::{Analyzer, AnalyzerError, CannotTell, Entrance, Front, Settings};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A take whose loudest sample lies under this, in dB re full scale, is too quiet to trust \[P\].
const QUIET_PEAK_DB: f64 = -40.0;

/// What a scan can be told beside the file.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ScanOptions {
    /// What shapes the numbers.
    pub settings: Settings,
    /// Which channel is judged.
    pub channel: ChannelChoice,
}

/// Where the beats of a take come from when its settings give none.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum BeatSource {
    /// Nowhere.
    #[default]
    Off,
    /// A count-in, or the written tempo of the notes, if the take keeps it, else the entrances if they are steady.
    Search,
    /// A tempo, in beats a minute, with so many subdivisions of a beat; where its beats lie is found, by a count-in of that
    /// tempo or by the entrances.
    Tempo(f64, u32),
    /// A click heard elsewhere, that began with the take's first sample.
    Click(Beats),
    /// A channel of the take (from 1) that holds the click, with so many subdivisions of a beat.
    /// The other one of a stereo take is judged unless a channel is chosen.
    ClickChannel(usize, u32),
}

/// What a take is held against.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Reference {
    /// Beats.
    pub beats: BeatSource,
    /// Written notes.
    pub sheet: Option<Arc<Sheet>>,
    /// The player's corrections are looked for beside the take and applied.
    pub is_corrected: bool,
    /// Where the player moved the lines to.
    pub lines: Lines,
}

/// Where a take came from.
#[derive(Debug, Clone, PartialEq)]
pub struct TakeSource {
    /// The file, as it was named.
    pub path: PathBuf,
    /// Sample rate of the file, Hz.
    pub sample_rate_hz: u32,
    /// Rate it was analysed at, Hz; lower than the file's above 192 kHz.
    pub analysed_rate_hz: f64,
    /// Channels of the file.
    pub num_channels: usize,
    /// Length of the sound, seconds.
    pub duration_s: f64,
}

/// A judged take.
#[derive(Debug, Clone, PartialEq)]
pub struct Take {
    /// Where it came from.
    pub source: TakeSource,
    /// What shaped the numbers.
    pub options: ScanOptions,
    /// The entrances, in the order of the sound.
    pub entrances: Vec<Entrance>,
    /// What is odd about the recording.
    pub warnings: Vec<Warning>,
    /// The beats the entrances are timed against.
    pub beats: Option<Beats>,
    /// The take read along with the written notes.
    pub reading: Option<Reading>,
    /// By which the sound is found again.
    pub sound: Fingerprint,
    /// Where the player moved the lines to.
    pub lines: Lines,
    /// What the player says of it, where it was applied.
    pub corrected: Option<Box<Corrected>>,
}

impl Take {
    /// True where an entrance has a fault, or is unclear to the player's ear.
    #[must_use]
    pub fn is_unclear(&self, place: usize) -> bool {
        let heard = self.corrected.as_ref().and_then(|corrected| corrected.of(place)?.heard.as_ref());
        self.entrances.get(place).is_some_and(Entrance::is_flagged) || matches!(heard, Some(Heard::Unclear(_)))
    }
}

/// Why a take was not judged.
#[derive(Debug)]
pub enum ScanError {
    /// The file cannot be read.
    Read(ReadError),
    /// The settings cannot be used.
    Analysis(AnalyzerError),
    /// Whoever watched stopped it.
    Stopped,
}

impl std::fmt::Display for ScanError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Read(e) => write!(f, "{e}. {}", e.remedy()),
            Self::Analysis(e) => e.fmt(f),
            Self::Stopped => write!(f, "stopped before the end of the take"),
        }
    }
}

impl std::error::Error for ScanError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Read(e) => Some(e),
            Self::Analysis(e) => Some(e),
            Self::Stopped => None,
        }
    }
}

impl From<ReadError> for ScanError {
    fn from(e: ReadError) -> Self {
        Self::Read(e)
    }
}

/// How far a scan has come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Seconds of sound analysed.
    pub done_s: f64,
    /// Seconds of sound in all, where the file tells.
    pub total_s: Option<f64>,
    /// Samples a second of the sound as it is analysed.
    pub rate_hz: f64,
}

/// Reads and judges one take, in blocks: memory grows with the entrances, not with the sound.
/// `progress` is called after every block.
///
/// # Errors
/// A file that cannot be read, or settings that cannot be used.
pub fn scan(path: &Path, options: ScanOptions, progress: impl FnMut(Progress)) -> Result<Take, ScanError> {
    scan_against(path, options, &Reference::default(), progress)
}

/// [`scan`], with the take held against beats and written notes. Beats in the settings go before all others.
///
/// # Errors
/// Those of [`scan`].
pub fn scan_against(
    path: &Path,
    options: ScanOptions,
    reference: &Reference,
    mut progress: impl FnMut(Progress),
) -> Result<Take, ScanError> {
    scan_watched(path, options, reference, |done, _| {
        progress(done);
        ControlFlow::Continue(())
    })
}

/// [`scan_against`] by someone who sees every block of sound and may stop it.
///
/// # Errors
/// Those of [`scan`], and [`ScanError::Stopped`].
pub fn scan_watched(
    path: &Path,
    options: ScanOptions,
    reference: &Reference,
    watch: impl FnMut(Progress, &[f32]) -> ControlFlow<()>,
) -> Result<Take, ScanError> {
    let mut heard = HeardClick { beats: None, options, warning: None };
    match &reference.beats {
        BeatSource::Click(beats) => heard.beats = Some(beats.clone()),
        BeatSource::ClickChannel(channel, per_beat) => heard = hear_click(path, options, *channel, *per_beat)?,
        BeatSource::Off | BeatSource::Search | BeatSource::Tempo(..) => {}
    }
    let (mut take, counted) = scan_sound(path, heard.options, watch)?;
    take.warnings.extend(heard.warning);
    let mut corrected = if reference.is_corrected { correct(&mut take) } else { None };
    hold_against(&mut take, reference, heard.beats, counted.as_ref());
    take.entrances.iter_mut().for_each(|e| reference.lines.judge(e, &take.options.settings));
    if let Some(corrected) = &mut corrected {
        apply::hear(&mut take.entrances, corrected);
    }
    take.corrected = corrected.map(Box::new);
    take.lines = reference.lines;
    Ok(take)
}

/// Lays the player's corrections over what was found. Those that cannot be read are told, and the take is as measured.
fn correct(take: &mut Take) -> Option<Corrected> {
    match corrections::find(&take.source.path, &take.sound) {
        Ok(found) => apply::place(&mut take.entrances, &found?, take.source.duration_s, &take.options.settings),
        Err(e) => {
            take.warnings.push(Warning::Uncorrected(e.to_string()));
            None
        }
    }
}

/// The take, and what was counted in before it.
fn scan_sound(
    path: &Path,
    options: ScanOptions,
    mut watch: impl FnMut(Progress, &[f32]) -> ControlFlow<()>,
) -> Result<(Take, Option<CountIn>), ScanError> {
    let mut file = AudioFile::open(path, options.channel)?;
    let mut analyzer = Analyzer::new(file.sample_rate_hz(), options.settings).map_err(ScanError::Analysis)?;
    let mut fronts = Vec::new();
    let mut listener = Listener::new(file.sample_rate_hz());
    let mut counting = Counting::new(file.sample_rate_hz());
    let (total_s, rate_hz) = (file.promised_s(), file.sample_rate_hz());
    let mut done = 0;
    while let Some(block) = file.next_block()? {
        // A front is known when the note has settled: what came before it was heard by then.
        if fronts.is_empty() {
            counting.push(block);
        }
        feed(&mut analyzer, block, &mut fronts);
        listener.push(block);
        done += block.len();
        if watch(Progress { done_s: done as f64 / rate_hz, total_s, rate_hz }, block).is_break() {
            return Err(ScanError::Stopped);
        }
    }
    analyzer.finish();
    collect(&mut analyzer, &mut fronts);
    let counted = fronts.first().and_then(|front| counting.before(front.onset_s));
    Ok((Take { sound: listener.finish(), ..judged(path, options, &file, &analyzer, fronts) }, counted))
}

/// Events are taken out often, since the analysis keeps a limited number.
fn feed(analyzer: &mut Analyzer, block: &[f32], fronts: &mut Vec<Front>) {
    const BLOCK_LEN: usize = 4096;
    for part in block.chunks(BLOCK_LEN) {
        analyzer.push(part);
        collect(analyzer, fronts);
    }
}

fn judged(path: &Path, options: ScanOptions, file: &AudioFile, analyzer: &Analyzer, mut fronts: Vec<Front>) -> Take {
    let findings = file.findings();
    // A note that sounds to the last sample ends there.
    for front in &mut fronts {
        front.end_s.get_or_insert(findings.duration_s);
    }
    let source = TakeSource {
        path: path.to_owned(),
        sample_rate_hz: file.file_rate_hz(),
        analysed_rate_hz: file.sample_rate_hz(),
        num_channels: file.num_channels(),
        duration_s: findings.duration_s,
    };
    let mut warnings = recording_warnings(&findings, &source);
    warnings.extend(analysis_warnings(analyzer, &fronts));
    let entrances = fronts.into_iter().map(|front| Entrance::of(front, None, &options.settings)).collect();
    let (sound, lines, corrected) = (Fingerprint::default(), Lines::default(), None);
    Take { source, options, entrances, warnings, beats: None, reading: None, sound, lines, corrected }
}

fn recording_warnings(findings: &Findings, source: &TakeSource) -> Vec<Warning> {
    let mut warnings = Vec::new();
    warnings.extend(findings.promised_s.map(|promised| Warning::Truncated(findings.duration_s, promised)));
    warnings.extend(findings.damage.map(|(num, at_s)| Warning::Damaged(num, at_s)));
    warnings.extend(findings.dead_channels.iter().map(|&n| Warning::DeadChannel(n, source.num_channels)));
    if findings.is_cancelling {
        warnings.push(Warning::Cancelling);
    }
    let peak_db = 20.0 * findings.peak.log10();
    if findings.peak == 0.0 {
        warnings.push(Warning::Silent);
    } else if peak_db < QUIET_PEAK_DB {
        warnings.push(Warning::TooQuiet(peak_db));
    }
    let clipping = &findings.clipping;
    warnings.extend(clipping.places_s.iter().map(|&at_s| Warning::Clipped(at_s)));
    let num_more = clipping.num_places - clipping.places_s.len();
    if num_more > 0 {
        warnings.push(Warning::ClippedMore(num_more, clipping.last_s));
    }
    if source.analysed_rate_hz < f64::from(source.sample_rate_hz) {
        warnings.push(Warning::Resampled(source.analysed_rate_hz));
    }
    warnings
}

fn analysis_warnings(analyzer: &Analyzer, fronts: &[Front]) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if analyzer.num_bad_samples() > 0 {
        warnings.push(Warning::BadSamples(analyzer.num_bad_samples()));
    }
    if fronts.first().is_some_and(|front| front.settle_ms == Err(CannotTell::CutOff)) {
        warnings.push(Warning::CutOff);
    }
    if analyzer.num_dropped_events() > 0 {
        warnings.push(Warning::DroppedEvents(analyzer.num_dropped_events()));
    }
    warnings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio_file::Clipping;

    fn findings() -> Findings {
        Findings {
            duration_s: 10.0,
            promised_s: None,
            damage: None,
            clipping: Clipping::default(),
            dead_channels: Vec::new(),
            is_cancelling: false,
            peak: 0.5,
        }
    }

    fn source() -> TakeSource {
        TakeSource {
            path: "take.wav".into(),
            sample_rate_hz: 48_000,
            analysed_rate_hz: 48_000.0,
            num_channels: 2,
            duration_s: 10.0,
        }
    }

    fn told(findings: &Findings) -> Vec<String> {
        recording_warnings(findings, &source()).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_sound_recording_has_no_warnings() {
        assert!(told(&findings()).is_empty());
    }

    #[test]
    fn clipping_is_told_with_its_time() {
        let clipping = Clipping { places_s: vec![12.4], num_places: 4, last_s: 301.25 };
        let said = told(&Findings { clipping, ..findings() });
        assert_eq!(said, ["clipped at 12.40 s", "clipped in 3 more places, the last at 301.25 s"]);
    }

    #[test]
    fn silence_and_quiet_are_told_apart() {
        assert!(told(&Findings { peak: 0.0, ..findings() })[0].starts_with("silent"));
        // 0.001 is -60 dB.
        assert!(told(&Findings { peak: 0.001, ..findings() })[0].contains("60 dB under full scale"));
    }

    #[test]
    fn a_cut_file_is_told_with_both_times() {
        let said = told(&Findings { promised_s: Some(31.2), ..findings() });
        assert_eq!(said, ["cut short: the sound ends at 10.00 s, its header promises 31.20 s"]);
    }
}
