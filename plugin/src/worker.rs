//! WORKER: the named thread of one instance. Takes samples from the audio side, cuts them into passes,
//! runs the analysis and writes what it finds into the session.

use crate::beats::Bend;
use crate::capture::{Fed, Feed};
use crate::kept_sound::KeptSound;
use crate::marker_out::{self, MarkerNote};
use crate::meters::Meters;
use crate::passes::{Origin, Pass, PassId};
use crate::project::Project;
use crate::quiet::{PassEnd, Quiet};
use crate::spare_time::SpareTime;
use crate::timing::Judging;
use crate::transport::{Stamp, TransportView};
use notefront_dsp::{Analyzer, CannotTell, Entrance, Event, Settings};
use notefront_takes::log::when;
use rtrb::Producer;
use std::collections::VecDeque;
use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Samples dealt with at a time.
const CHUNK_LEN: usize = 1024;
/// How often the worker looks for samples when there were none.
const IDLE: Duration = Duration::from_millis(4);
/// The same while rendering offline, where the audio side may wait for the answer.
const IDLE_OFFLINE: Duration = Duration::from_micros(100);
/// How long a host that closes an instance waits for what is still to be analysed: under 100 ms with what ends the pass.
const CLOSING: Duration = Duration::from_millis(60);
/// How much is heard again from before the first sound after a silence, seconds: the breath, and air ahead of a tone.
const LEAD_IN_S: f64 = 1.0;

/// What the worker needs.
pub struct WorkerParts {
    /// Samples and stamps.
    pub feed: Feed,
    /// Marker notes to the audio side.
    pub notes: Producer<MarkerNote>,
    /// What the player set, and the passes.
    pub project: Project,
    /// Clock and counters.
    pub meters: Arc<Meters>,
    /// When a pass ends that nobody stops.
    pub pass_end: Arc<PassEnd>,
    /// Where the sound of passes is kept, if it is.
    pub kept_sound: Option<Arc<KeptSound>>,
    /// Rate, Hz.
    pub sample_rate_hz: f64,
    /// Rendering offline.
    pub offline: bool,
}

/// The worker, driven by [`Worker::step`].
pub struct Worker {
    parts: WorkerParts,
    analyzer: Option<(Settings, Analyzer)>,
    mode: Mode,
    current: Option<Current>,
    quiet: Quiet,
    /// What came since a pass ended by silence, its last [`LEAD_IN_S`]; `None` while none has.
    lead_in: Option<VecDeque<f32>>,
    /// Where the time line stood last.
    last_stamp: Option<Stamp>,
    judged_by: Judging,
    buffer: Vec<f32>,
    /// Delay of the sound, samples: notes are sent while there is one.
    delay: u64,
    /// The last samples, as many as the sound is delayed by: see [`Worker::rewind`].
    history: VecDeque<f32>,
    /// Input sample of the last marker note; a second look at the same sound sends none again.
    last_note: Option<u64>,
    spare_time: SpareTime,
}

/// What the host's transport asks for.
#[derive(Clone, Copy, PartialEq)]
enum Mode {
    /// Nothing: the transport stands.
    Wait,
    /// A pass of the time line.
    Played,
    /// There is no time line, or the player wants to be heard while it stands.
    Free,
}

struct Current {
    id: PassId,
    /// Input sample of the pass's start, counted from activation.
    clock: u64,
    num_samples: u64,
    num_entrances: usize,
}

impl Worker {
    /// A worker that has not begun. Allocates.
    #[must_use]
    pub fn new(parts: WorkerParts) -> Self {
        let judged_by = parts.project.judging();
        Self {
            delay: 0,
            history: VecDeque::new(),
            parts,
            analyzer: None,
            mode: Mode::Wait,
            current: None,
            quiet: Quiet::default(),
            lead_in: None,
            last_stamp: None,
            judged_by,
            buffer: vec![0.0; CHUNK_LEN],
            last_note: None,
            spare_time: SpareTime::default(),
        }
    }

    /// Starts the thread. It ends by itself when the audio side's end of the feed is dropped.
    ///
    /// # Errors
    /// The system has no thread to give.
    pub fn spawn(self) -> std::io::Result<JoinHandle<()>> {
        let idle = if self.parts.offline { IDLE_OFFLINE } else { IDLE };
        std::thread::Builder::new().name("notefront worker".into()).spawn(move || self.run(idle))
    }

    fn run(mut self, idle: Duration) {
        let mut closing = None;
        while !self.parts.feed.is_done() {
            if self.is_out_of_time(&mut closing) {
                self.leave_rest();
                break;
            }
            if !self.step() && !self.spends_time() {
                std::thread::sleep(idle);
            }
        }
        self.end_pass();
    }

    /// While no sound waits, and no host does; false when nothing was to be done.
    fn spends_time(&mut self) -> bool {
        let goes_on = || !self.parts.feed.is_abandoned();
        let may = !self.parts.offline && goes_on();
        may && self.spare_time.spend(&self.parts.project, self.current.is_some(), &goes_on)
    }

    /// True when the host has waited long enough for an instance that closes. One that renders has time.
    fn is_out_of_time(&self, closing: &mut Option<Instant>) -> bool {
        let waits = !self.parts.offline && self.parts.feed.is_abandoned();
        waits && closing.get_or_insert_with(Instant::now).elapsed() > CLOSING
    }

    /// What is not analysed any more is counted, as everything that is lost.
    fn leave_rest(&mut self) {
        let num_left = self.parts.feed.num_waiting() as u64;
        self.parts.meters.lost.fetch_add(num_left, Ordering::Relaxed);
        let Some(current) = &self.current else { return };
        if let Some(pass) = self.parts.project.session.lock().pass_mut(current.id) {
            pass.num_lost += num_left;
        }
    }

    /// Deals with what is ready next; false when nothing was.
    pub fn step(&mut self) -> bool {
        self.follow_choices();
        match self.parts.feed.read(&mut self.buffer) {
            Some(Fed::Stamp(stamp)) => self.take_stamp(&stamp),
            Some(Fed::Samples(len)) => self.take_samples(len),
            None => return false,
        }
        true
    }

    /// Judges every pass anew when the player sets something else, or a project brings passes that were kept.
    fn follow_choices(&mut self) {
        let judging = self.parts.project.judging();
        let mut session = self.parts.project.session.lock();
        if judging != self.judged_by || session.is_stale {
            self.judged_by = judging;
            if session.is_stale {
                self.spare_time.look_soon();
            }
            session.rejudge(&judging);
            drop(session);
            self.parts.project.session.request_repaint();
        }
    }

    fn take_stamp(&mut self, stamp: &Stamp) {
        self.parts.meters.done.store(stamp.clock, Ordering::Release);
        if stamp.reset || stamp.lost_before > 0 || stamp.delay != self.delay {
            self.history.clear();
        }
        self.delay = stamp.delay;
        self.last_stamp = Some(*stamp);
        if stamp.jump {
            self.lead_in = None;
        } else if self.lead_in.is_some() {
            return;
        }
        if !stamp.jump && self.current.is_some() {
            self.bend(stamp, &stamp.transport.advanced(self.delay as f64, self.parts.sample_rate_hz));
            return;
        }
        let mode = mode_of(&stamp.transport);
        let rewound = if mode == Mode::Played { self.history.len() as u64 } else { 0 };
        let cut_at = stamp.clock.saturating_sub(rewound);
        self.end_pass_at(Some(cut_at).filter(|_| rewound > 0));
        self.mode = mode;
        if self.mode == Mode::Played || self.hears_free() {
            let ahead = self.delay.saturating_sub(rewound) as f64;
            self.begin_pass(cut_at, &stamp.transport.advanced(ahead, self.parts.sample_rate_hz), stamp.lost_before);
            self.rewind(rewound as usize);
        }
    }

    /// Hears the last `num` samples again. With look-ahead the host's positions refer to the delayed output,
    /// so when it jumps, the sound of the new stretch has been coming in for as long as the delay.
    fn rewind(&mut self, num: usize) {
        let again: Vec<f32> = self.history.iter().copied().take(num).collect();
        for chunk in again.chunks(CHUNK_LEN) {
            self.buffer[..chunk.len()].copy_from_slice(chunk);
            if self.current.is_some() {
                self.analyse(0..chunk.len());
            }
        }
    }

    fn remember(&mut self, len: usize) {
        let delay = self.delay as usize;
        if delay > 0 {
            self.history.extend(&self.buffer[..len]);
            self.history.drain(..self.history.len().saturating_sub(delay));
        }
    }

    fn hears_free(&self) -> bool {
        self.mode == Mode::Free || (self.mode == Mode::Wait && self.parts.project.choices().listen_stopped)
    }

    fn begin_pass(&mut self, clock: u64, transport: &TransportView, num_lost: u64) {
        if !self.ready_analyzer() {
            return;
        }
        let origin = if self.mode == Mode::Played { Origin::Played } else { Origin::Free };
        self.parts.meters.clipped.store(false, Ordering::Relaxed);
        let mut pass = Pass::begin(origin, self.parts.sample_rate_hz, transport);
        pass.num_lost = num_lost;
        self.quiet = Quiet::default();
        let id = self.parts.project.session.lock().add_begun(pass, when::now());
        self.current = Some(Current { id, clock, num_samples: 0, num_entrances: 0 });
    }

    /// A fresh analysis for the settings of now; false when the rate is outside what it takes.
    fn ready_analyzer(&mut self) -> bool {
        let settings = self.parts.project.settings();
        match &mut self.analyzer {
            Some((used, analyzer)) if *used == settings => {
                analyzer.reset();
                return true;
            }
            _ => {}
        }
        match Analyzer::new(self.parts.sample_rate_hz, settings) {
            Ok(analyzer) => {
                self.analyzer = Some((settings, analyzer));
                true
            }
            Err(error) => {
                let notice = format!("Nothing is analysed: {error}.");
                let mut session = self.parts.project.session.lock();
                if !session.notices.contains(&notice) {
                    session.notices.push(notice);
                }
                false
            }
        }
    }

    fn bend(&mut self, stamp: &Stamp, transport: &TransportView) {
        let Some(current) = &self.current else { return };
        let at_s = stamp.clock.saturating_sub(current.clock) as f64 / self.parts.sample_rate_hz;
        if let (Some(bend), Some(pass)) =
            (Bend::from_transport(at_s, transport), self.parts.project.session.lock().pass_mut(current.id))
        {
            pass.beats.push(bend);
        }
    }

    fn take_samples(&mut self, len: usize) {
        let clock = self.parts.meters.done.load(Ordering::Relaxed);
        if self.mode != Mode::Played && !self.hears_free() {
            self.lead_in = None;
        }
        if self.lead_in.is_some() {
            self.wait_for_sound(clock, len);
        } else {
            if self.current.is_none() && self.hears_free() {
                self.begin_pass(clock, &TransportView::default(), 0);
            }
            self.hear(len);
        }
        self.remember(len);
        self.parts.meters.done.fetch_add(len as u64, Ordering::Release);
    }

    /// Samples of the running pass. One that nobody stops ends with a long silence, at its very sample.
    fn hear(&mut self, len: usize) {
        if self.current.is_none() {
            return;
        }
        if !self.ends_by_silence() {
            return self.analyse(0..len);
        }
        let gap = (self.parts.pass_end.gap_s() * self.parts.sample_rate_hz).round() as u64;
        match self.quiet.end_in(&self.buffer[..len], gap) {
            None => self.analyse(0..len),
            Some(last) => {
                self.analyse(0..last);
                self.end_pass();
                self.lead_in = Some(self.buffer[last..len].iter().copied().collect());
            }
        }
    }

    fn ends_by_silence(&self) -> bool {
        self.mode != Mode::Played || self.parts.pass_end.ends_on_time_line()
    }

    /// After a silence the next sound begins a pass, with what came just before it.
    fn wait_for_sound(&mut self, clock: u64, len: usize) {
        let Some(mut lead_in) = self.lead_in.take() else { return };
        let is_sound = self.quiet.sound_in(&self.buffer[..len]).is_some();
        if !is_sound {
            lead_in.extend(&self.buffer[..len]);
            let most = (LEAD_IN_S * self.parts.sample_rate_hz) as usize;
            lead_in.drain(..lead_in.len().saturating_sub(most));
            self.lead_in = Some(lead_in);
            return;
        }
        let from = clock.saturating_sub(lead_in.len() as u64);
        self.begin_pass(from, &self.transport_at(from), 0);
        let now = self.buffer[..len].to_vec();
        lead_in.extend(&now);
        for chunk in Vec::from(lead_in).chunks(CHUNK_LEN) {
            self.buffer[..chunk.len()].copy_from_slice(chunk);
            // None of it is long enough to be a silence.
            self.hear(chunk.len());
        }
        self.buffer[..len].copy_from_slice(&now);
    }

    /// The time line at an input sample, as the last stamp predicts it.
    fn transport_at(&self, clock: u64) -> TransportView {
        let Some(stamp) = self.last_stamp.filter(|_| self.mode == Mode::Played) else {
            return TransportView::default();
        };
        let ahead = clock as f64 - stamp.clock as f64 + self.delay as f64;
        stamp.transport.advanced(ahead, self.parts.sample_rate_hz)
    }

    /// Analyses this part of the buffer.
    fn analyse(&mut self, part: Range<usize>) {
        let (Some((_, analyzer)), Some(current)) = (&mut self.analyzer, &mut self.current) else { return };
        let samples = &self.buffer[part];
        analyzer.push(samples);
        current.num_samples += samples.len() as u64;
        let duration_s = current.num_samples as f64 / self.parts.sample_rate_hz;
        if let Some(pass) = self.parts.project.session.lock().pass_mut(current.id) {
            pass.wave.push(samples);
            pass.duration_s = duration_s;
            if analyzer.clipped_at_s().len() != pass.clipped_at_s.len() {
                pass.clipped_at_s = analyzer.clipped_at_s().to_vec();
            }
        }
        if let Some(kept) = &self.parts.kept_sound {
            kept.push(current.id, self.parts.sample_rate_hz, samples);
        }
        self.publish();
        self.parts.project.session.request_repaint();
    }

    /// Moves what the analysis has found into the session, and flagged ones to the audio side as notes.
    fn publish(&mut self) {
        let (Some((_, analyzer)), Some(current)) = (&mut self.analyzer, &mut self.current) else { return };
        while let Some(event) = analyzer.next_event() {
            let mut session = self.parts.project.session.lock();
            let Some(pass) = session.pass_mut(current.id) else { continue };
            match event {
                Event::Front(front) => {
                    let judged = pass.push_front(front, &self.judged_by);
                    current.num_entrances += 1;
                    // The player's word comes later than the note.
                    if let Some(judged) = judged.filter(|_| self.delay > 0) {
                        let at = current.clock + (judged.front.speaks_s * self.parts.sample_rate_hz).round() as u64;
                        let sure = untimed_until_known(judged, pass.to_beat, &self.judged_by);
                        marker_out::send(&mut self.parts.notes, MarkerNote::of(&sure, at), &mut self.last_note);
                    }
                }
                Event::End { index, end_s } => pass.end_note(index, end_s, &self.judged_by),
            }
        }
    }

    fn end_pass(&mut self) {
        self.end_pass_at(None);
    }

    /// Ends the running pass, at an earlier input sample if one is given.
    fn end_pass_at(&mut self, cut_at: Option<u64>) {
        if cut_at.is_some() {
            // The note under way goes on in the next pass, which tells it whole.
            self.publish();
        } else if let Some((_, analyzer)) = &mut self.analyzer
            && self.current.is_some()
        {
            analyzer.finish();
        }
        self.publish();
        if let Some(current) = self.current.take() {
            let mut session = self.parts.project.session.lock();
            if let (Some(cut_at), Some(pass)) = (cut_at, session.pass_mut(current.id)) {
                let at_s = cut_at.saturating_sub(current.clock) as f64 / self.parts.sample_rate_hz;
                pass.truncate(at_s, &self.judged_by);
            }
            session.end(current.id);
            drop(session);
            self.parts.project.session.request_repaint();
        }
    }
}

/// A note cannot be taken back: until it is known whether the pass follows its beats, none is sent for timing.
fn untimed_until_known(entrance: Entrance, to_beat: Option<bool>, judging: &Judging) -> Entrance {
    let is_known = to_beat.is_some() || judging.insists;
    if is_known { entrance } else { entrance.untimed(CannotTell::NotToBeat, &judging.settings) }
}

fn mode_of(transport: &TransportView) -> Mode {
    match (transport.has_time_line(), transport.playing) {
        (false, _) => Mode::Free,
        (true, true) => Mode::Played,
        (true, false) => Mode::Wait,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture;

    /// A horn's note of half a second in nine, at the rate of the test below.
    fn note(from_s: f64) -> impl Fn(usize) -> f32 {
        move |i| {
            let s = i as f64 / 48_000.0 - from_s;
            let inside = (0.0..0.8).contains(&s);
            let tone: f64 =
                (1..9).map(|k| (std::f64::consts::TAU * 116.54 * f64::from(k) * s).sin() / f64::from(k)).sum();
            if inside { (0.2 * tone * (s / 0.02).min(1.0) * ((0.8 - s) / 0.02).min(1.0)) as f32 } else { 0.0 }
        }
    }

    #[test]
    fn a_pass_ends_after_the_silence_set_and_the_next_sound_begins_another_on_the_same_time_line() {
        const RATE_HZ: f64 = 48_000.0;
        let (project, meters) = (Project::default(), Arc::new(Meters::default()));
        let (mut capture, feed) = capture::pair(RATE_HZ, false, meters.clone());
        let (notes, _queue) = marker_out::pair(RATE_HZ, meters.clone());
        let pass_end = Arc::new(PassEnd::default());
        pass_end.set_gap_s(3.0);
        pass_end.end_on_time_line();
        let parts = WorkerParts {
            feed,
            notes,
            project: project.clone(),
            meters,
            pass_end,
            kept_sound: None,
            sample_rate_hz: RATE_HZ,
            offline: false,
        };
        let mut worker = Worker::new(parts);
        // Notes at 1 and 8 s; blocks of 500 samples, 60 beats a minute.
        let (first, second) = (note(1.0), note(8.0));
        for block in 0..(10.0 * RATE_HZ) as usize / 500 {
            let at = block * 500;
            let mut samples: Vec<f32> = (at..at + 500).map(|i| first(i) + second(i)).collect();
            let transport = TransportView {
                playing: true,
                pos_samples: Some(at as i64),
                pos_beats: Some(at as f64 / RATE_HZ),
                tempo_bpm: Some(60.0),
                ..TransportView::default()
            };
            capture.write(&[&mut samples], &transport);
            while worker.step() {}
        }
        drop(capture);
        worker.run(IDLE);
        let session = project.session.lock();
        let passes = session.passes();
        assert_eq!(passes.len(), 2, "one for each note");
        // The last sample over the floor lies within a period (9 ms) of the end of the note at 1.8 s; 3 s later it is over.
        assert!((passes[0].duration_s - 4.8).abs() < 0.009, "{}", passes[0].duration_s);
        // One second is heard again from before the note, whose first chunk of 1024 samples may lie 21 ms before it.
        let start_s = passes[1].span_s().expect("a time line").0;
        assert!((6.97..=7.01).contains(&start_s), "{start_s}");
        let note_s = start_s + passes[1].entrances[0].front.onset_s;
        // As far as an onset may lie from a rise of 20 ms.
        assert!((note_s - 8.0).abs() < 0.03, "{note_s}");
        let beat = passes[1].beats.beats_at(8.0 - start_s).expect("beats");
        assert!((beat - 8.0).abs() < 1e-6, "{beat}");
    }

    #[test]
    fn what_an_instance_that_closes_cannot_analyse_any_more_is_counted() {
        const RATE_HZ: f64 = 48_000.0;
        let (project, meters) = (Project::default(), Arc::new(Meters::default()));
        let (mut capture, feed) = capture::pair(RATE_HZ, false, meters.clone());
        let (notes, _queue) = marker_out::pair(RATE_HZ, meters.clone());
        let parts = WorkerParts {
            feed,
            notes,
            project: project.clone(),
            meters: meters.clone(),
            pass_end: Arc::default(),
            kept_sound: None,
            sample_rate_hz: RATE_HZ,
            offline: false,
        };
        let mut worker = Worker::new(parts);
        let playing = TransportView { playing: true, pos_samples: Some(0), ..TransportView::default() };
        capture.write(&[&mut [0.1; 3 * CHUNK_LEN]], &playing);
        // A stamp, and a chunk of sound.
        assert!(worker.step() && worker.step());
        let mut closing = None;
        assert!(!worker.is_out_of_time(&mut closing) && closing.is_none(), "nobody waits yet");
        drop(capture);
        assert!(!worker.is_out_of_time(&mut closing) && closing.is_some(), "the host waits from now on");
        closing = Instant::now().checked_sub(2 * CLOSING);
        assert!(worker.is_out_of_time(&mut closing));
        worker.leave_rest();
        assert_eq!(meters.num_lost(), 2 * CHUNK_LEN as u64);
        assert_eq!(project.session.lock().newest().map(|pass| pass.num_lost), Some(2 * CHUNK_LEN as u64));
    }
}
