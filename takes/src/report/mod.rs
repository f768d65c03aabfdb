//! The report: one HTML file that needs nothing else, to look at, listen to, write into and print.

mod svg;
mod lane;
mod close_up;
mod patterns;
mod cards;
mod sides;
pub mod sound;

use crate::compare::{self, Comparison, HeardTake};
use crate::summary::Register;
use crate::words;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use notefront_dsp::{Entrance, FaultName, units};
use sound::Clip;
use std::io::Write;
use std::path::Path;

/// Most close-ups of one take: a page with more is slow to open.
const MAX_CARDS: usize = 400;
/// Most base64 of sound in a page, bytes: it must still be sent by mail.
const MAX_SOUND_BYTES: usize = 19_000_000;

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

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
            (head(takes))
            body {
                (top(takes))
                main {
                    @if let (Some(comparison), [a, b]) = (&comparison, takes) { (sides::view(a, b, comparison, &sounds)) }
                    @for (k, heard) in takes.iter().enumerate() { (take_section(k, heard, takes.len(), &sounds[k])) }
                    (meaning())
                    (cautions())
                }
                (sound_data(&sounds))
                script { (PreEscaped(SCRIPT)) }
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

fn head(takes: &[HeardTake]) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            // Nothing may be fetched: the page is whole, and says nothing to anybody.
            meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; media-src data: blob:";
            title { "Fronts of " (takes.iter().map(name).collect::<Vec<_>>().join(", ")) }
            style { (PreEscaped(STYLE)) }
        }
    }
}

/// The file's name without its folder.
fn name(heard: &HeardTake) -> String {
    let path = &heard.take.source.path;
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

fn top(takes: &[HeardTake]) -> Markup {
    let played: Vec<_> = takes.iter().flat_map(|t| &t.take.entrances).collect();
    let registers = Register::ALL.into_iter().filter(|r| played.iter().any(|e| register(e) == Some(*r)));
    let faults = FaultName::ALL.into_iter().filter(|f| played.iter().any(|e| e.faults.get(*f).is_some()));
    html! {
        header {
            h1 { "Notefront" span.sub { " how every note began" } }
            form.bar aria-label="What is shown" {
                label { "Fault " select #by-fault { option value="" { "all" } @for f in faults { option value=(f.as_str()) { (words::short_label(f)) } } } }
                label { "Register " select #by-register { option value="" { "all" } @for r in registers { option value=(r.as_str()) { (r.as_str()) } } } }
                span #shown role="status" {}
                button #save type="button" { "Save with notes" }
            }
            p.keys { "Keys: " kbd { "j" } " next, " kbd { "k" } " back, " kbd { "p" } " play, " kbd { "n" } " note." }
        }
    }
}

fn take_section(k: usize, heard: &HeardTake, num_takes: usize, sounds: &Sounds) -> Markup {
    let entrances = &heard.take.entrances;
    let flagged = worst_first(entrances);
    let letter = crate::comparison_table::letter(k);
    html! {
        section.take aria-labelledby=(format!("t{k}")) {
            h2 #(format!("t{k}")) { @if num_takes > 1 { "Take " (letter) ": " } (name(heard)) }
            p.facts {
                (words::clock(heard.take.source.duration_s)) ", " (entrances.len()) " entrances, " (flagged.len()) " flagged"
                @if let Some(lufs) = heard.loudness.integrated_lufs { ", " (format!("{lufs:.1} LUFS")) }
                "."
            }
            @for warning in &heard.take.warnings { p.remark { "Note: " (warning) "." } }
            @if entrances.is_empty() { p { "No entrances were found in this take." } } @else { (lane::lane(heard, |e| id(k, e))) (legend()) }
            @if !flagged.is_empty() {
                h3 { "Worst entrances first" }
                @if flagged.len() > MAX_CARDS { p.remark { "The " (MAX_CARDS) " most unclear of " (flagged.len()) " are shown." } }
                div.cards { @for entrance in flagged.iter().take(MAX_CARDS) { (cards::card(&id(k, entrance), entrance, sounds)) } }
            }
            (patterns::view(entrances))
        }
    }
}

fn legend() -> Markup {
    html! {
        p.legend { "A plain stroke is a clear attack; its height is the level. Hatching to the left: air first. A curve to the right: the way into the pitch. Two strokes: split. A broken stroke: two starts. A leaning one: the slide was moving. A bar on top: hard. A ramp: slow to speak. A foot: the way to the beat. Fronts are drawn wider than the time line. The grey behind is the sounding note." }
    }
}

fn id(take: usize, entrance: &Entrance) -> String {
    format!("e{take}-{}", entrance.index)
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

fn meaning() -> Markup {
    html! {
        details.prose open {
            summary { h2 { "What the numbers mean" } }
            dl {
                dt { "clarity" } dd { "0 to 100. The worst fault dominates. It describes this front, not the player." }
                dt { "air first" } dd { "breath that sounds before the tone, in ms, and its level under the settled tone in dB." }
                dt { "in at" } dd { "the first pitch that can be measured, in cents from the pitch the note settled on. Below is negative." }
                dt { "settled after" } dd { "until the pitch stays within 10 cents of where it settled, in ms." }
                dt { "grew in" } dd { "from 20 % to 90 % of the attack's peak, in ms. Low notes need longer: the bore cannot speak sooner." }
                dt { "off the beat" } dd { "where the tone speaks, against the nearest beat or subdivision, in ms. Positive is late." }
                dt { "±" } dd { "half the width of the interval the figure lies in, in about 9 of 10 cases. \u{201c}Cannot tell\u{201d} is an answer too." }
            }
            p { "Every sound on this page is brought to one loudness, so that a louder recording does not seem the better one." }
        }
    }
}

fn cautions() -> Markup {
    html! {
        section.prose aria-labelledby="care" {
            h2 #care { "Take care" }
            p { "Loud practice can harm your hearing: use hearing protection, mind how long and how loud you play, and listen back at a moderate level. Rest as much as you play. Stop when something hurts. If pain, numbness or ringing in the ears stays, see a doctor. A page of numbers does not replace a teacher." }
        }
    }
}
