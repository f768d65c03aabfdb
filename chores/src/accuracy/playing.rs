//! Real playing: judged side by side; its worst recordings; one line per entrance for other programs.

use notefront_tests::playing::{
    Again, Heard, HeardAgain, JudgedRecording, Kind, OnsetTally, Pairing, hear_again, judge_recording, recordings,
};
use rayon::prelude::*;
use std::fmt::Write as _;
use std::path::Path;

/// What was judged, and what was left out, in words.
pub struct Playing {
    pub judged: Vec<JudgedRecording>,
    pub left_out: Vec<String>,
}

pub fn judge_all(folder: &Path, only: &str) -> Result<Playing, String> {
    let (recordings, left_out) = recordings(folder, only)?;
    let judged = recordings.into_par_iter().map(judge_recording).collect::<Result<_, _>>()?;
    Ok(Playing { judged, left_out })
}

/// Everything heard again in other ways.
pub fn hear_all_again(all: &[JudgedRecording]) -> Result<Vec<HeardAgain>, String> {
    let played = all.par_iter().filter(|judged| judged.recording.kind != Kind::Knocks);
    let again: Vec<Vec<HeardAgain>> = played.map(hear_again).collect::<Result<_, _>>()?;
    Ok(again.into_iter().flatten().collect())
}

/// The recordings with the lowest onset scores, and single notes and glissandi that are not one entrance or not their note.
pub fn print_worst(all: &[JudgedRecording], num_worst: usize) {
    let mut scored: Vec<(f64, &JudgedRecording)> =
        all.iter().filter(|j| j.label().is_some()).map(|j| (OnsetTally::of([j]).counts[0].f_measure(), j)).collect();
    scored.sort_by(|a, b| a.0.total_cmp(&b.0));
    println!("\nworst recordings by onset F at 50 ms: missed, invented, wrong note, flagged");
    for (_, judged) in scored.iter().take(num_worst) {
        println!("  {}", row(judged));
    }
    let odd: Vec<String> = all.iter().filter_map(odd_single).collect();
    println!("\nsingle notes and glissandi that are not one entrance, or not their note: {}", odd.len());
    for line in odd.iter().take(num_worst) {
        println!("  {line}");
    }
}

/// What changed though nobody could hear a difference.
pub fn print_unsteady(all: &[HeardAgain]) {
    let inaudible = || all.iter().filter(|again| Again::INAUDIBLE.contains(&again.again));
    println!(
        "\nentrances that changed, by recording and hearing: {}",
        inaudible().map(|a| a.changes.len()).sum::<usize>()
    );
    for again in inaudible() {
        for change in &again.changes {
            println!("  {:<58} {}: {change}", again.judged.recording.stem, again.again.words());
        }
    }
}

fn row(judged: &JudgedRecording) -> String {
    let tally = OnsetTally::of([judged]);
    let pairing = Pairing::of(judged);
    let (missed, invented) = (times(pairing.missed_s()), times(pairing.invented_s()));
    let num_flagged = judged.heard.iter().filter(|heard| !heard.flags.is_empty()).count();
    format!(
        "{:<58} F {:.3} {:.3}  missed {missed} invented {invented} wrong {} flagged {num_flagged} of {}",
        judged.recording.stem,
        tally.counts[0].f_measure(),
        tally.counts[1].f_measure(),
        tally.num_notes - tally.num_right,
        judged.heard.len()
    )
}

fn times(times: impl Iterator<Item = f64>) -> String {
    let words: Vec<String> = times.map(|s| format!("{s:.2}")).collect();
    format!("{}{}", words.len(), if words.is_empty() { String::new() } else { format!(" ({})", words.join(" ")) })
}

fn odd_single(judged: &JudgedRecording) -> Option<String> {
    let right = match judged.recording.kind {
        Kind::Single(right) => right,
        Kind::Glissando => None,
        _ => return None,
    };
    let heard = judged.loudest().and_then(|heard| heard.midi);
    if judged.heard.len() == 1 && (right.is_none() || heard == right) {
        return None;
    }
    let heard: Vec<String> = judged.heard.iter().map(|h| format!("{:.2} s {}", h.onset_s, told(h.midi))).collect();
    Some(format!("{:<46} {} heard as {}", judged.recording.stem, told(right), heard.join(", ")))
}

/// One line per labelled or invented entrance.
pub fn csv(all: &[JudgedRecording]) -> String {
    let mut out = String::from("recording,onset_s,heard_onset_s,midi,heard_midi,flags\n");
    for judged in all {
        let pairing = Pairing::of(judged);
        for (l, label_s) in pairing.label_s.iter().enumerate() {
            let heard = pairing.pairs.iter().find(|pair| pair.0 == l).map(|pair| &judged.heard[pair.1]);
            let midi = judged.label().and_then(|label| label.midi.get(l)).copied();
            csv_line(&mut out, judged, Some(*label_s), midi, heard);
        }
        for (h, heard) in judged.heard.iter().enumerate() {
            if pairing.label_of(h).is_none() {
                let single = if let Kind::Single(midi) = judged.recording.kind { midi } else { None };
                csv_line(&mut out, judged, None, single, Some(heard));
            }
        }
    }
    out
}

fn csv_line(out: &mut String, judged: &JudgedRecording, at_s: Option<f64>, midi: Option<u8>, heard: Option<&Heard>) {
    let flags: Vec<&str> = heard.iter().flat_map(|h| &h.flags).map(|flag| flag.as_str()).collect();
    let seconds = |s: Option<f64>| s.map(|s| format!("{s:.4}")).unwrap_or_default();
    let _ = writeln!(
        out,
        "{},{},{},{},{},{}",
        judged.recording.stem,
        seconds(at_s),
        seconds(heard.map(|h| h.onset_s)),
        told(midi),
        told(heard.and_then(|h| h.midi)),
        flags.join(" ")
    );
}

fn told(midi: Option<u8>) -> String {
    midi.map_or_else(|| "-".into(), |midi| midi.to_string())
}
