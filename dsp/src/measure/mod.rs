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

    /// Looks closely at a note that lasts until a frame as far as is seen. `None` where there is no note after all.
    pub fn measure(
        &mut self,
        history: &History,
        frames: &Frames,
        note: &Note,
        until: i64,
        floor_db: f32,
    ) -> Option<Front> {
        let candidate = self.candidate(history, frames, note, until)?;
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

    fn candidate(&self, history: &History, frames: &Frames, note: &Note, until: i64) -> Option<Candidate> {
        let start = frames.centre(note.start);
        let end = if until < frames.len() { frames.centre(until) } else { history.len() };
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
        let settled = self.steady.settle(history, candidate, self.previous.spoke().map(|before| before.0), is_soft)?;
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
            // What would begin after the onset, now that it has its place, is the tone.
            air = air.filter(|air| air.start < instants.onset);
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
        let start = candidate.start as f64;
        let top = self.level.top(start, start + instants::PEAK_RANGE_S * self.rate_hz);
        let guess = self.level.at(top);
        let from = instants::skip_tail(&self.level, from, top, guess);
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
    use crate::entrance::{Articulation, Front, Told};
    use crate::settings::Settings;
    use crate::test_sounds::{
        RATE_HZ, RISES, Shape, dice, fronts, gliding, held, noise, share_of, sound, tone, tone_power, with_noise,
    };
    use crate::units::cents;
    use approx::assert_abs_diff_eq;

    /// A note of `hz` that rises straight over `rise_s` from 0.4 s on, as `change` makes it.
    fn front(hz: f64, rise_s: f64, change: impl Fn(f64, f64) -> f64) -> Front {
        let level = |s: f64| ((s - 0.4) / rise_s).clamp(0.0, 1.0) * ((1.4 - s) / 0.050).clamp(0.0, 1.0);
        let samples = sound(1.8, |s| change(s, level(s) * tone(hz, 1..=10, 0.1, s)));
        let found = analyze(&samples, RATE_HZ, Settings::default()).expect("a usual rate");
        assert_eq!(found.len(), 1, "one note");
        found[0]
    }

    /// Closed forms of a straight rise (measures page \[C\]): 20 to 90 % takes 0.700 of it, energy 2 % to its maximum
    /// 0.859.
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

    /// A made note: what its front is to be told as.
    struct Made {
        hz: f64,
        onset_s: f64,
        speaks_s: f64,
        cents: fn(f64, f64) -> f64,
        /// Depth of its way in, cents.
        depth: f64,
        /// Its amplitude at a time, s.
        rise: (Shape, f64, f64),
        front: Front,
    }

    impl Made {
        /// Cents off its pitch so long after the onset, s.
        fn off(&self, s: f64) -> f64 {
            (self.cents)(self.depth, s)
        }

        /// Amplitude so long after the onset, s, share of the highest.
        fn level(&self, s: f64) -> f64 {
            let (shape, start_s, rise_s) = self.rise;
            shape(((self.onset_s + s - start_s) / rise_s).clamp(0.0, 1.0))
        }

        /// The lean as the measures page defines it, from the laws themselves: the mean way off from the onset until
        /// 100 ms after the note speaks, weighted by amplitude to the power 0.6.
        fn lean(&self) -> f64 {
            let until_s = self.speaks_s - self.onset_s + 0.1;
            let times = || (0..1000).map(|i| until_s * (f64::from(i) + 0.5) / 1e3);
            let loudness = |s: f64| self.level(s).powf(0.6);
            times().map(|s| self.off(s) * loudness(s)).sum::<f64>() / times().map(loudness).sum::<f64>()
        }
    }

    /// Ways in, of a depth in cents, so long after the onset, s.
    const WAYS: [fn(f64, f64) -> f64; 3] =
        [|_, _| 0.0, |depth, s| depth * (-s / 0.035).exp(), |depth, s| depth * (1.0 - s / 0.070).max(0.0)];

    /// A note drawn by a seed: E2 to Bb4, rising over 8 to 70 ms by one of the laws, 25 to 50 dB over the room.
    fn made(seed: u64) -> Made {
        let mut dice = dice(seed + 1);
        let hz = 82.41 * (2.5 * dice()).exp2();
        let (shape, place) = RISES[(4.0 * dice()) as usize];
        let (rise_s, start_s, loud) = (0.008 + 0.062 * dice(), 0.35 + 0.01 * dice(), 10f64.powf(-1.0 - dice()));
        let way = WAYS[(3.0 * dice()) as usize];
        let depth = 120.0 * (dice() - 0.5);
        let onset_s = start_s + rise_s * place(0.1);
        let level =
            |s: f64| loud * 10.0 * shape(((s - start_s) / rise_s).clamp(0.0, 1.0)) * held(s, (0.0, 1.05), 0.001, 0.04);
        let samples = gliding(1.2, |s| hz * (way(depth, (s - onset_s).max(0.0)) / 1200.0).exp2(), level);
        let room = loud * loud * tone_power(1..=8) * 10f64.powf(-2.5 - 2.5 * dice());
        let found = fronts(&with_noise(samples, room, seed));
        assert_eq!(found.len(), 1, "seed {seed}: {:?}", found.iter().map(|f| f.onset_s).collect::<Vec<_>>());
        Made {
            hz,
            onset_s,
            speaks_s: start_s + rise_s * place(10f64.powf(-0.6)),
            cents: way,
            depth,
            rise: (shape, start_s, rise_s),
            front: found[0],
        }
    }

    /// Invariant 10 of the design: a stated +- covers the truth nine times out of ten.
    #[test]
    fn what_is_stated_to_lie_within_a_width_does_so_nine_times_of_ten() {
        let notes: Vec<Made> = (0..120).map(made).collect();
        let covers = |told: Told, truth: f64| told.is_ok_and(|m| (m.value - truth).abs() <= m.uncertainty);
        let within_ms = |a: f64, b: f64, width_ms: f64| 1e3 * (a - b).abs() <= width_ms;
        let onset = share_of(&notes, |n| within_ms(n.front.onset_s, n.onset_s, n.front.instant_uncertainty.onset_ms));
        let speaks =
            share_of(&notes, |n| within_ms(n.front.speaks_s, n.speaks_s, n.front.instant_uncertainty.speaks_ms));
        let pitch = share_of(&notes, |n| covers(n.front.settled_hz, n.hz));
        let lean = share_of(&notes, |n| covers(n.front.approach_cents, n.lean()));
        println!("onset {onset:.3}, speaks {speaks:.3}, pitch {pitch:.3}, lean {lean:.3}");
        for (what, share) in [("onset", onset), ("speaks", speaks), ("pitch", pitch), ("lean", lean)] {
            assert!(share >= 0.85, "{what}: {share}");
        }
        // Widths are those of recorded notes, whose rises keep to no law. Of made ones nine in ten lie much nearer.
        let ninetieth = |off: &dyn Fn(&Made) -> f64| {
            let mut all: Vec<f64> = notes.iter().map(off).collect();
            all.sort_by(f64::total_cmp);
            all[notes.len() * 9 / 10]
        };
        let onset_ms = ninetieth(&|n| 1e3 * (n.front.onset_s - n.onset_s).abs());
        let speaks_ms = ninetieth(&|n| 1e3 * (n.front.speaks_s - n.speaks_s).abs());
        let pitch_cents = ninetieth(&|n| n.front.settled_hz.map_or(99.0, |m| cents(m.value, n.hz).abs()));
        let lean_cents = ninetieth(&|n| n.front.approach_cents.map_or(99.0, |m| (m.value - n.lean()).abs()));
        println!("nine in ten within {onset_ms:.2} ms, {speaks_ms:.2} ms, {pitch_cents:.2} and {lean_cents:.2} cents");
        assert!(onset_ms < 2.0 && speaks_ms < 1.5 && pitch_cents < 0.3 && lean_cents < 1.5);
    }

    /// Invariant 9 of the design: a few samples later, softer, dithered, the same note gets the same front.
    #[test]
    fn the_same_note_later_softer_or_dithered_has_the_same_front() {
        for seed in 0..6 {
            let mut dice = dice(seed + 40);
            let hz = 82.41 * (2.4 * dice()).exp2();
            let (rise_s, depth) = (0.010 + 0.03 * dice(), 100.0 * (dice() - 0.5));
            let pitch = |s: f64| hz * (depth * (-(s - 0.35).max(0.0) / 0.030).exp() / 1200.0).exp2();
            let samples = with_noise(gliding(1.2, pitch, |s| held(s, (0.35, 1.05), rise_s, 0.04)), 1e-9, seed);
            let plain = fronts(&samples)[0];
            let as_it_is: Shape = |x| x;
            let changed: [(&str, usize, Shape); 4] = [
                ("1 sample later", 1, as_it_is),
                ("173 samples later", 173, as_it_is),
                ("20 dB softer", 0, |x| 0.1 * x),
                ("in 16 bits", 0, |x| (x * 32_768.0).round() / 32_768.0),
            ];
            for (how, later, change) in changed {
                let other: Vec<f32> =
                    std::iter::repeat_n(0.0, later).chain(samples.iter().map(|x| change((*x).into()) as f32)).collect();
                let other = fronts(&other)[0];
                let moved_ms = 1e3 * (other.speaks_s - plain.speaks_s - later as f64 / RATE_HZ);
                assert!(moved_ms.abs() < 1.0, "{how}, seed {seed}: {moved_ms} ms");
                for (what, a, b, room) in [
                    ("lean", plain.approach_cents, other.approach_cents, 1.0),
                    // Another look more or less in the steady stretch.
                    ("tuning", plain.tuning_cents, other.tuning_cents, 0.6),
                    ("attack", plain.attack_ms, other.attack_ms, 1.0),
                    ("burst", plain.overshoot_db, other.overshoot_db, 0.1),
                ] {
                    let off = a.expect("told").value - b.expect("told").value;
                    assert!(off.abs() < room, "{what}, {how}, seed {seed}: {off}");
                }
                assert!(plain.midi_note == other.midi_note && plain.articulation == other.articulation);
            }
        }
    }

    /// Every semitone from the lowest pedal of a tenor to its top, E1 to F5: the note, its pitch and where it begins.
    #[test]
    fn every_note_of_the_horn_is_told_by_its_name_and_in_tune() {
        for midi in 28..=77u8 {
            let hz = 440.0 * ((f64::from(midi) - 69.0) / 12.0).exp2();
            // A level is one over whole periods: what rises within one of 24 ms has none on the way.
            let rise_s = 0.020f64.max(2.0 / hz);
            let found = fronts(&sound(1.3, |s| held(s, (0.3, 1.1), rise_s, 0.05) * tone(hz, 1..=12, 0.1, s)));
            assert_eq!(found.len(), 1, "MIDI {midi}");
            let front = &found[0];
            assert_eq!(front.midi_note, Some(midi));
            // Three periods leak a little between harmonics: half a cent; at E1 they are 73 ms.
            let tuning = front.tuning_cents.expect("told");
            assert!(tuning.value.abs() < 0.5 + tuning.uncertainty, "MIDI {midi}: {tuning:?}");
            let late_ms = 1e3 * (front.speaks_s - 0.3 - 0.251 * rise_s);
            assert!(late_ms.abs() <= front.instant_uncertainty.speaks_ms, "MIDI {midi}: {late_ms} ms");
            assert!(front.overshoot_db.expect("a body").value < 1.0, "MIDI {midi}: {:?}", front.overshoot_db);
            assert!(
                front.evidence.split.is_none() && front.evidence.stutter.is_none() && front.evidence.smear.is_none()
            );
        }
    }

    /// Faults as they are made on one note: each is seen as large as it was.
    #[test]
    fn what_was_done_to_a_note_is_seen_as_it_was_done() {
        let hz = 233.08;
        let even = |s: f64| held(s, (0.3, 1.2), 0.015, 0.05);
        let front = |cents: &dyn Fn(f64) -> f64, level: &dyn Fn(f64) -> f64| {
            let samples = gliding(1.4, |s| hz * (cents(s - 0.3) / 1200.0).exp2(), level);
            let found = fronts(&with_noise(samples, 1e-9, 2));
            assert_eq!(found.len(), 1);
            found[0]
        };
        // On the third partial of the same length for 60 ms: a fourth under.
        let split = front(&|t| if t < 0.060 { -498.0 } else { 0.0 }, &even).evidence.split.expect("a split");
        assert!((split.interval_cents + 498.0).abs() < 15.0 && (split.duration_ms - 60.0).abs() < 8.0, "{split:?}");
        // Slid up by 120 cents at 1500 cents a second.
        let smear = front(&|t| (-120.0 + 1500.0 * t).min(0.0), &even).evidence.smear.expect("a slide");
        assert!((smear.depth_cents + 120.0).abs() < 20.0 && (smear.duration_ms - 80.0).abs() < 12.0, "{smear:?}");
        // Started, dipped by 16 dB for 30 ms each way, and started again.
        let dip = |s: f64| even(s) * 10f64.powf(-0.8 * (1.0 - (s - 0.375).abs() / 0.030).max(0.0));
        let stutter = front(&|_| 0.0, &dip).evidence.stutter.expect("two starts");
        assert!((stutter.dip_db - 16.0).abs() < 2.5 && (stutter.gap_ms - 88.0).abs() < 10.0, "{stutter:?}");
        // A burst 9 dB over the body for 40 ms.
        let burst = |s: f64| even(s) * if s < 0.340 { 1.0 } else { 10f64.powf(-9.0 / 20.0) };
        let over = front(&|_| 0.0, &burst).overshoot_db.expect("a body");
        assert!((over.value - 9.0).abs() <= over.uncertainty, "{over:?}");
        // 60 cents under its pitch, dying away by a time constant of 100 ms: 10 cents are left after ln 6 of them.
        let below = front(&|t| -60.0 * (-t / 0.100).exp(), &even);
        let settle = below.settle_ms.expect("it settles").value;
        assert!(below.approach_cents.expect("a lean").value < -33.0, "{:?}", below.approach_cents);
        assert!((settle - 100.0 * 6f64.ln()).abs() < 20.0, "{settle}");
    }
}
