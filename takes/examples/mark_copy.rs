//! Marks a WAV file with evenly spread marks and no analysis, to measure the copying alone:
//! `cargo run --release -p notefront-takes --example mark_copy -- TAKE COPY NUM_MARKS DURATION_S`.

use notefront_takes::mark_note::MarkNote;
use notefront_takes::marks::Mark;
use notefront_takes::wav_cue;
use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let [_, take, copy, num_marks, duration_s] = args.as_slice() else {
        return Err("TAKE COPY NUM_MARKS DURATION_S".into());
    };
    let (num_marks, duration_s): (u32, f64) = (num_marks.parse()?, duration_s.parse()?);
    let step_s = duration_s / f64::from(num_marks.max(1));
    let note = MarkNote { channel: 0, key: 60, velocity: 1 };
    let mark = |i: u32| {
        let label = format!("mark {i}");
        let sentence = format!("{label}: for an example");
        Mark { time_s: f64::from(i) * step_s, length_s: 0.5 * step_s, label, sentence, note }
    };
    let marks: Vec<_> = (0..num_marks).map(mark).collect();
    let (prepared, marked) = wav_cue::prepare(Path::new(take), Path::new(copy), &marks)?;
    prepared.put_in_place()?;
    println!("{marked:?}");
    Ok(())
}
