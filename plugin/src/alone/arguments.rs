//! What stands behind the program's name.

use clap::Parser;
use std::path::PathBuf;

/// Notefront in a window of its own: judges the attack of every note you play into the microphone.
#[derive(Debug, Parser)]
#[command(name = "notefront-standalone", version)]
pub struct Arguments {
    /// A take to open: any sound file.
    pub take: Option<PathBuf>,
    /// Print the inputs and outputs there are, and leave.
    #[arg(long)]
    pub list: bool,
    /// The input to listen to: a part of its name, as --list prints it.
    #[arg(long, value_name = "NAME")]
    pub input: Option<String>,
    /// The output for count-in and click: a part of its name.
    #[arg(long, value_name = "NAME")]
    pub output: Option<String>,
    /// The channel of the input, counted from 1; without it the one of the last time.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    pub channel: Option<u16>,
    /// Silence that ends a pass, seconds, 2 to 30; without it that of the last time.
    #[arg(long, value_name = "SECONDS", value_parser = silence)]
    pub silence: Option<f64>,
    /// Begin to record at once.
    #[arg(long)]
    pub record: bool,
    /// Print a line for each entrance when it is shown: the time of day in seconds, note and word.
    #[arg(long)]
    pub print: bool,
}

fn silence(text: &str) -> Result<f64, String> {
    let (least, most) = crate::quiet::GAP_RANGE_S;
    let value: f64 = text.parse().map_err(|_| "it is no number of seconds".to_owned())?;
    if (least..=most).contains(&value) { Ok(value) } else { Err(format!("{least} to {most} seconds are possible")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_wish_is_refused() {
        let parse = |args: &[&str]| Arguments::try_parse_from([&["x"], args].concat());
        for bad in [&["--channel", "0"][..], &["--silence", "1"], &["--silence", "NaN"], &["--nonsense"], &["a", "b"]] {
            assert!(parse(bad).is_err(), "{bad:?}");
        }
        let good = parse(&["--channel", "2", "--silence", "4.5", "take.wav"]).expect("it can be met");
        assert_eq!((good.channel, good.silence, good.record), (Some(2), Some(4.5), false));
    }
}
