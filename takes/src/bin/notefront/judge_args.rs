//! Options of commands that judge several takes together: how to judge, and where the beats are.

use crate::cli::{InstrumentArg, SourceArg, channel, strictness};
use clap::Args;
use notefront_dsp::{Grid, Settings, Strictness};
use notefront_takes::audio_file::ChannelChoice;
use notefront_takes::take::ScanOptions;

/// How takes are judged.
#[derive(Debug, Args)]
pub struct JudgeArgs {
    /// Tempo, in beats per minute (10 to 500): one for all takes, or one for each, with commas [default: none]
    #[arg(long, value_name = "N,...", requires = "first_beat", value_delimiter = ',')]
    pub bpm: Vec<f64>,

    /// Time of beat 1 of bar 1, in seconds: one for all takes, or one for each, with commas [default: none]
    #[arg(long, value_name = "S,...", requires = "bpm", value_delimiter = ',', allow_negative_numbers = true)]
    pub first_beat: Vec<f64>,

    /// Subdivisions of a beat that entrances may fall on (1 to 24)
    #[arg(long, value_name = "N", default_value_t = 1, requires = "bpm")]
    pub per_beat: u32,

    /// Tuning reference A4, in Hz (430 to 450)
    #[arg(long, value_name = "HZ", default_value_t = 440.0)]
    pub a4: f64,

    /// How severe to judge: 0 relaxed, 0.5 the usual lines, 1 strict
    #[arg(long, value_name = "0..1", default_value_t = Strictness::NORMAL.value(), value_parser = strictness)]
    pub strictness: f64,

    /// The horn
    #[arg(long, value_enum, default_value_t = InstrumentArg::FAttachment)]
    pub instrument: InstrumentArg,

    /// What sounds: the horn, or the mouthpiece alone
    #[arg(long, value_enum, default_value_t = SourceArg::Horn)]
    pub source: SourceArg,

    /// Judge this channel alone, counted from 1 [default: all channels mixed]
    #[arg(long, value_name = "N", value_parser = channel)]
    pub channel: Option<usize>,
}

impl JudgeArgs {
    /// The options of each take.
    ///
    /// # Errors
    /// What cannot be used, in words.
    pub fn options(&self, num_takes: usize) -> Result<Vec<ScanOptions>, String> {
        let bpm = one_each("--bpm", &self.bpm, num_takes)?;
        let first_beat = one_each("--first-beat", &self.first_beat, num_takes)?;
        let grids = bpm.into_iter().zip(first_beat).map(|(bpm, first_beat)| {
            let (bpm, first_beat_s) = bpm.zip(first_beat)?;
            Some(Grid { bpm, first_beat_s, per_beat: self.per_beat })
        });
        grids.map(|grid| self.with_grid(grid)).collect()
    }

    fn with_grid(&self, grid: Option<Grid>) -> Result<ScanOptions, String> {
        let settings = Settings {
            a4_hz: self.a4,
            strictness: Strictness::new(self.strictness),
            instrument: self.instrument.into(),
            source: self.source.into(),
            grid,
        };
        settings.validate().map_err(|e| e.to_string())?;
        Ok(ScanOptions { settings, channel: self.channel.map_or(ChannelChoice::Mix, ChannelChoice::One) })
    }
}

/// One value for each take, from none, one for all, or one each.
fn one_each(option: &str, values: &[f64], num_takes: usize) -> Result<Vec<Option<f64>>, String> {
    match values {
        [] => Ok(vec![None; num_takes]),
        [one] => Ok(vec![Some(*one); num_takes]),
        each if each.len() == num_takes => Ok(each.iter().copied().map(Some).collect()),
        each => Err(format!("{option} has {} values for {num_takes} takes: give one, or one for each", each.len())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_value_is_for_all_takes_and_others_must_match() {
        assert_eq!(one_each("--bpm", &[], 2), Ok(vec![None, None]));
        assert_eq!(one_each("--bpm", &[72.0], 2), Ok(vec![Some(72.0), Some(72.0)]));
        assert_eq!(one_each("--bpm", &[72.0, 80.0], 2), Ok(vec![Some(72.0), Some(80.0)]));
        assert!(one_each("--bpm", &[72.0, 80.0], 3).is_err());
    }
}
