//! Breathing: where inhalations are heard, how long a phrase lasts on one breath, and how long it takes from breath to sound.
//! Told, never judged.

use crate::patterns::facet::REST_S;
use crate::summary::Median;
use notefront_dsp::{Breath, Entrance};

/// Breaths a minute are told where no more than this share of the places for one is too noisy to tell \[H\].
const MOST_MASKED: f64 = 0.2;

/// A note as breathing sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breathed {
    /// When it speaks, s.
    pub speaks_s: f64,
    /// When it ends, s.
    pub end_s: f64,
    /// What was heard before it.
    pub breath: Option<Breath>,
}

impl From<&Entrance> for Breathed {
    fn from(e: &Entrance) -> Self {
        let speaks_s = e.front.speaks_s;
        Self { speaks_s, end_s: e.front.end_s.unwrap_or(speaks_s), breath: e.front.evidence.breath }
    }
}

/// The breathing of a player in some takes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Breathing {
    /// Notes before which an inhalation was heard.
    pub num_heard: usize,
    /// Notes with time for one before them and quiet enough to hear it, and none was heard.
    pub num_unheard: usize,
    /// Notes with time for one, and too noisy to hear it.
    pub num_masked: usize,
    /// From the first to the last sound of each take, minutes.
    pub minutes: f64,
    /// Phrases: notes between two inhalations or rests of a second.
    pub num_phrases: usize,
    /// Notes of a phrase.
    pub notes_per_phrase: Option<Median>,
    /// Length of a phrase, s.
    pub phrase_s: Option<Median>,
    /// From the end of the inhalation to the first sound, ms.
    pub to_sound_ms: Option<Median>,
    /// How long an inhalation is heard, ms.
    pub inhaled_ms: Option<Median>,
}

impl Breathing {
    /// Over takes, each the notes of one in the order of the sound. Takes of versions that did not listen tell nothing.
    #[must_use]
    pub fn of<Notes: Iterator<Item = Breathed>>(takes: impl Iterator<Item = Notes>) -> Self {
        let mut sums = Sums::default();
        takes.for_each(|take| sums.add(take));
        sums.told()
    }

    /// The same of one take.
    #[must_use]
    pub fn of_entrances(entrances: &[Entrance]) -> Self {
        Self::of(std::iter::once(entrances.iter().map(Breathed::from)))
    }

    /// Breaths a minute; `None` where too much is hidden by noise, or nothing was listened to.
    #[must_use]
    pub fn per_minute(&self) -> Option<f64> {
        let num_places = self.num_heard + self.num_unheard + self.num_masked;
        let is_told = self.minutes > 0.0 && self.num_heard > 0;
        (is_told && self.num_masked as f64 <= MOST_MASKED * num_places as f64)
            .then(|| self.num_heard as f64 / self.minutes)
    }
}

#[derive(Default)]
struct Sums {
    all: Breathing,
    notes: Vec<f64>,
    lengths_s: Vec<f64>,
    to_sound_ms: Vec<f64>,
    inhaled_ms: Vec<f64>,
}

/// A phrase so far.
struct Phrase {
    num: usize,
    begun_s: f64,
    end_s: f64,
}

impl Sums {
    fn add(&mut self, take: impl Iterator<Item = Breathed>) {
        let mut phrase: Option<Phrase> = None;
        let (mut first_s, mut last_s, mut has_listened) = (f64::INFINITY, f64::NEG_INFINITY, false);
        let num_before = self.notes.len();
        for note in take {
            has_listened |= note.breath.is_some();
            (first_s, last_s) = (first_s.min(note.speaks_s), last_s.max(note.end_s));
            self.count(note.breath);
            match &mut phrase {
                Some(phrase) if goes_on(phrase, &note) => {
                    phrase.num += 1;
                    phrase.end_s = note.end_s;
                }
                _ => {
                    let next = Phrase { num: 1, begun_s: note.speaks_s, end_s: note.end_s };
                    self.close(phrase.replace(next));
                }
            }
        }
        self.close(phrase);
        if has_listened {
            self.all.minutes += (last_s - first_s).max(0.0) / 60.0;
        } else {
            self.notes.truncate(num_before);
            self.lengths_s.truncate(num_before);
        }
    }

    fn count(&mut self, breath: Option<Breath>) {
        match breath {
            Some(Breath::Heard(inhalation)) => {
                self.all.num_heard += 1;
                self.to_sound_ms.push(inhalation.before_ms);
                self.inhaled_ms.push(inhalation.length_ms);
            }
            Some(Breath::Unheard) => self.all.num_unheard += 1,
            Some(Breath::Masked) => self.all.num_masked += 1,
            None => {}
        }
    }

    fn close(&mut self, phrase: Option<Phrase>) {
        if let Some(phrase) = phrase {
            self.notes.push(phrase.num as f64);
            self.lengths_s.push(phrase.end_s - phrase.begun_s);
        }
    }

    fn told(self) -> Breathing {
        let num_phrases = self.notes.len();
        let ((notes_per_phrase, phrase_s), (to_sound_ms, inhaled_ms)) = rayon::join(
            || (Median::of(self.notes), Median::of(self.lengths_s)),
            || (Median::of(self.to_sound_ms), Median::of(self.inhaled_ms)),
        );
        Breathing { num_phrases, notes_per_phrase, phrase_s, to_sound_ms, inhaled_ms, ..self.all }
    }
}

fn goes_on(phrase: &Phrase, note: &Breathed) -> bool {
    note.speaks_s - phrase.end_s < REST_S && !matches!(note.breath, Some(Breath::Heard(_)))
}

/// Breathing as a sentence or two; empty where there was no place for a breath, or nobody listened.
#[must_use]
pub fn words(breathing: &Breathing) -> String {
    let &Breathing { num_heard, num_unheard, num_masked, .. } = breathing;
    let num_places = num_heard + num_unheard + num_masked;
    if num_places == 0 {
        return String::new();
    }
    if num_masked as f64 > MOST_MASKED * num_places as f64 {
        let heard = if num_heard == 0 { String::new() } else { format!(" {num_heard} heard elsewhere.") };
        let of = if num_places == 1 { String::new() } else { format!("{num_masked} of ") };
        return format!("too noisy to hear a breath before {of}{} time for one.{heard}", notes_that_leave(num_places));
    }
    if num_heard == 0 {
        return format!("none heard before {} time for one.", notes_that_leave(num_unheard));
    }
    let mut text = format!("{num_heard} heard");
    if let Some(per_minute) = breathing.per_minute() {
        text += &format!(", {per_minute:.0} a minute");
    }
    text += &format!("; {} {}", breathing.num_phrases, if breathing.num_phrases == 1 { "phrase" } else { "phrases" });
    if let (Some(notes), Some(length)) = (breathing.notes_per_phrase, breathing.phrase_s) {
        text += &format!(" of {:.0} notes and {:.1} s in the median", notes.median, length.median);
    }
    if let Some(m) = breathing.to_sound_ms {
        text +=
            &format!("; {:.0} ms from the end of the breath to the sound ({:.0} to {:.0})", m.median, m.low, m.high);
    }
    text + "."
}

fn notes_that_leave(num: usize) -> String {
    if num == 1 { "the one note that leaves".into() } else { format!("{num} notes that leave") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use notefront_dsp::Inhalation;

    const HEARD: Option<Breath> = Some(Breath::Heard(Inhalation { length_ms: 300.0, before_ms: 120.0 }));

    /// A note of 0.4 s.
    fn note(speaks_s: f64, breath: Option<Breath>) -> Breathed {
        Breathed { speaks_s, end_s: speaks_s + 0.4, breath }
    }

    fn of(notes: &[Breathed]) -> Breathing {
        Breathing::of(std::iter::once(notes.iter().copied()))
    }

    #[test]
    fn a_phrase_lasts_from_breath_to_breath_or_rest() {
        // Six phrases of three notes half a second apart: the fourth begins after a rest without a breath.
        let mut notes = Vec::new();
        for phrase in 0..6 {
            let at_s = 3.0 * f64::from(phrase);
            let breath = if phrase == 3 { Some(Breath::Unheard) } else { HEARD };
            notes.extend((0..3).map(|i| note(at_s + 0.5 * f64::from(i), breath.filter(|_| i == 0))));
        }
        let told = of(&notes);
        assert_eq!((told.num_heard, told.num_unheard, told.num_phrases), (5, 1, 6));
        assert_eq!(told.notes_per_phrase.map(|m| (m.low, m.median, m.high)), Some((3.0, 3.0, 3.0)));
        assert!((told.phrase_s.expect("six").median - 1.4).abs() < 1e-9);
        assert_eq!(told.to_sound_ms.map(|m| m.median), Some(120.0));
        // From 0 s to the end of the last note at 16.4 s.
        assert!((told.per_minute().expect("told") - 5.0 / (16.4 / 60.0)).abs() < 1e-9);
        assert_eq!(
            words(&told),
            "5 heard, 18 a minute; 6 phrases of 3 notes and 1.4 s in the median; 120 ms from the end of the breath to the sound \
             (120 to 120)."
        );
    }

    #[test]
    fn too_noisy_is_not_none_heard() {
        let all = |breath| of(&[0.0, 2.0, 4.0].map(|at_s| note(at_s, breath)));
        let (noisy, still) = (all(Some(Breath::Masked)), all(Some(Breath::Unheard)));
        assert!(words(&noisy).starts_with("too noisy to hear a breath before 3 of 3 notes"), "{}", words(&noisy));
        assert_eq!(words(&still), "none heard before 3 notes that leave time for one.");
        let alone = of(&[note(2.0, Some(Breath::Unheard))]);
        assert_eq!(words(&alone), "none heard before the one note that leaves time for one.");
        assert_eq!((noisy.per_minute(), still.per_minute()), (None, None));
    }

    #[test]
    fn a_take_that_was_not_listened_to_says_nothing() {
        let told = of(&[note(0.0, None), note(0.5, None)]);
        assert_eq!(told, Breathing::default());
        assert_eq!((words(&told), words(&of(&[]))), (String::new(), String::new()));
    }
}
