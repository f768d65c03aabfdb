//! A blind sitting: fronts in random order, some of them twice, heard without verdict or picture and answered by key; then
//! how far ear and tool agree, and the ear with itself. What is computed of it stands in `notefront_takes::corrections`; the
//! programme and the sentences are those of the page.

use crate::dice::Dice;
use crate::kept_sound::KeptSound;
use crate::passes::{Pass, PassId};
use crate::session::Session;
use crate::timing::Judging;
use crate::view::listen::{Span, Speed, Stretch};
use notefront_dsp::{FaultName, Front, Settings};
use notefront_takes::corrections::agreement::{self, Agreement};
use notefront_takes::corrections::ear::{EarLine, Lines};
use notefront_takes::corrections::{By, Heard, What, ear, is_heard};
use notefront_takes::summary::Register;
use notefront_takes::words::word;
use std::collections::BTreeSet;
use std::hash::{BuildHasher, Hasher};

/// Fronts that are heard, and how many of them come twice.
const FRONTS: usize = 20;
const TWICE: usize = 5;
/// Fewest fronts a sitting is held on.
pub const FEWEST: usize = 8;
/// A front comes again after so many others at least: its first answer is no longer in the ear.
const APART: usize = 5;

/// A front that can be heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Of which pass.
    pub pass: PassId,
    /// When it speaks, s, and the stretch that is heard.
    pub at_s: f64,
    /// See `at_s`.
    pub span_s: (f64, f64),
    /// What was measured.
    pub front: Front,
    /// Faults that were, but for those of time: a front heard alone has no beat.
    pub measured: Vec<FaultName>,
}

/// What the ear says of a front.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// It is clear.
    Clear,
    /// It is unclear, by this fault where that can be said.
    Unclear(Option<FaultName>),
}

/// One turn: which candidate, and whether it comes again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Turn {
    place: usize,
    is_again: bool,
}

/// A sitting.
#[derive(Debug)]
pub struct Sitting {
    candidates: Vec<Candidate>,
    turns: Vec<Turn>,
    answers: Vec<Answer>,
    settings: Settings,
    /// Where the lines lie, and where this ear draws them, when it is over and any surely lies elsewhere.
    lines: Lines,
    /// See `lines`.
    pub offered: Option<Lines>,
    /// What it kept: passes, and the ids of corrections.
    kept: Vec<(PassId, String)>,
    /// Unclear was said, and which fault is asked.
    pub asks_which: bool,
    /// What is told when it is over.
    pub told: Vec<String>,
    /// The answers were taken back.
    pub is_taken_back: bool,
    /// Why the front is not heard.
    pub trouble: String,
}

/// Another number at every call.
#[must_use]
pub fn seed() -> u64 {
    std::collections::hash_map::RandomState::new().build_hasher().finish()
}

impl Sitting {
    /// A sitting on the fronts of a pass, and where those are few, of the newest others whose sound is kept.
    ///
    /// # Errors
    /// Too few fronts, in words.
    pub fn begin(session: &Session, pass: PassId, kept: &KeptSound, seed: u64) -> Result<Self, String> {
        let own = session.pass(pass).into_iter();
        let others = session.passes().iter().rev().filter(|p| p.id != pass && !p.live);
        let mut candidates = Vec::new();
        for pass in own.chain(others) {
            if candidates.len() < FRONTS {
                candidates.extend(candidates_of(pass, kept.length_s(pass.id)));
            }
        }
        Self::on(candidates, seed)
    }

    fn on(candidates: Vec<Candidate>, seed: u64) -> Result<Self, String> {
        if candidates.len() < FEWEST {
            return Err("A blind sitting needs eight entrances or more whose sound is kept.".into());
        }
        let turns = programme(&candidates, &mut Dice::new(seed));
        Ok(Self {
            candidates,
            turns,
            answers: Vec::new(),
            settings: Settings::default(),
            lines: Lines::default(),
            offered: None,
            kept: Vec::new(),
            asks_which: false,
            told: Vec::new(),
            is_taken_back: false,
            trouble: String::new(),
        })
    }

    /// Which turn it is, from 1, and of how many; `None` when it is over.
    #[must_use]
    pub fn turn(&self) -> Option<(usize, usize)> {
        (self.answers.len() < self.turns.len()).then_some((self.answers.len() + 1, self.turns.len()))
    }

    /// Answers that were given.
    #[must_use]
    pub fn num_answers(&self) -> usize {
        self.answers.len()
    }

    /// What is heard now, as loud as every other front.
    #[must_use]
    pub fn stretch(&self) -> Option<Stretch> {
        let candidate = &self.candidates[self.turns.get(self.answers.len())?.place];
        let beside = distinct(self.turns.iter().map(|turn| self.candidates[turn.place].pass));
        let (pass, span_s) = (candidate.pass, candidate.span_s);
        Some(Stretch { pass, span_s, speed: Speed::Full, is_looped: false, beside })
    }

    /// Takes an answer; true when it was the last.
    pub fn answer(&mut self, answer: Answer) -> bool {
        if self.turn().is_some() {
            self.answers.push(answer);
        }
        (self.asks_which, self.trouble) = (false, String::new());
        self.turn().is_none()
    }

    /// Keeps the first answer on each front as a correction, and tells how it went; the passes it was said of.
    pub fn keep(&mut self, session: &mut Session, judging: &Judging) -> Vec<PassId> {
        (self.settings, self.lines) = (judging.settings, judging.lines);
        let first = self.turns.iter().zip(&self.answers).filter(|(turn, _)| !turn.is_again);
        for (turn, answer) in first {
            let candidate = &self.candidates[turn.place];
            let what = match *answer {
                Answer::Clear => What::Fine { reason: None },
                Answer::Unclear(fault) => What::Unclear { fault },
            };
            let said = session.pass_mut(candidate.pass).and_then(|p| p.say(By::Blind, candidate.at_s, what, judging));
            self.kept.extend(said.map(|id| (candidate.pass, id)));
        }
        let drawn = ear::lines_of(&self.said(session), &self.settings);
        self.offered = self.lines.moved_to(&drawn);
        self.told = self.sentences(&drawn);
        self.passes()
    }

    /// Takes the answers back that were kept; the passes they were said of.
    pub fn take_back(&mut self, session: &mut Session, judging: &Judging) -> Vec<PassId> {
        let passes = self.passes();
        for (pass, id) in self.kept.drain(..) {
            if let Some(pass) = session.pass_mut(pass) {
                pass.undo(&id, judging);
            }
        }
        self.is_taken_back = true;
        passes
    }

    fn passes(&self) -> Vec<PassId> {
        distinct(self.kept.iter().map(|(pass, _)| *pass))
    }

    /// How it went.
    fn sentences(&self, drawn: &[EarLine]) -> Vec<String> {
        let first: Vec<(&Candidate, Answer)> = self.answered(false).collect();
        let pairs = first.iter().map(|(c, answer)| (*answer != Answer::Clear, !c.measured.is_empty()));
        let mut told = Vec::new();
        if let Some(agreed) = agreed(pairs) {
            told.push(format!(
                "Your ear and the tool agree on {}. Kappa is 1 for full agreement and 0 for what chance would give.",
                in_words(&agreed, "fronts")
            ));
        }
        let again = self.answered(true).filter_map(|(candidate, second)| {
            let before = first.iter().find(|(c, _)| std::ptr::eq(*c, candidate))?.1;
            Some((before != Answer::Clear, second != Answer::Clear))
        });
        if let Some(agreed) = agreed(again) {
            told.push(format!("Your ear agrees with itself on {}.", in_words(&agreed, "fronts that came twice")));
        }
        told.extend(parted(&first));
        told.extend(self.lines(drawn));
        told
    }

    fn answered(&self, is_again: bool) -> impl Iterator<Item = (&Candidate, Answer)> {
        let all = self.turns.iter().zip(&self.answers).filter(move |(turn, _)| turn.is_again == is_again);
        all.map(|(turn, answer)| (&self.candidates[turn.place], *answer))
    }

    /// What the ear said of all passes there are, these answers among it, and of the fronts that came again.
    fn said(&self, session: &Session) -> Vec<(Front, Heard)> {
        let heard = |answer| match answer {
            Answer::Clear => Heard::Fine(None),
            Answer::Unclear(fault) => Heard::Unclear(fault),
        };
        let corrected = session.passes().iter().filter_map(|pass| pass.corrected.as_ref());
        let kept = corrected.flat_map(|corrected| ear::said(&corrected.by_ear));
        kept.chain(self.answered(true).map(|(c, answer)| (c.front, heard(answer)))).collect()
    }

    /// Which line would follow this ear better.
    fn lines(&self, drawn: &[EarLine]) -> Vec<String> {
        let too_few = "The answers are too few to move a line: twelve on one fault, three of each kind, are the least. More \
                       sittings add up.";
        match (drawn.is_empty(), &self.offered) {
            (true, _) => vec![too_few.into()],
            (false, None) => vec!["No line lies surely elsewhere for you.".into()],
            (false, Some(_)) => {
                let apart = drawn.iter().filter(|line| self.lines.moved_to(std::slice::from_ref(*line)).is_some());
                apart.map(EarLine::in_words).collect()
            }
        }
    }
}

/// Passes, each once.
fn distinct(passes: impl Iterator<Item = PassId>) -> Vec<PassId> {
    passes.collect::<BTreeSet<_>>().into_iter().collect()
}

/// Fronts of a pass that can be heard: what was found, and is not said to be none.
fn candidates_of(pass: &Pass, kept_s: f64) -> Vec<Candidate> {
    let found = |place: usize| {
        let by_ear = pass.said_of(place);
        by_ear.map_or_else(|| pass.entrances.get(place).copied(), |by_ear| by_ear.found)
    };
    let all = (0..pass.entrances.len()).filter_map(found);
    let heard = all.map(|entrance| {
        let at_s = entrance.front.speaks_s;
        let measured = entrance.verdict.faults.iter().map(|f| f.name).filter(|fault| is_heard(*fault)).collect();
        Candidate { pass: pass.id, at_s, span_s: Span::Front.around(pass, at_s), front: entrance.front, measured }
    });
    heard.filter(|c| c.span_s.1 <= kept_s + 0.05).collect()
}

/// Which fronts are heard, flagged and clear mixed, and those that come again later.
fn programme(candidates: &[Candidate], dice: &mut Dice) -> Vec<Turn> {
    let (flagged, clear): (Vec<usize>, Vec<usize>) =
        (0..candidates.len()).partition(|&i| !candidates[i].measured.is_empty());
    let (flagged, clear) = (dice.shuffled(flagged), dice.shuffled(clear));
    let num_flagged = flagged.len().min((FRONTS / 2).max(FRONTS.saturating_sub(clear.len())));
    let some = flagged.into_iter().take(num_flagged).chain(clear.into_iter().take(FRONTS - num_flagged));
    let once = dice.shuffled(some.collect());
    let num_again = TWICE.max(FRONTS.saturating_sub(once.len())).min(once.len());
    // Those at the end could not come again apart from themselves: they do only where there are few.
    let (early, late) = once.split_at(once.len().saturating_sub(APART));
    let again = dice.shuffled(early.to_vec()).into_iter().chain(dice.shuffled(late.to_vec()));
    let again: Vec<usize> = again.take(num_again).collect();
    let mut turns: Vec<Turn> = once.into_iter().map(|place| Turn { place, is_again: false }).collect();
    for place in again {
        let first = turns.iter().position(|turn| turn.place == place).unwrap_or(0);
        let from = (first + APART).min(turns.len());
        let at = from + dice.below(turns.len() - from + 1);
        turns.insert(at, Turn { place, is_again: true });
    }
    turns
}

/// How two judgements of the same fronts agree; each pair tells whether it is unclear.
fn agreed(pairs: impl Iterator<Item = (bool, bool)>) -> Option<Agreement> {
    let mut table = [[0; 2]; 2];
    pairs.for_each(|(a, b)| table[usize::from(a)][usize::from(b)] += 1);
    agreement::of(&[&table[0], &table[1]])
}

/// "15 of 20 fronts (75 %); kappa 0.50 (0.12 to 0.88, 95 times out of 100)".
fn in_words(agreed: &Agreement, of_what: &str) -> String {
    let alike = (agreed.share * agreed.num as f64).round();
    let kappa = match agreed.kappa {
        Some(k) => format!("kappa {:.2} ({:.2} to {:.2}, 95 times out of 100)", k.value, k.low, k.high),
        None => "kappa cannot be told: one answer throughout".into(),
    };
    let percent = 100.0 * agreed.share;
    format!("{alike:.0} of {} {of_what} ({percent:.0} %); {}", agreed.num, kappa.replace('-', "\u{2212}"))
}

/// Where ear and tool part.
fn parted(first: &[(&Candidate, Answer)]) -> Vec<String> {
    let apart = first.iter().filter(|(c, answer)| (*answer == Answer::Clear) != c.measured.is_empty());
    let apart: Vec<_> = apart.collect();
    if apart.is_empty() {
        return vec!["You and the tool part nowhere.".into()];
    }
    let (mut dismissed, mut missed, mut registers) = (Vec::new(), Vec::new(), Vec::new());
    for (candidate, answer) in apart {
        match answer {
            Answer::Clear => dismissed.push(candidate.measured.first().map_or("unclear", |f| word(*f))),
            Answer::Unclear(fault) => missed.push(fault.map_or("no fault named", word)),
        }
        registers.push(candidate.front.midi_note.map(Register::of).map_or("no pitch", Register::as_str));
    }
    let told = [
        ("Flagged, and clear to you", dismissed),
        ("Clear to the tool, and unclear to you", missed),
        ("You part by register", registers),
    ];
    told.into_iter()
        .filter(|(_, all)| !all.is_empty())
        .map(|(what, all)| format!("{what}: {}.", counted(&all)))
        .collect()
}

/// "air first 3, split 1", the most frequent first.
fn counted(words: &[&str]) -> String {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    for word in words {
        match counts.iter_mut().find(|(known, _)| known == word) {
            Some((_, num)) => *num += 1,
            None => counts.push((word, 1)),
        }
    }
    counts.sort_by_key(|(_, num)| std::cmp::Reverse(*num));
    counts.into_iter().map(|(word, num)| format!("{word} {num}")).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choices::Choices;
    use crate::fixture;

    fn judging() -> Judging {
        Choices::default().judging()
    }

    /// A session with a pass of so many entrances whose sound is kept.
    fn session(num: usize) -> (Session, KeptSound) {
        let (mut session, kept) = (Session::default(), KeptSound::default());
        session.add(fixture::mixed_pass(num, 3));
        session.rejudge(&judging());
        kept.push(1, 1_000.0, &vec![0.1; 1_000 * (num + 5)]);
        (session, kept)
    }

    fn is_flagged(candidate: &Candidate) -> bool {
        !candidate.measured.is_empty()
    }

    #[test]
    fn flagged_and_clear_are_mixed_and_some_come_twice_apart_from_each_other() {
        let (session, kept) = session(200);
        let mut orders = BTreeSet::new();
        for seed in 1..=50 {
            let sitting = Sitting::begin(&session, 1, &kept, seed * 7919).expect("enough");
            assert_eq!(sitting.turns.len(), FRONTS + TWICE);
            let once: Vec<_> = sitting.turns.iter().filter(|t| !t.is_again).map(|t| t.place).collect();
            assert_eq!(once.iter().collect::<BTreeSet<_>>().len(), FRONTS, "each once");
            assert_eq!(once.iter().filter(|p| is_flagged(&sitting.candidates[**p])).count(), FRONTS / 2);
            for (at, turn) in sitting.turns.iter().enumerate().filter(|(_, t)| t.is_again) {
                let first = sitting.turns.iter().position(|t| t.place == turn.place).expect("it came before");
                assert!(at > first && !sitting.turns[first].is_again);
                assert!(at - first >= APART, "{first} and {at}");
            }
            orders.insert(format!("{:?}", sitting.turns));
        }
        assert_eq!(orders.len(), 50, "no two alike");
    }

    #[test]
    fn few_fronts_come_more_often_and_too_few_are_refused() {
        let (session, kept) = session(FEWEST);
        let sitting = Sitting::begin(&session, 1, &kept, 3).expect("just enough");
        assert_eq!(sitting.turns.len(), 2 * FEWEST);
        let (session, kept) = super::tests::session(FEWEST - 1);
        assert!(Sitting::begin(&session, 1, &kept, 3).expect_err("too few").contains("eight"));
        assert!(Sitting::begin(&session, 1, &KeptSound::default(), 3).is_err(), "nothing is kept");
        assert!(Sitting::begin(&Session::default(), 1, &kept, 3).is_err());
    }

    #[test]
    fn an_ear_that_agrees_is_told_so_and_its_answers_are_kept_and_taken_back() {
        let (mut session, kept) = session(60);
        let before = format!("{:?}", session.passes()[0].entrances);
        let mut sitting = Sitting::begin(&session, 1, &kept, 5).expect("enough");
        while let Some((turn, _)) = sitting.turn() {
            let stretch = sitting.stretch().expect("a front is asked about");
            assert!((stretch.pass, stretch.beside.as_slice()) == (1, &[1]) && stretch.span_s.1 > stretch.span_s.0);
            let candidate = &sitting.candidates[sitting.turns[turn - 1].place];
            let answer = match candidate.measured.first() {
                Some(fault) => Answer::Unclear(Some(*fault)),
                None => Answer::Clear,
            };
            assert_eq!(sitting.answer(answer), turn == FRONTS + TWICE);
        }
        assert_eq!(sitting.keep(&mut session, &judging()), [1]);
        assert!(sitting.told[0].contains("20 of 20 fronts (100 %); kappa 1.00 (1.00 to 1.00"), "{:?}", sitting.told);
        assert!(sitting.told[1].contains("5 of 5 fronts that came twice"), "{:?}", sitting.told);
        assert!(sitting.told.iter().any(|told| told.contains("part nowhere")));
        let said = session.passes()[0].said();
        assert!(said.len() == FRONTS && said.iter().all(|c| c.by == By::Blind));
        assert_eq!(sitting.take_back(&mut session, &judging()), [1]);
        assert!(format!("{:?}", session.passes()[0].entrances) == before);
    }

    #[test]
    fn where_ear_and_tool_part_is_told_by_fault_and_register() {
        let (mut session, kept) = session(60);
        let mut sitting = Sitting::begin(&session, 1, &kept, 5).expect("enough");
        // Everything is clear to this ear but the first clear one, which is airy.
        let odd = (0..FRONTS + TWICE).find(|&i| !is_flagged(&sitting.candidates[sitting.turns[i].place]));
        for i in 0..FRONTS + TWICE {
            sitting.answer(if Some(i) == odd { Answer::Unclear(Some(FaultName::Airy)) } else { Answer::Clear });
        }
        sitting.keep(&mut session, &judging());
        let told = sitting.told.join(" ");
        // 9 of the clear ones: by hand.
        assert!(told.contains("agree on 9 of 20 fronts (45 %)"), "{told}");
        assert!(
            told.contains("Flagged, and clear to you: ") && told.contains("unclear to you: air first 1."),
            "{told}"
        );
        assert!(told.contains("You part by register: "), "{told}");
    }

    #[test]
    fn what_was_placed_or_removed_by_the_player_is_not_asked_about() {
        let (mut session, kept) = session(30);
        let pass = session.pass_mut(1).expect("the first");
        let at = |place: usize| pass.entrances[place].front.speaks_s;
        let (first, between) = (at(3), at(5) + 0.4);
        pass.say(By::Insert, first, What::Removed, &judging());
        pass.say(By::Insert, between, What::Added { midi_note: None }, &judging());
        assert_eq!(candidates_of(&session.passes()[0], kept.length_s(1)).len(), 29);
    }
}
