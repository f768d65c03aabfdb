//! The report: one HTML file that needs nothing else, to look at, listen to, write into and print.

pub(crate) mod svg;
mod close_up;
mod desk;
mod lane;
mod legend;
mod cards;
mod overview;
mod patterns;
mod mirror;
mod sides;
pub(crate) mod shell;
pub mod sound;

use crate::atomic_file::{Prepared, WriteError};
use crate::compare::{self, HeardTake};
use crate::summary::Register;
use crate::words;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use notefront_dsp::{Entrance, units};
use sound::Clip;
use std::collections::HashMap;
use std::io::{Read, Write};
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

/// How every page begins: what does not is none, and is never replaced.
const BEGINNING: &str = "<!DOCTYPE html>";

/// Why a page was not written.
#[derive(Debug)]
pub enum RefusedPage {
    /// There is one already, perhaps with a teacher's notes.
    Exists,
    /// What is there is no page; perhaps a take.
    NotAPage,
    /// The system refused.
    Unwritten(WriteError),
}

impl std::fmt::Display for RefusedPage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Exists => write!(
                f,
                "the page is there already, perhaps with notes in it. Choose another name with -o, or give --force"
            ),
            Self::NotAPage => write!(f, "what has this name is not a page. Choose another name with -o"),
            Self::Unwritten(e) => write!(f, "{e}"),
        }
    }
}

impl std::error::Error for RefusedPage {}

/// Whether a page may be written there, known before the long work of scanning.
///
/// # Errors
/// What is there already: a page (unless `replace`), or something that is none.
pub fn check_place(path: &Path, replace: bool) -> Result<(), RefusedPage> {
    match (std::fs::File::open(path), replace) {
        (Err(e), _) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
        (Ok(file), _) if !is_page(&file) => Err(RefusedPage::NotAPage),
        (Ok(_), true) => Ok(()),
        (Ok(_), false) => Err(RefusedPage::Exists),
        (Err(error), _) => Err(RefusedPage::Unwritten(WriteError { path: path.to_owned(), error })),
    }
}

fn is_page(mut file: &std::fs::File) -> bool {
    let mut beginning = [0; BEGINNING.len()];
    file.read_exact(&mut beginning).is_ok() && beginning.eq_ignore_ascii_case(BEGINNING.as_bytes())
}

/// Writes a page whole or not at all.
///
/// # Errors
/// Those of [`check_place`], or a place that cannot be written to; what was there is then still there.
pub fn write(path: &Path, html: &str, replace: bool) -> Result<(), RefusedPage> {
    check_place(path, replace)?;
    let page = Prepared::from_file(path, |file| file.write_all(html.as_bytes())).map_err(RefusedPage::Unwritten)?;
    let done = if replace { page.put_in_place() } else { page.put_in_free_place() };
    done.map(drop).map_err(|e| match e.error.kind() {
        std::io::ErrorKind::AlreadyExists => RefusedPage::Exists,
        _ => RefusedPage::Unwritten(e),
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
        let start = (entrance.front.speaks_s - sound::BEFORE_S).max(0.0);
        let holds = |clip: &&Clip| clip.start_s <= start + 1e-6 && entrance.front.speaks_s < clip.end_s;
        // The last that holds it has the whole of it, where clips overlap.
        let (k, clip) = self.clips.iter().enumerate().rev().find(|(_, clip)| holds(clip))?;
        Some((format!("c{}-{k}", self.take), start - clip.start_s))
    }
}

/// The page of takes; of two their comparison too, and of more of the same music which to keep.
#[must_use]
pub fn page(takes: &[HeardTake]) -> Page {
    let comparison = match takes {
        [a, b] => Some(compare::compare(a, b)),
        _ => None,
    };
    let choice = compare::choose(if takes.len() > 1 { takes } else { &[] }, None);
    // Takes of different pieces may stand on one page.
    let chosen = (takes.len() > 2).then_some(&choice);
    let heard_beside: Vec<Vec<usize>> =
        (0..takes.len()).map(|k| sides::heard_beside(k, takes.len(), comparison.as_ref(), chosen)).collect();
    let (sounds, remarks) = embed(takes, &heard_beside);
    let html = html! {
        (DOCTYPE)
        html lang="en" {
            (shell::head(takes))
            body {
                (shell::top(takes))
                main {
                    @if let (Some(comparison), [a, b]) = (&comparison, takes) { (sides::view([a, b], comparison, &choice, &sounds)) }
                    @if let Some(choice) = chosen { (sides::choose_from(takes, choice, &sounds)) }
                    @for (k, heard) in takes.iter().enumerate() { (take_section(k, heard, takes.len(), &sounds[k])) }
                    @if takes.iter().any(|t| !t.take.entrances.is_empty()) { (desk::sitting()) }
                    (shell::meaning())
                    (shell::cautions())
                }
                (desk::desk())
                (desk::data(takes))
                (sound_data(&sounds))
                (shell::script())
            }
        }
    };
    Page { html: html.into_string(), remarks }
}

/// Cuts the sound out, at the best rate that fits; what does not fit is told. Besides the flagged entrances, those of
/// each take that are heard beside another's are cut out too.
fn embed(takes: &[HeardTake], heard_beside: &[Vec<usize>]) -> (Vec<Sounds>, Vec<String>) {
    let mut remarks = Vec::new();
    let duration_s = takes.iter().map(|t| t.take.source.duration_s).sum();
    // Whole takes where they fit, else the fronts alone.
    let whole = (0..sound::NUM_RUNGS).filter(|rung| sound::about_bytes(duration_s, *rung) <= MAX_SOUND_BYTES as f64);
    let tries = whole.map(|rung| (rung, true)).chain((0..sound::NUM_RUNGS).map(|rung| (rung, false)));
    for (rung, is_whole) in tries {
        remarks.clear();
        let cut = |k: usize, remarks: &mut Vec<String>| {
            let stretches = if is_whole {
                sound::whole(takes[k].take.source.duration_s)
            } else {
                fronts(&takes[k], &heard_beside[k])
            };
            cut(k, takes, &stretches, rung, remarks)
        };
        let sounds: Vec<Sounds> = (0..takes.len()).map(|k| cut(k, &mut remarks)).collect();
        let bytes: usize = sounds.iter().flat_map(|s| &s.clips).map(|c| c.flac_base64.len()).sum();
        if bytes <= MAX_SOUND_BYTES || (!is_whole && rung + 1 == sound::NUM_RUNGS) {
            return (within(sounds, &mut remarks), remarks);
        }
    }
    (Vec::new(), remarks)
}

/// Most clear fronts that are heard in a blind sitting of a take too long to be on its page as a whole.
const MAX_CLEAR: usize = 60;

/// The stretches around the fronts that a page of a long take plays.
fn fronts(heard: &HeardTake, heard_beside: &[usize]) -> Vec<(f64, f64)> {
    let entrances = &heard.take.entrances;
    let mut times: Vec<f64> = worst_first(entrances).iter().take(MAX_CARDS).map(|e| e.front.speaks_s).collect();
    times.extend(heard_beside.iter().map(|&i| entrances[i].front.speaks_s));
    let clear: Vec<f64> = entrances.iter().filter(|e| !e.is_flagged()).map(|e| e.front.speaks_s).collect();
    times.extend(clear.iter().step_by(clear.len().div_ceil(MAX_CLEAR).max(1)));
    sound::stretches(&times, heard.take.source.duration_s)
}

fn cut(k: usize, takes: &[HeardTake], stretches: &[(f64, f64)], rung: usize, remarks: &mut Vec<String>) -> Sounds {
    let (heard, target_lufs) = (&takes[k], sound::target_lufs(takes));
    let clips = sound::clips(heard, stretches, rung, target_lufs).unwrap_or_else(|e| {
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
    flagged.sort_by(|a, b| a.verdict.clarity.total_cmp(&b.verdict.clarity));
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
    let ranks: HashMap<usize, usize> = worst.iter().enumerate().map(|(i, e)| (e.front.index, i + 1)).collect();
    let rank = |e: &Entrance| ranks.get(&e.front.index).copied();
    let letter = crate::comparison_table::letter(k);
    html! {
        section.take aria-labelledby=(format!("t{k}")) {
            h2 #(format!("t{k}")) { @if num_takes > 1 { "Take " (letter) ": " (name(heard)) } @else { "The take" } }
            (overview::view(k, heard, sounds))
            @if !entrances.is_empty() { (lane::lane(k, heard, |e| lane::Mark { id: id(k, e), rank: rank(e) })) }
            (overview::by_ear(heard))
            @if !worst.is_empty() {
                h3 { "Worst entrances first" }
                @if worst.len() > MAX_CARDS { p.remark { "The " (MAX_CARDS) " most unclear of " (worst.len()) " are shown." } }
                div.cards { @for (i, entrance) in worst.iter().take(MAX_CARDS).enumerate() { (cards::card(&id(k, entrance), i + 1, entrance, sounds)) } }
            }
            (legend::view(entrances))
            (overview::against_the_notes(heard))
            (patterns::view(heard))
            @if !entrances.is_empty() { (overview::all_entrances(k, entrances, rank)) }
            label.note.whole { "Teacher's notes on the whole take" textarea rows="3" {} }
        }
    }
}

fn id(take: usize, entrance: &Entrance) -> String {
    format!("e{take}-{}", entrance.front.index)
}

/// "Bb2", or "?" where the pitch cannot be told.
fn note_name(entrance: &Entrance) -> String {
    entrance.front.midi_note.map_or_else(|| "?".into(), units::note_name)
}

fn register(entrance: &Entrance) -> Option<Register> {
    entrance.front.midi_note.map(Register::of)
}

/// An entrance in one sentence.
fn spoken(entrance: &Entrance) -> String {
    let note = entrance.front.midi_note.map_or_else(|| "no pitch".into(), units::note_name);
    let faults: Vec<_> = words::worst_first(entrance).iter().map(|f| words::because(entrance, f.name)).collect();
    let said = if faults.is_empty() { "clear".into() } else { faults.join("; ") };
    format!("{note} at {}: {said}", words::clock(entrance.front.speaks_s))
}

/// A button that plays the front of an entrance; nothing where the page has no sound of it.
fn play(entrance: &Entrance, sounds: &Sounds, what: &str) -> Markup {
    let length = sound::BEFORE_S + sound::AFTER_S;
    html! {
        @if let Some((clip, offset)) = sounds.of(entrance) {
            button.play type="button" data-take=(sounds.take) data-at=(format!("{:.4}", entrance.front.speaks_s)) data-clip=(clip) data-offset=(format!("{offset:.3}")) data-length=(format!("{length:.2}")) aria-label=(format!("{what} {}", spoken(entrance))) { (what) }
        } @else { span.remark { "no sound" } }
    }
}

fn sound_data(sounds: &[Sounds]) -> Markup {
    html! {
        @for take in sounds { @for (k, clip) in take.clips.iter().enumerate() {
            script.clip type="text/plain" id=(format!("c{}-{k}", take.take)) data-take=(take.take) data-from=(format!("{:.4}", clip.start_s)) data-to=(format!("{:.4}", clip.end_s)) { (PreEscaped(&clip.flac_base64)) }
        } }
    }
}
