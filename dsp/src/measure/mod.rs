//! One note's closer look put together into its front.

mod told;

use crate::air::{self, Air, AirFinder, Tone};
use crate::approach::{self, Approach};
use crate::body;
use crate::breath::{BreathListener, held_breath_ms};
use crate::coarse::{Note, Start};
use crate::entrance::{Articulation, Breath, CannotTell, Evidence, Front, Measure, Passage, Told};
use crate::framer::History;
use crate::front::FrontReader;
use crate::instants::{self, Instants, Tracks};
use crate::level::LevelTrack;
use crate::look::{Candidate, Looker};
use crate::observe::Frames;
use crate::parameters::instants::{FOLLOW_SHARE, NEAR_S, SOFT_SHARE};
use crate::path::Path;
use crate::settings::Settings;
use crate::slide::{self, SlideFinder, Way};
use crate::slur::{Joint, SlurFinder};
use crate::steady::{Settled, SteadyFinder};
use crate::stutter;
use crate::tail::Previous;
use crate::tone::ToneReader;
use crate::trombone::{self, round_trip_s};
use crate::units::{midi_to_hz, power_to_db};

/// Level track: one value a millisecond, from the earliest sample to this long after the coarse start, s \[T\].
const LEVEL_STEP_S: f64 = 0.001;
const LEVEL_AFTER_S: f64 = 0.750;
/// An overshoot falls within this many round trips \[D\].
const HARD_ROUND_TRIPS: f64 = 3.0;
/// Most level values: 0.25 + 0.45 s and some \[T\].
const MAX_LEVELS: usize = 1_400;

/// Measures notes one after the other.
pub struct Measurer {
    rate_hz: f64,
    settings: Settings,
    steady: SteadyFinder,
    slur: SlurFinder,
    reader: FrontReader,
    level: LevelTrack,
    tone: LevelTrack,
    path: Path,
    slides: SlideFinder,
    values: Vec<f64>,
    air: AirFinder,
    breaths: BreathListener,
    body: ToneReader,
    num_told: usize,
    previous: Previous,
    open: Option<usize>,
    loudest: f64,
}

/// Everything seen of one front.
struct Seen {
    settled: Settled,
    instants: Instants,
    articulation: Articulation,
    approach: Option<Approach>,
    air: Option<Air>,
    tone_power: f64,
    approach_cents: Told,
    overshoot_db: Told,
    /// Time since the end of the note before, internal samples; `None` where the note grows out of it.
    silence: Option<f64>,
    evidence: Evidence,
}

impl Seen {
    /// First internal sample of the entrance: its air's, or its tone's.
    fn sound_start(&self) -> f64 {
        self.air.map_or(self.instants.onset, |a| a.start)
    }
}

impl Measurer {
    /// A measurer for an internal rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64, settings: Settings) -> Self {
        let looker = Looker { rate_hz };
        Self {
            rate_hz,
            settings,
            steady: SteadyFinder::new(looker),
            slur: SlurFinder::new(looker),
            reader: FrontReader::new(looker),
            level: LevelTrack::with_capacity(MAX_LEVELS),
            tone: LevelTrack::with_capacity(MAX_LEVELS),
            path: Path::new(rate_hz),
            slides: SlideFinder::default(),
            values: Vec::with_capacity(MAX_LEVELS),
            air: AirFinder::new(rate_hz),
            breaths: BreathListener::new(rate_hz),
            body: ToneReader::new(rate_hz),
            num_told: 0,
            previous: Previous::new(rate_hz),
            open: None,
            loudest: 0.0,
        }
    }

    /// Back to the state of `new`.
    pub fn clear(&mut self) {
        self.breaths.clear();
        self.num_told = 0;
        self.previous = Previous::new(self.rate_hz);
        self.open = None;
        self.loudest = 0.0;
    }

    /// What was seen of the note measured last: before it, and of its way in.
    #[must_use]
    pub fn last_seen(&self) -> ([Option<air::Seen>; 2], Option<slide::Seen>) {
        (self.air.last_seen(), self.slides.last_seen())
    }

    /// Listens to what the history has more than before.
    pub fn listen(&mut self, history: &History) {
        self.breaths.advance(history);
    }

    /// Notes the end (internal sample) of a note measured before. Gives the entrance's index if it was told without one.
    pub fn end_note(&mut self, end: i64) -> Option<usize> {
        self.previous.end = end;
        self.open.take()
    }

    /// Looks closely at a note. `None` where there is no note after all.
    pub fn measure(&mut self, history: &History, frames: &Frames, note: &Note, floor_db: f32) -> Option<Front> {
        let candidate = self.candidate(history, frames, note)?;
        self.open = None;
        self.air.forget();
        self.slides.forget();
        let mut seen = self.look(history, frames, note, &candidate, floor_db)?;
        seen.evidence.passage = self.passage(history, frames, &candidate, &seen);
        seen.evidence.breath = self.breath(history, note, &seen);
        let span = (seen.instants.speaks, candidate.end as f64);
        seen.evidence.tone = self.body.read(history, self.steady.looks(), span, seen.settled.hz).ok();
        let front = self.front(note, frames, &seen);
        self.previous.set(seen.settled.hz, seen.instants.speaks, seen.tone_power);
        self.num_told += 1;
        self.open = note.end.is_none().then_some(front.index);
        Some(front)
    }

    fn candidate(&self, history: &History, frames: &Frames, note: &Note) -> Option<Candidate> {
        let start = frames.centre(note.start);
        let end = note.end.map_or(history.len(), |e| frames.centre(e));
        let earliest = match note.kind {
            Start::Fresh => self.previous.end,
            Start::Dip => start,
            Start::Pitch => start - frames.centre(2),
        };
        let midi = Some(f64::from(note.midi)).filter(|midi| !midi.is_nan())?;
        Some(Candidate { start, end, earliest, hz: midi_to_hz(midi, 440.0) })
    }

    fn look(
        &mut self,
        history: &History,
        frames: &Frames,
        note: &Note,
        candidate: &Candidate,
        floor_db: f32,
    ) -> Option<Seen> {
        let is_soft = self.is_soft(history, candidate);
        let settled = self.steady.settle(history, candidate, is_soft)?;
        let tone_power = history.full_power(settled.from as i64, settled.to as i64);
        self.loudest = self.loudest.max(tone_power);
        let least = FOLLOW_SHARE * history.band_power(settled.from as i64, settled.to as i64);
        let least = least.max(self.previous.tail_power(history, note, candidate.start));
        self.reader.follow_back(history, candidate, &settled, least);
        let articulation = note.articulation;
        let mut instants = self.instants(history, note, candidate, &settled)?;
        let (period, mut air) = (self.rate_hz / settled.hz, None);
        if note.kind == Start::Fresh {
            let tone = self.tone_of(candidate, &instants, period, tone_power);
            air = self.previous.air_before(&mut self.air, history, self.reader.points(), tone);
            instants = instants::placed(instants, note.placed_s * self.rate_hz, air.is_some(), self.rate_hz);
        }
        let mut seen = Seen {
            settled,
            instants,
            articulation,
            approach: None,
            air,
            tone_power,
            approach_cents: Err(CannotTell::Slurred),
            overshoot_db: Err(CannotTell::Slurred),
            silence: None,
            evidence: Evidence::default(),
        };
        if articulation == Articulation::Slurred {
            return Some(seen);
        }
        let way = Way {
            points: self.reader.points(),
            level: &self.level,
            instants: &instants,
            settled: &settled,
            end: candidate.end as f64,
            rate_hz: self.rate_hz,
        };
        let approach = approach::read(&mut self.path, &mut self.slides, &way);
        seen.approach = Some(approach);
        seen.approach_cents = approach.lean.map_or(Err(CannotTell::NoPitch), |(value, width)| told(value, width));
        if note.kind == Start::Fresh {
            seen.silence = Some(self.silence(candidate, air, &instants, tone_power));
        }
        seen.overshoot_db = self.overshoot_db(candidate, &seen);
        seen.evidence = self.evidence(frames, candidate, &seen, floor_db);
        Some(seen)
    }

    /// What air is to lead into.
    fn tone_of(&self, candidate: &Candidate, instants: &Instants, period: f64, power: f64) -> Tone {
        let period_before = self.previous.spoke().map(|(hz, _)| self.rate_hz / hz);
        Tone { onset: instants.onset, earliest: candidate.earliest as f64, period, power, period_before }
    }

    /// Internal samples of silence before an onset, a second at most: where what the air rises out of, or the tone without
    /// air, is far softer than the tone there was one, wherever the note before ended.
    fn silence(&self, candidate: &Candidate, air: Option<Air>, instants: &Instants, tone_power: f64) -> f64 {
        let is_still = match air {
            Some(air) => air.floor < SOFT_SHARE * tone_power,
            None => instants.before < SOFT_SHARE * instants.peak,
        };
        if is_still { self.rate_hz } else { instants.onset - candidate.earliest as f64 }
    }

    /// Far under the loudest note so far: a soft note, or the player talking.
    fn is_soft(&self, history: &History, candidate: &Candidate) -> bool {
        let end = candidate.end.min(candidate.start + (0.2 * self.rate_hz) as i64);
        history.full_power(candidate.start, end) < SOFT_SHARE * self.loudest
    }

    fn instants(
        &mut self,
        history: &History,
        note: &Note,
        candidate: &Candidate,
        settled: &Settled,
    ) -> Option<Instants> {
        let from = self.reader.earliest(candidate);
        let to = candidate.end.min(candidate.start + (LEVEL_AFTER_S * self.rate_hz) as i64);
        let period = self.rate_hz / settled.hz;
        self.level.fill(history, from as i64, to, LEVEL_STEP_S * self.rate_hz, period);
        let (from, to) = (from.ceil(), to as f64);
        if note.articulation == Articulation::Slurred {
            return instants::at_slur(&self.level, note.placed_s * self.rate_hz, to, self.rate_hz);
        }
        if note.kind != Start::Fresh {
            let found = instants::after_dip(&self.level, from, to, candidate.start as f64, self.rate_hz)?;
            return Some(instants::begun_at(found, note.placed_s * self.rate_hz));
        }
        let guess =
            self.level.max(candidate.start as f64, candidate.start as f64 + instants::PEAK_RANGE_S * self.rate_hz);
        let from = instants::skip_tail(&self.level, from, to, guess);
        let from = from.max((note.placed_s - NEAR_S) * self.rate_hz);
        let tone_start = instants::tone_start(self.reader.points(), from, guess).unwrap_or(candidate.start as f64);
        instants::fill_tone(&mut self.tone, &self.level, self.reader.points());
        let tracks = Tracks { level: &self.level, tone: &self.tone };
        instants::find(&tracks, from, to, tone_start, period, self.rate_hz)
    }

    fn evidence(&self, frames: &Frames, candidate: &Candidate, seen: &Seen, floor_db: f32) -> Evidence {
        let approach = seen.approach;
        let spoke_before = self.previous.spoke().map(|(_, speaks)| speaks);
        let among = stutter::Among { spoke_before, end: candidate.end as f64 };
        Evidence {
            split: approach.and_then(|a| a.split),
            stutter: stutter::find(&self.level, self.reader.points(), &seen.instants, among, self.rate_hz),
            smear: approach.and_then(|a| a.slide),
            held_breath_ms: held_breath_ms(frames, frames.at(seen.sound_start() as i64), floor_db),
            clipped: false,
            passage: None,
            breath: None,
            tone: None,
            air_probability: seen.air.map(|air| air.probability),
        }
    }

    /// The way from the note before, where this one grew out of it.
    fn passage(&mut self, history: &History, frames: &Frames, candidate: &Candidate, seen: &Seen) -> Option<Passage> {
        let (old_hz, from) = self.previous.spoke().filter(|_| seen.articulation != Articulation::Tongued)?;
        let new_hz = seen.settled.hz;
        let joint = Joint { old_hz, new_hz, from, to: candidate.end as f64, at: seen.instants.onset };
        let positions = [&self.positions(old_hz), &self.positions(new_hz)];
        Some(self.slur.passage(history, frames, &joint, positions))
    }

    /// The inhalation in the time before a fresh note.
    fn breath(&mut self, history: &History, note: &Note, seen: &Seen) -> Option<Breath> {
        if note.kind != Start::Fresh {
            return None;
        }
        let loud_db = power_to_db(self.loudest);
        self.breaths.before(history, self.previous.end, seen.sound_start() as i64, loud_db)
    }

    /// Level of the attack over the body it drops to.
    fn overshoot_db(&mut self, candidate: &Candidate, seen: &Seen) -> Told {
        let partial = self.positions(seen.settled.hz).iter().next().map(|p| p.partial);
        let drop_s = HARD_ROUND_TRIPS * round_trip_s(seen.settled.hz, partial);
        let (level, instants, end) = (&self.level, &seen.instants, candidate.end as f64);
        let (value, width) = body::overshoot_db(level, instants, end, drop_s, self.rate_hz, &mut self.values)?;
        told(value, width)
    }

    fn positions(&self, hz: f64) -> crate::entrance::Positions {
        trombone::positions(hz, self.settings.a4_hz, self.settings.instrument)
    }

    fn seconds(&self, samples: f64) -> f64 {
        samples / self.rate_hz
    }

    fn ms(&self, samples: f64) -> f64 {
        samples / self.rate_hz * 1e3
    }
}

fn told(value: f64, uncertainty: f64) -> Told {
    Ok(Measure { value, uncertainty })
}

#[cfg(test)]
mod tests {
    use crate::analyzer::analyze;
    use crate::entrance::{Articulation, Front};
    use crate::settings::Settings;
    use crate::test_sounds::{RATE_HZ, noise, sound, tone};
    use approx::assert_abs_diff_eq;

    /// A note of `hz` that rises straight over `rise_s` from 0.4 s on, as `change` makes it.
    fn front(hz: f64, rise_s: f64, change: impl Fn(f64, f64) -> f64) -> Front {
        let level = |s: f64| ((s - 0.4) / rise_s).clamp(0.0, 1.0) * ((1.4 - s) / 0.050).clamp(0.0, 1.0);
        let samples = sound(1.8, |s| change(s, level(s) * tone(hz, 1..=10, 0.1, s)));
        let found = analyze(&samples, RATE_HZ, Settings::default()).expect("a usual rate");
        assert_eq!(found.len(), 1, "one note");
        found[0]
    }

    /// Closed forms of a straight rise (measures page \[C\]): 20 to 90 % takes 0.700 of it, energy 2 % to its maximum 0.859.
    #[test]
    fn a_straight_rise_has_the_attack_of_its_closed_form() {
        for rise_s in [0.040, 0.080] {
            let found = front(233.08, rise_s, |_, x| x);
            let attack_ms = found.attack_ms.expect("told").value;
            assert_abs_diff_eq!(attack_ms, 700.0 * rise_s, epsilon = 2.5);
            let log_attack_time = found.log_attack_time.expect("told").value;
            // A ripple of a hundredth of a decibel moves the maximum by some milliseconds: a tenth of a decade.
            assert_abs_diff_eq!(log_attack_time, (0.859 * rise_s).log10(), epsilon = 0.1);
            // A tenth and a quarter of the way up.
            assert_abs_diff_eq!(found.onset_s, 0.4 + 0.1 * rise_s, epsilon = 0.003);
            assert_abs_diff_eq!(found.speaks_s, 0.4 + 0.251 * rise_s, epsilon = 0.003);
        }
    }

    /// Equal temperament, ISO 16: A4 = 440 Hz.
    #[test]
    fn a_note_has_its_name_its_tuning_and_its_place_on_the_slide() {
        let found = front(233.08 * (10.0f64 / 1200.0).exp2(), 0.020, |_, x| x);
        assert_eq!(found.midi_note, Some(58));
        assert_abs_diff_eq!(found.tuning_cents.expect("told").value, 10.0, epsilon = 0.5);
        assert_eq!(found.partial, Some(4), "Bb3 in first position");
        assert_eq!(found.articulation, Articulation::Tongued);
        // Ten partials of amplitude 0.1 / k.
        let power: f64 = (1..=10).map(|k| 0.5 * (0.1 / f64::from(k)).powi(2)).sum();
        assert_abs_diff_eq!(found.level_db, 10.0 * power.log10(), epsilon = 0.2);
        assert_abs_diff_eq!(found.approach_cents.expect("told").value, 0.0, epsilon = 1.0);
        assert_abs_diff_eq!(found.settle_ms.expect("told").value, 0.0, epsilon = 1e-9);
        assert_eq!(found.noise_before_tone_ms.expect("told").value, 0.0);
    }

    #[test]
    fn air_before_the_tone_begins_the_sound_and_not_the_note() {
        let mut hiss = noise(7);
        let hiss: Vec<f64> = (0..86_400).map(|_| hiss()).collect();
        // 100 ms of it, 20 dB under the tone of 0.0077 mean square.
        let air = |s: f64| if (0.3..0.4).contains(&s) { (0.007_7f64 * 0.01).sqrt() } else { 0.0 };
        let found = front(233.08, 0.015, |s, x| x + air(s) * hiss[(s * RATE_HZ) as usize]);
        assert_abs_diff_eq!(found.noise_before_tone_ms.expect("told").value, 100.0, epsilon = 12.0);
        assert_abs_diff_eq!(found.noise_before_tone_db.expect("told").value, -20.0, epsilon = 2.0);
        assert_abs_diff_eq!(found.onset_s, 0.4015, epsilon = 0.005);
        assert_abs_diff_eq!(found.sound_start_s, 0.3, epsilon = 0.012);
    }

    #[test]
    fn a_take_that_begins_inside_a_note_has_no_entrance_there() {
        let samples = sound(1.0, |s| ((0.9 - s) / 0.05).clamp(0.0, 1.0) * tone(233.08, 1..=10, 0.1, s));
        let found = analyze(&samples, RATE_HZ, Settings::default()).expect("a usual rate");
        assert!(found.iter().all(|front| front.speaks_s > 0.5), "{} entrances", found.len());
    }
}
