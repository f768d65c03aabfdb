//! The figures of real playing, row by row.

use super::count::{OnsetTally, Pairing, WINDOWS_ELSEWHERE_S, WINDOWS_S, is_octave_off};
use super::naming::{is_fitted_percussion, register};
use super::recording::{JudgedRecording, Kind};
use crate::accuracy::Reach;
use crate::table::{FlagRow, Row};
use std::collections::BTreeMap;

/// Sections, in the order of the table.
pub const PHRASES: &str = "phrases, trombone";
/// See [`PHRASES`].
pub const OTHER_PHRASES: &str = "phrases, other instruments";
/// See [`PHRASES`].
pub const FAST: &str = "multiple tonguing";
/// See [`PHRASES`].
pub const GLISSANDI: &str = "glissandi, trombone";
/// See [`PHRASES`].
pub const SINGLES: &str = "single notes, trombone";
/// See [`PHRASES`].
pub const OTHER_SINGLES: &str = "single notes, horn";
/// See [`PHRASES`].
pub const ELSEWHERE: &str = "other players and rooms";
/// See [`PHRASES`].
pub const KNOCKS: &str = "struck and shaken things, no note among them";

/// The section a recording stands in.
pub fn section(judged: &JudgedRecording) -> &'static str {
    let is_trombone = judged.instrument() == "trombone";
    match judged.recording.kind {
        Kind::Phrase(_) if is_trombone => PHRASES,
        Kind::Phrase(_) => OTHER_PHRASES,
        Kind::Fast(_) => FAST,
        Kind::Glissando => GLISSANDI,
        Kind::Single(_) if is_trombone => SINGLES,
        Kind::Single(_) => OTHER_SINGLES,
        Kind::Elsewhere(_) => ELSEWHERE,
        Kind::Knocks => KNOCKS,
    }
}

fn of_section<'a>(all: &'a [JudgedRecording], name: &str) -> Vec<&'a JudgedRecording> {
    all.iter().filter(|judged| section(judged) == name).collect()
}

/// Every row of real playing.
#[must_use]
pub fn rows(all: &[JudgedRecording]) -> Vec<Row> {
    let phrases = of_section(all, PHRASES);
    let mut rows = onset_rows(PHRASES, &phrases, articulation);
    rows.extend(flagged_rows(PHRASES, &phrases, 0.06, Some(articulation)));
    let others = of_section(all, OTHER_PHRASES);
    rows.extend(onset_rows(OTHER_PHRASES, &others, instrument));
    rows.extend(flagged_rows(OTHER_PHRASES, &others, 0.06, Some(instrument)));
    rows.extend(onset_rows(FAST, &of_section(all, FAST), instrument));
    rows.extend(glissando_rows(&of_section(all, GLISSANDI)));
    for (name, reach) in [(SINGLES, 0.04), (OTHER_SINGLES, 0.04)] {
        let notes = of_section(all, name);
        rows.extend(single_rows(name, &notes));
        rows.extend(flagged_rows(name, &notes, reach, None));
    }
    let elsewhere = of_section(all, ELSEWHERE);
    rows.extend(onset_rows(ELSEWHERE, &elsewhere, articulation));
    rows.extend(flagged_rows(ELSEWHERE, &elsewhere, 0.15, None));
    rows.extend(knock_rows(&of_section(all, KNOCKS)));
    rows
}

fn articulation(judged: &JudgedRecording) -> String {
    judged.label().map(|label| label.articulation.clone()).unwrap_or_default()
}

fn instrument(judged: &JudgedRecording) -> String {
    judged.instrument().to_owned()
}

type Grouping = fn(&JudgedRecording) -> String;

fn groups<'a>(recordings: &[&'a JudgedRecording], by: Grouping) -> BTreeMap<String, Vec<&'a JudgedRecording>> {
    let mut groups: BTreeMap<String, Vec<&JudgedRecording>> = BTreeMap::new();
    for judged in recordings {
        groups.entry(by(judged)).or_default().push(judged);
    }
    groups
}

/// What the onset figures are to reach: at the wide window, at the narrow one, worst group.
fn to_reach(section: &str) -> (f64, f64, f64) {
    match section {
        FAST => (0.97, 0.93, 0.97),
        ELSEWHERE => (0.97, 0.93, 0.97),
        _ => (0.99, 0.97, 0.97),
    }
}

fn onset_rows(section: &'static str, recordings: &[&JudgedRecording], by: Grouping) -> Vec<Row> {
    let tally = OnsetTally::of(recordings.iter().copied());
    let num_labelled = tally.each_f[0].len();
    if num_labelled == 0 {
        return Vec::new();
    }
    let (at_50, at_25, worst) = to_reach(section);
    let on = format!("{} onsets of {num_labelled} recordings, by eye", tally.counts[0].num_reference);
    let windows_s = if section == ELSEWHERE { WINDOWS_ELSEWHERE_S } else { WINDOWS_S };
    let name = |window: usize, what: &str| format!("onset F at {:.0} ms{what}", windows_s[window] * 1e3);
    let pooled = |window: usize, least: f64| {
        let row = Row::value(section, &name(window, ""), tally.counts[window].f_measure(), "", on.clone());
        row.reaching(Reach::AtLeast(least))
    };
    let mean = |window: usize| {
        Row::value(section, &name(window, ", mean over recordings"), tally.mean_f(window), "", on.clone())
    };
    let mut rows = vec![
        pooled(0, at_50),
        pooled(1, at_25),
        mean(0),
        mean(1),
        Row::value(section, "onset error, median", tally.bias_ms(), "ms", on.clone()),
    ];
    let groups = groups(recordings, by);
    if groups.len() > 1 {
        rows.extend(worst_group(section, &groups).map(|row| row.reaching(Reach::AtLeast(worst))));
    }
    rows.extend(note_rows(section, &tally));
    rows
}

fn worst_group(section: &'static str, groups: &BTreeMap<String, Vec<&JudgedRecording>>) -> Option<Row> {
    let scored = groups.iter().map(|(name, of)| (name, OnsetTally::of(of.iter().copied()).counts[0]));
    let (name, counts) = scored.min_by(|a, b| a.1.f_measure().total_cmp(&b.1.f_measure()))?;
    let on = format!("{name}: {} onsets", counts.num_reference);
    Some(Row::value(section, "onset F at 50 ms, worst kind", counts.f_measure(), "", on))
}

fn note_rows(section: &'static str, tally: &OnsetTally) -> Vec<Row> {
    if tally.num_notes == 0 {
        return Vec::new();
    }
    let on = format!("{} entrances paired within 50 ms", tally.num_notes);
    let right = Row::share(section, "right note", (tally.num_right, tally.num_notes), on.clone());
    let octave = Row::share(section, "octave errors", (tally.num_octave, tally.num_notes), on);
    vec![right.reaching(Reach::AtLeast(0.995)), octave.reaching(Reach::Within(0.003))]
}

fn glissando_rows(recordings: &[&JudgedRecording]) -> Vec<Row> {
    let num = recordings.len();
    if num == 0 {
        return Vec::new();
    }
    let extra: usize = recordings.iter().map(|judged| judged.heard.len().saturating_sub(1)).sum();
    let lost = recordings.iter().filter(|judged| judged.heard.is_empty()).count();
    let on = format!("{num} files of one entrance each");
    vec![
        Row::value(GLISSANDI, "extra entrances each", extra as f64 / num as f64, "", on.clone())
            .reaching(Reach::Within(0.2)),
        Row::value(GLISSANDI, "lost", lost as f64, "files", on).reaching(Reach::Within(0.0)),
    ]
}

/// What is taken for notes where there are none, in kinds that the scores are fitted to, and in others.
fn knock_rows(recordings: &[&JudgedRecording]) -> Vec<Row> {
    let of = |name: &str, fitted: bool| {
        let of: Vec<_> = recordings.iter().filter(|j| is_fitted_percussion(&j.recording.stem) == fitted).collect();
        let heard: usize = of.iter().map(|judged| judged.heard.len()).sum();
        let minutes = of.iter().map(|judged| judged.duration_s).sum::<f64>() / 60.0;
        let on = format!("{heard} in {} recordings, {minutes:.1} min", of.len());
        (!of.is_empty()).then(|| Row::value(KNOCKS, name, heard as f64 / minutes, "", on))
    };
    let kinds = [("entrances a minute, kinds not in the fit", false), ("entrances a minute, kinds in the fit", true)];
    kinds.into_iter().filter_map(|(name, fitted)| of(name, fitted)).collect()
}

fn single_rows(section: &'static str, notes: &[&JudgedRecording]) -> Vec<Row> {
    let num = notes.len();
    if num == 0 {
        return Vec::new();
    }
    let sounding = notes.iter().filter_map(|judged| match judged.recording.kind {
        Kind::Single(Some(midi)) => Some((midi, judged.loudest()?.midi)),
        _ => None,
    });
    let sounding: Vec<(u8, Option<u8>)> = sounding.collect();
    let right = sounding.iter().filter(|(midi, heard)| *heard == Some(*midi)).count();
    let octave = sounding.iter().filter(|(midi, heard)| is_octave_off(*midi, *heard)).count();
    let not_one = notes.iter().filter(|judged| judged.heard.len() != 1).count();
    let lost = notes.iter().filter(|judged| judged.heard.is_empty()).count();
    let on = format!("{num} notes, one entrance each");
    let on_notes = format!("{} notes heard; the name, its octave by another tracker", sounding.len());
    vec![
        Row::share(section, "other than one entrance", (not_one, num), on.clone()),
        Row::share(section, "lost", (lost, num), on),
        Row::share(section, "right note", (right, sounding.len()), on_notes.clone()).reaching(Reach::AtLeast(0.995)),
        Row::share(section, "octave errors", (octave, sounding.len()), on_notes).reaching(Reach::Within(0.003)),
    ]
}

fn flagged_rows(section: &'static str, recordings: &[&JudgedRecording], most: f64, by: Option<Grouping>) -> Vec<Row> {
    if recordings.is_empty() {
        return Vec::new();
    }
    let all = flags(section, "all", recordings);
    let on = format!("{} of {} entrances heard, timing apart", all.num_flagged, all.num_entrances);
    let mut rows = vec![Row::value(section, "flagged", all.share(), "", on).reaching(Reach::Within(most))];
    let groups = by.map(|by| groups(recordings, by)).unwrap_or_default();
    let worst = groups.iter().map(|(name, of)| flags(section, name, of)).max_by(|a, b| a.share().total_cmp(&b.share()));
    if let Some(worst) = worst.filter(|_| groups.len() > 1) {
        let on = format!("{}: {} of {}", worst.of, worst.num_flagged, worst.num_entrances);
        let row = Row::value(section, "flagged, worst kind", worst.share(), "", on);
        rows.push(row.reaching(Reach::Within(0.12)));
    }
    rows
}

fn flags(section: &'static str, of: &str, recordings: &[&JudgedRecording]) -> FlagRow {
    let mut row = FlagRow::new(section, of);
    for heard in recordings.iter().flat_map(|judged| &judged.heard) {
        row.count(&heard.flags);
    }
    row
}

/// Who is flagged with what: each section whole, then by articulation or instrument, length, dynamic and register.
#[must_use]
pub fn flag_rows(all: &[JudgedRecording]) -> Vec<FlagRow> {
    let mut rows = Vec::new();
    for section in [PHRASES, OTHER_PHRASES, FAST, GLISSANDI, SINGLES, OTHER_SINGLES, ELSEWHERE] {
        let recordings = of_section(all, section);
        if recordings.is_empty() {
            continue;
        }
        rows.push(flags(section, "all", &recordings));
        for by in cuts(section) {
            rows.extend(groups(&recordings, *by).iter().map(|(name, of)| flags(section, name, of)));
        }
        if matches!(section, PHRASES | OTHER_PHRASES | SINGLES | OTHER_SINGLES) {
            rows.extend(by_register(section, &recordings));
        }
    }
    rows
}

/// How a section is cut.
fn cuts(section: &str) -> &'static [Grouping] {
    match section {
        PHRASES => &[articulation],
        OTHER_PHRASES => &[instrument, articulation],
        FAST => &[instrument],
        SINGLES | OTHER_SINGLES => &[length, dynamic],
        ELSEWHERE => &[|judged| judged.recording.stem.clone()],
        _ => &[],
    }
}

fn length(judged: &JudgedRecording) -> String {
    let length = judged.recording.name.as_ref().map_or("", |name| name.length.as_str());
    match length {
        "025" => "0.25 s".into(),
        "05" => "0.5 s".into(),
        "15" => "1.5 s".into(),
        other => format!("{other} s"),
    }
}

fn dynamic(judged: &JudgedRecording) -> String {
    judged.recording.name.as_ref().map(|name| name.dynamic.clone()).unwrap_or_default()
}

/// By the register of the note that is right, or where nobody told, of the one heard.
fn by_register(section: &'static str, recordings: &[&JudgedRecording]) -> Vec<FlagRow> {
    let mut rows: BTreeMap<u8, FlagRow> = BTreeMap::new();
    for judged in recordings {
        let pairing = Pairing::of(judged);
        for (h, heard) in judged.heard.iter().enumerate() {
            let Some(midi) = right_note(judged, &pairing, h).or(heard.midi) else { continue };
            let name = register(midi);
            // Registers stand from low to high.
            let order = [44, 51, 58, 65].iter().filter(|top| midi > **top).count() as u8;
            rows.entry(order).or_insert_with(|| FlagRow::new(section, name)).count(&heard.flags);
        }
    }
    rows.into_values().collect()
}

fn right_note(judged: &JudgedRecording, pairing: &Pairing, h: usize) -> Option<u8> {
    match &judged.recording.kind {
        Kind::Single(midi) => *midi,
        _ => judged.label()?.midi.get(pairing.label_of(h)?).copied(),
    }
}
