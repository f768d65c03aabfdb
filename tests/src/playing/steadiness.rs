//! Steadiness: what was said of a recording, and what is said of the same sound again.

use super::again::Again;
use super::count::OnsetTally;
use super::figures::{ELSEWHERE, OTHER_PHRASES, OTHER_SINGLES, PHRASES, SINGLES, section};
use super::recording::{Heard, JudgedRecording, judge_sound};
use crate::accuracy::Reach;
use crate::audio;
use crate::onset_score::nearest_pairs;
use crate::table::{FlagRow, Row};

/// An entrance keeps its place within this, s.
const PLACE_S: f64 = 0.005;

/// Within this it is the same entrance, moved, s.
const SAME_S: f64 = 0.050;

/// One recording heard again.
#[derive(Debug, Clone, PartialEq)]
pub struct HeardAgain {
    /// What was done to it.
    pub again: Again,
    /// Section of the recording.
    pub section: &'static str,
    /// What was heard, its times those of the first hearing.
    pub judged: JudgedRecording,
    /// How it compares.
    pub kept: Kept,
    /// What it does not keep, a line an entrance.
    pub changes: Vec<String>,
}

/// How many entrances of the first hearing keep what, in the second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Kept {
    /// Entrances of the first hearing, and those only the second has.
    pub num: usize,
    /// Found again at their place.
    pub place: usize,
    /// At their place, with their note.
    pub note: usize,
    /// At their place, with the same flags.
    pub flags: usize,
    /// With all three.
    pub all: usize,
}

impl Kept {
    /// Compares two hearings.
    #[must_use]
    pub fn of(first: &[Heard], second: &[Heard]) -> Self {
        let times = |heard: &[Heard]| heard.iter().map(|h| h.onset_s).collect::<Vec<f64>>();
        let pairs = nearest_pairs(&times(first), &times(second), PLACE_S);
        // An entrance that moved is one entrance, not a lost and a new one.
        let same = nearest_pairs(&times(first), &times(second), SAME_S).len();
        let mut kept = Self { num: first.len() + second.len() - same, place: pairs.len(), ..Self::default() };
        for (a, b) in pairs {
            let (note, flags) = (first[a].midi == second[b].midi, first[a].flags == second[b].flags);
            kept.note += usize::from(note);
            kept.flags += usize::from(flags);
            kept.all += usize::from(note && flags);
        }
        kept
    }

    /// What of the first hearing the second does not keep, in words, a line an entrance.
    #[must_use]
    pub fn changes(first: &[Heard], second: &[Heard]) -> Vec<String> {
        let times = |heard: &[Heard]| heard.iter().map(|h| h.onset_s).collect::<Vec<f64>>();
        let pairs = nearest_pairs(&times(first), &times(second), SAME_S);
        let lost = (0..first.len()).filter(|a| !pairs.iter().any(|pair| pair.0 == *a));
        let new = (0..second.len()).filter(|b| !pairs.iter().any(|pair| pair.1 == *b));
        let mut lines: Vec<String> = lost.map(|a| format!("{:.3} s lost", first[a].onset_s)).collect();
        lines.extend(new.map(|b| format!("{:.3} s new", second[b].onset_s)));
        lines.extend(pairs.into_iter().filter_map(|(a, b)| change(&first[a], &second[b])));
        lines
    }

    fn plus(self, other: Self) -> Self {
        Self {
            num: self.num + other.num,
            place: self.place + other.place,
            note: self.note + other.note,
            flags: self.flags + other.flags,
            all: self.all + other.all,
        }
    }
}

/// How one entrance changed, if it did.
fn change(first: &Heard, second: &Heard) -> Option<String> {
    let moved_s = second.onset_s - first.onset_s;
    let mut what = Vec::new();
    if moved_s.abs() > PLACE_S {
        what.push(format!("moved by {:+.1} ms", 1e3 * moved_s));
    }
    if first.midi != second.midi {
        what.push(format!("note {:?} became {:?}", first.midi, second.midi));
    }
    if first.flags != second.flags {
        what.push(format!("{:?} became {:?}", first.flags, second.flags));
    }
    (!what.is_empty()).then(|| format!("{:.3} s {}", first.onset_s, what.join(", ")))
}

/// Hears a recording again in every way; what is audible only for phrases, where it takes the time.
///
/// # Errors
/// A file that cannot be read, or what it takes is not there.
pub fn hear_again(judged: &JudgedRecording) -> Result<Vec<HeardAgain>, String> {
    let sound = audio::read(&judged.recording.path)?;
    let section = section(judged);
    let audible = if is_single(section) { &[][..] } else { &Again::AUDIBLE[..] };
    let ways = Again::INAUDIBLE.iter().chain(audible);
    ways.map(|again| {
        let (other, later_s) = again.of(&sound)?;
        let mut second = judge_sound(judged.recording.clone(), &other)?;
        second.heard.iter_mut().for_each(|heard| heard.onset_s -= later_s);
        let kept = Kept::of(&judged.heard, &second.heard);
        let changes = Kept::changes(&judged.heard, &second.heard);
        Ok(HeardAgain { again: *again, section, judged: second, kept, changes })
    })
    .collect()
}

fn is_single(section: &str) -> bool {
    matches!(section, SINGLES | OTHER_SINGLES)
}

const STEADINESS: &str = "steadiness: the same sound again";

/// The rows of steadiness.
#[must_use]
pub fn steadiness_rows(all: &[HeardAgain]) -> Vec<Row> {
    let mut rows = Vec::new();
    for (what, sections) in
        [("phrases", &[PHRASES, OTHER_PHRASES, ELSEWHERE][..]), ("single notes", &[SINGLES, OTHER_SINGLES][..])]
    {
        let of: Vec<&HeardAgain> = all.iter().filter(|again| sections.contains(&again.section)).collect();
        if !of.is_empty() {
            rows.extend(kept_rows(what, &of));
        }
    }
    rows.extend(audible_rows(all, Again::Mp3, "phrases through mp3 at 128 kb/s"));
    rows.extend(audible_rows(all, Again::InRoom, "phrases in a seminar room"));
    rows.extend(audible_rows(all, Again::WithMetronome, "phrases with a metronome 24 dB under them"));
    rows
}

fn pooled(of: &[&HeardAgain], is_meant: impl Fn(Again) -> bool) -> Kept {
    of.iter().filter(|again| is_meant(again.again)).fold(Kept::default(), |sum, again| sum.plus(again.kept))
}

fn kept_rows(what: &str, of: &[&HeardAgain]) -> Vec<Row> {
    let inaudible = pooled(of, |again| Again::INAUDIBLE.contains(&again));
    let on = format!("{} entrances in five hearings", inaudible.num);
    let row =
        |name: &str, num: usize| Row::share(STEADINESS, &format!("{what}: {name}"), (num, inaudible.num), on.clone());
    let mut rows = vec![
        row("keep note, place (5 ms) and faults", inaudible.all).reaching(Reach::AtLeast(0.99)),
        row("keep place", inaudible.place),
        row("keep place and note", inaudible.note),
        row("keep place and faults", inaudible.flags),
    ];
    for again in Again::INAUDIBLE.into_iter().chain(Again::AUDIBLE) {
        let kept = pooled(of, |other| other == again);
        if kept.num > 0 {
            let name = format!("{what}: all three, {}", again.words());
            rows.push(Row::share(STEADINESS, &name, (kept.all, kept.num), format!("{} entrances", kept.num)));
        }
    }
    rows
}

/// Onsets and flags where the sound is heard to be another.
fn audible_rows(all: &[HeardAgain], again: Again, section: &'static str) -> Vec<Row> {
    let of = || all.iter().filter(|heard| heard.again == again).map(|heard| &heard.judged);
    let tally = OnsetTally::of(of().filter(|judged| judged.label().is_some()));
    if tally.errors_ms.is_empty() {
        return Vec::new();
    }
    let on = format!("{} onsets of {} recordings, by eye", tally.counts[0].num_reference, tally.each_f[0].len());
    let mut flags = FlagRow::new(section, "all");
    of().flat_map(|judged| &judged.heard).for_each(|heard| flags.count(&heard.flags));
    let of_flags = format!("{} of {} entrances heard", flags.num_flagged, flags.num_entrances);
    let worst = tally.each_f[0].iter().copied().fold(f64::INFINITY, f64::min);
    vec![
        Row::value(section, "onset F at 50 ms, mean over recordings", tally.mean_f(0), "", on.clone())
            .reaching(Reach::AtLeast(0.95)),
        Row::value(section, "onset F at 25 ms, mean over recordings", tally.mean_f(1), "", on.clone())
            .reaching(Reach::AtLeast(0.75)),
        Row::value(section, "onset F at 50 ms, worst recording", worst, "", on.clone()).reaching(Reach::AtLeast(0.88)),
        Row::value(section, "onset error, median", tally.bias_ms(), "ms", on).reaching(Reach::Within(12.0)),
        Row::value(section, "flagged", flags.share(), "", of_flags),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use notefront_dsp::FaultName;

    fn heard(onset_s: f64, midi: u8, flags: &[FaultName]) -> Heard {
        Heard { onset_s, midi: Some(midi), level_db: -20.0, flags: flags.to_vec() }
    }

    #[test]
    fn kept_is_what_is_the_same_and_at_its_place() {
        let first = [heard(0.5, 58, &[]), heard(1.0, 60, &[FaultName::Airy]), heard(1.5, 62, &[]), heard(2.0, 60, &[])];
        // The same; another flag; 20 ms off; lost; and one more.
        let second = [heard(0.504, 58, &[]), heard(1.0, 60, &[]), heard(1.52, 62, &[]), heard(3.0, 60, &[])];
        let kept = Kept::of(&first, &second);
        assert_eq!(kept, Kept { num: 5, place: 2, note: 2, flags: 1, all: 1 });
        assert_eq!(Kept::of(&first, &first).all, 4);
        let changes = Kept::changes(&first, &second);
        let told = ["2.000 s lost", "3.000 s new", "1.000 s [Airy] became []", "1.500 s moved by +20.0 ms"];
        assert_eq!(changes, told);
    }
}
