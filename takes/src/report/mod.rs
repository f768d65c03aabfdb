//! The report: one HTML file that needs nothing else, to look at, listen to, write into and print.

mod svg;
mod close_up;
mod lane;
mod legend;
mod cards;
mod overview;
mod patterns;
mod mirror;
mod sides;
mod shell;
pub mod sound;

use crate::compare::{self, Comparison, HeardTake};
use crate::summary::Register;
use crate::words;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use notefront_dsp::{Entrance, units};
use sound::Clip;
use std::collections::HashMap;
use std::io::Write;
use std::path::Path;

/// Most close-ups of one take: a page with more is slow to open.
const MAX_CARDS: usize = 400;
/// Most base64 of sound in a page, bytes: it must still be sent by mail.
const MAX_SOUND_BYTES: usize = 19_000_000;

/// A page, and what its maker should be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page {
    /// The file.
    pub html: String,
    /// What is missing from it, as sentences.
    pub remarks: Vec<String>,
}

/// Why a page was not written.
#[derive(Debug)]
pub enum WriteError {
    /// There is one already, perhaps with a teacher's notes.
    Exists,
    /// The system refused.
    Io(std::io::Error),
}

impl std::fmt::Display for WriteError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Exists => write!(
                f,
                "the page is there already, perhaps with notes in it. Choose another name with -o, or give --force"
            ),
            Self::Io(e) => write!(f, "the page could not be written ({e}). Choose another folder, or free some space"),
        }
    }
}

impl std::error::Error for WriteError {}

/// Writes a page whole or not at all.
///
/// # Errors
/// A page that is there already (unless `replace`), or a folder that cannot be written to.
pub fn write(path: &Path, html: &str, replace: bool) -> Result<(), WriteError> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(WriteError::Io)?;
    file.write_all(html.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(WriteError::Io)?;
    let done = if replace { file.persist(path) } else { file.persist_noclobber(path) };
    done.map(drop).map_err(|e| match e.error.kind() {
        std::io::ErrorKind::AlreadyExists => WriteError::Exists,
        _ => WriteError::Io(e.error),
    })
}

/// The sound of a take in the page.
struct Sounds {
    take: usize,
    clips: Vec<Clip>,
}

impl Sounds {
    /// The clip that holds the front of an entrance: its id, and where the front begins in it, s.
    fn of(&self, entrance: &Entrance) -> Option<(String, f64)> {
        let start = (entrance.speaks_s - sound::BEFORE_S).max(0.0);
        let holds = |clip: &&Clip| clip.start_s <= start + 1e-6 && entrance.speaks_s < clip.end_s;
        // The last that holds it has the whole of it, where clips overlap.
        let (k, clip) = self.clips.iter().enumerate().rev().find(|(_, clip)| holds(clip))?;
        Some((format!("c{}-{k}", self.take), start - clip.start_s))
    }
}

/// The page of takes; of two, their comparison too.
#[must_use]
pub fn page(takes: &[HeardTake]) -> Page {
    let comparison = match takes {
        [a, b] => Some(compare::compare(a, b)),
        _ => None,
    };
    let (sounds, remarks) = embed(takes, comparison.as_ref());
    let html = html! {
        (DOCTYPE)
        html lang="en" {
            (shell::head(takes))
            body {
                (shell::top(takes))
                main {
                    @if let (Some(comparison), [a, b]) = (&comparison, takes) { (sides::view([a, b], comparison, &compare::choose(takes, None), &sounds)) }
                    @for (k, heard) in takes.iter().enumerate() { (take_section(k, heard, takes.len(), &sounds[k])) }
                    (shell::meaning())
                    (shell::cautions())
                }
                (sound_data(&sounds))
                (shell::script())
            }
        }
    };
    Page { html: html.into_string(), remarks }
}

/// Cuts the sound out, at the best rate that fits; what does not fit is told.
fn embed(takes: &[HeardTake], comparison: Option<&Comparison>) -> (Vec<Sounds>, Vec<String>) {
    let mut remarks = Vec::new();
    for rung in 0..sound::NUM_RUNGS {
        remarks.clear();
        let sounds: Vec<Sounds> =
            takes.iter().enumerate().map(|(k, t)| cut(k, t, comparison, rung, &mut remarks)).collect();
        let bytes: usize = sounds.iter().flat_map(|s| &s.clips).map(|c| c.flac_base64.len()).sum();
        if bytes <= MAX_SOUND_BYTES || rung + 1 == sound::NUM_RUNGS {
            return (within(sounds, &mut remarks), remarks);
        }
    }
    (Vec::new(), remarks)
}

fn cut(k: usize, heard: &HeardTake, comparison: Option<&Comparison>, rung: usize, remarks: &mut Vec<String>) -> Sounds {
    let entrances = &heard.take.entrances;
    let mut times: Vec<f64> = worst_first(entrances).iter().take(MAX_CARDS).map(|e| e.speaks_s).collect();
    // The partner of a front that differs is heard beside it, though it may be clear.
    let pairs = comparison.into_iter().flat_map(|c| &c.pairs).filter(|p| sides::is_shown(p));
    times.extend(pairs.map(|p| entrances[if k == 0 { p.pair.a } else { p.pair.b }].speaks_s));
    let stretches = sound::stretches(&times, heard.take.source.duration_s);
    let clips = sound::clips(heard, &stretches, rung).unwrap_or_else(|e| {
        remarks.push(format!("{}: the page has no sound of it ({e})", heard.take.source.path.display()));
        Vec::new()
    });
    Sounds { take: k, clips }
}

/// The last resort of a very long take: clips from the end on are left out until the rest fits.
fn within(mut sounds: Vec<Sounds>, remarks: &mut Vec<String>) -> Vec<Sounds> {
    let mut left = MAX_SOUND_BYTES / sounds.len().max(1);
    let share = left;
    for take in &mut sounds {
        left = share;
        let num = take.clips.len();
        take.clips.retain(|clip| {
            let fits = clip.flac_base64.len() <= left;
            left = left.saturating_sub(clip.flac_base64.len());
            fits
        });
        if take.clips.len() < num {
            remarks.push(format!("{} stretches of sound are left out to keep the page small", num - take.clips.len()));
        }
    }
    sounds
}

/// Flagged entrances, the most unclear first.
fn worst_first(entrances: &[Entrance]) -> Vec<&Entrance> {
    let mut flagged: Vec<_> = entrances.iter().filter(|e| e.is_flagged()).collect();
    flagged.sort_by(|a, b| a.clarity.total_cmp(&b.clarity));
    flagged
}

/// The file's name without its folder.
fn name(heard: &HeardTake) -> String {
    let path = &heard.take.source.path;
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

fn take_section(k: usize, heard: &HeardTake, num_takes: usize, sounds: &Sounds) -> Markup {
    let entrances = &heard.take.entrances;
    let worst = worst_first(entrances);
    let ranks: HashMap<usize, usize> = worst.iter().enumerate().map(|(i, e)| (e.index, i + 1)).collect();
    let rank = |e: &Entrance| ranks.get(&e.index).copied();
    let letter = crate::comparison_table::letter(k);
    html! {
        section.take aria-labelledby=(format!("t{k}")) {
            h2 #(format!("t{k}")) { @if num_takes > 1 { "Take " (letter) ": " (name(heard)) } @else { "The take" } }
            (overview::view(heard))
            @if !entrances.is_empty() { (lane::lane(heard, |e| lane::Mark { id: id(k, e), rank: rank(e) })) (legend::view(entrances)) }
            @if !worst.is_empty() {
                h3 { "Worst entrances first" }
                @if worst.len() > MAX_CARDS { p.remark { "The " (MAX_CARDS) " most unclear of " (worst.len()) " are shown." } }
                div.cards { @for (i, entrance) in worst.iter().take(MAX_CARDS).enumerate() { (cards::card(&id(k, entrance), i + 1, entrance, sounds)) } }
            }
            (patterns::view(heard))
            @if !entrances.is_empty() { (overview::all_entrances(k, entrances, rank)) }
            label.note.whole { "Teacher's notes on the whole take" textarea rows="3" {} }
        }
    }
}

fn id(take: usize, entrance: &Entrance) -> String {
    format!("e{take}-{}", entrance.index)
}

/// "Bb2", or "?" where the pitch cannot be told.
fn note_name(entrance: &Entrance) -> String {
    entrance.midi_note.map_or_else(|| "?".into(), units::note_name)
}

fn register(entrance: &Entrance) -> Option<Register> {
    entrance.midi_note.map(Register::of)
}

/// An entrance in one sentence.
fn spoken(entrance: &Entrance) -> String {
    let note = entrance.midi_note.map_or_else(|| "no pitch".into(), units::note_name);
    let faults: Vec<_> = words::worst_first(entrance).iter().map(|f| words::because(entrance, f.name)).collect();
    let said = if faults.is_empty() { "clear".into() } else { faults.join("; ") };
    format!("{note} at {}: {said}", words::clock(entrance.speaks_s))
}

/// A button that plays the front of an entrance; nothing where the page has no sound of it.
fn play(entrance: &Entrance, sounds: &Sounds, what: &str) -> Markup {
    let length = sound::BEFORE_S + sound::AFTER_S;
    html! {
        @if let Some((clip, offset)) = sounds.of(entrance) {
            button.play type="button" data-clip=(clip) data-offset=(format!("{offset:.3}")) data-length=(format!("{length:.2}")) aria-label=(format!("{what} {}", spoken(entrance))) { (what) }
        } @else { span.remark { "no sound" } }
    }
}

fn sound_data(sounds: &[Sounds]) -> Markup {
    html! {
        @for take in sounds { @for (k, clip) in take.clips.iter().enumerate() {
            script type="text/plain" id=(format!("c{}-{k}", take.take)) { (PreEscaped(&clip.flac_base64)) }
        } }
    }
}
