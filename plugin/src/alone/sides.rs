//! AUDIO: the two ends of a sound card, without the card. What comes in goes to the worker with a time line of our own;
//! what goes out is the count-in, the click, or the sweeps that measure the round trip. Nothing here allocates after
//! `new`, locks, logs or waits.

use super::click::{Beats, Clicks, mix};
use super::controls::{Controls, MAX_CHANNELS};
use super::player::Playing;
use super::round_trip::{EVERY_S, NUM_SWEEPS, sweep};
use crate::capture::Capture;
use crate::transport::TransportView;
use rtrb::Producer;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// Frames dealt with at a time.
pub const BLOCK: usize = 512;
/// From the wish to the first click or sweep, seconds: longer than a block, so that none begins late.
const LEAD_S: f64 = 0.25;
/// A pass with beats begins this much before bar 1, beats: after the last click of the count-in, before any pick-up.
const BEFORE_BAR_1: f64 = 0.75;
/// The system's time stamps are averaged over this many blocks.
const STAMPS: f64 = 64.0;
/// A time stamp off by more than this says that sound was lost, ns: 15 ms, over the unrest of stamps that are taken
/// when a thread wakes.
const SLIP_NS: f64 = 15e6;

/// When the first sample of a stream was at its converter.
#[derive(Debug, Clone, Copy, Default)]
struct Zero {
    ns: f64,
    num: f64,
}

impl Zero {
    /// Takes the time stamp of a sample. The last block moves the mean by a 64th.
    fn follow(&mut self, clock: u64, at_ns: i64, rate_hz: f64) -> i64 {
        let zero = at_ns as f64 - clock as f64 / rate_hz * 1e9;
        if self.num > 0.0 && (zero - self.ns).abs() > SLIP_NS {
            self.num = 0.0;
        }
        self.num = (self.num + 1.0).min(STAMPS);
        self.ns += (zero - self.ns) / self.num;
        self.ns.round() as i64
    }
}

/// What goes out.
pub struct OutputSide {
    controls: Arc<Controls>,
    rate_hz: f64,
    clicks: Clicks,
    sweep: Vec<f32>,
    clock: u64,
    zero: Zero,
    beats: Option<(Beats, u64)>,
    first_sweep: Option<u64>,
    playing: Playing,
}

impl OutputSide {
    /// An output at a rate, Hz; `playing` is the audio end of what is listened to. Allocates.
    #[must_use]
    pub fn new(controls: Arc<Controls>, rate_hz: f64, playing: Playing) -> Self {
        let (clicks, sweep, zero) = (Clicks::new(rate_hz), sweep(rate_hz), Zero::default());
        Self { controls, rate_hz, clicks, sweep, clock: 0, zero, beats: None, first_sweep: None, playing }
    }

    /// Fills the next samples (mono, silent before); the first will be heard at `at_ns` by the system's clock.
    pub fn fill(&mut self, into: &mut [f32], at_ns: i64) {
        let zero = self.zero.follow(self.clock, at_ns, self.rate_hz);
        self.controls.out_zero_ns.tell(zero);
        self.follow_wishes();
        if let Some(first) = self.first_sweep {
            self.add_sweeps(first, into);
        } else if let Some((beats, first)) = self.beats {
            self.add_clicks(&beats, first, into);
        }
        self.playing.add(into);
        self.clock += into.len() as u64;
    }

    fn follow_wishes(&mut self) {
        let soon = self.clock + (LEAD_S * self.rate_hz) as u64;
        if !self.controls.measuring.load(Ordering::Acquire) {
            self.first_sweep = None;
        } else if self.first_sweep.is_none() {
            self.first_sweep = Some(soon);
            self.controls.first_sweep.tell(soon as i64);
        }
        let wanted =
            self.controls.recording.load(Ordering::Acquire) && self.controls.with_beats.load(Ordering::Relaxed);
        if !wanted {
            self.beats = None;
        } else if self.beats.is_none() || self.controls.first_beat.get().is_none() {
            self.beats = Some((self.controls.beats(), soon));
            self.controls.first_beat.tell(soon as i64);
        }
    }

    fn add_clicks(&self, beats: &Beats, first: u64, into: &mut [f32]) {
        let silent = usize::try_from(first.saturating_sub(self.clock)).unwrap_or(usize::MAX);
        if let Some(rest) = into.get_mut(silent..) {
            self.clicks.add(beats, self.clock.saturating_sub(first), rest);
        }
    }

    fn add_sweeps(&self, first: u64, into: &mut [f32]) {
        for i in 0..NUM_SWEEPS {
            mix(&self.sweep, first + sweep_at(i, self.rate_hz), self.clock, into);
        }
    }
}

/// Sample of a sweep, from the first.
#[must_use]
pub fn sweep_at(index: usize, rate_hz: f64) -> u64 {
    (index as f64 * EVERY_S * rate_hz).round() as u64
}

/// What comes in.
pub struct InputSide {
    controls: Arc<Controls>,
    capture: Capture,
    kept: Producer<f32>,
    rate_hz: f64,
    out_rate_hz: f64,
    mono: Vec<f32>,
    clock: u64,
    zero: Zero,
    take: Take,
}

/// What is being taken.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Take {
    Nothing,
    Free,
    /// To beats: the input's sample at which the first of the count-in is heard, once that is known.
    Beats(Beats, Option<i64>),
}

impl InputSide {
    /// An input; `kept` takes what is heard while the round trip is measured. Rates in Hz. Allocates.
    #[must_use]
    pub fn new(controls: Arc<Controls>, capture: Capture, kept: Producer<f32>, rate_hz: f64, out_rate_hz: f64) -> Self {
        let mono = vec![0.0; BLOCK];
        let (zero, take) = (Zero::default(), Take::Nothing);
        Self { controls, capture, kept, rate_hz, out_rate_hz, mono, clock: 0, zero, take }
    }

    /// Takes frames of `num_channels` samples each; the first was heard at `at_ns` by the system's clock.
    pub fn take(&mut self, frames: &[f32], num_channels: usize, at_ns: i64) {
        let num_channels = num_channels.max(1);
        let zero = self.zero.follow(self.clock, at_ns, self.rate_hz);
        if self.zero.num <= 1.0 {
            self.slip();
        }
        self.controls.in_zero_ns.tell(zero);
        let channel = self.controls.channel.load(Ordering::Relaxed).min(num_channels - 1);
        for part in frames.chunks(BLOCK * num_channels) {
            let len = part.len() / num_channels;
            self.note_peaks(part, num_channels);
            for (mono, frame) in self.mono.iter_mut().zip(part.chunks_exact(num_channels)) {
                *mono = if frame[channel].is_finite() { frame[channel] } else { 0.0 };
            }
            self.keep(len);
            self.follow_wishes();
            let transport = self.transport();
            self.capture.write(&[&mut self.mono[..len]], &transport);
            self.clock += len as u64;
        }
    }

    fn note_peaks(&self, frames: &[f32], num_channels: usize) {
        for channel in 0..num_channels.min(MAX_CHANNELS) {
            let peak = frames.iter().skip(channel).step_by(num_channels).fold(0.0f32, |p, s| p.max(s.abs()));
            self.controls.note_peak(channel, peak);
        }
    }

    fn keep(&mut self, len: usize) {
        if self.controls.measuring.load(Ordering::Acquire) && self.controls.first_sweep.get().is_some() {
            if self.controls.first_kept.get().is_none() {
                self.controls.first_kept.tell(self.clock as i64);
            }
            let _ = self.kept.push_partial_slice(&self.mono[..len]);
        }
    }

    fn follow_wishes(&mut self) {
        if !self.controls.recording.load(Ordering::Acquire) {
            self.take = Take::Nothing;
        } else if self.take == Take::Nothing {
            let with_beats = self.controls.with_beats.load(Ordering::Relaxed);
            self.take = if with_beats { Take::Beats(self.controls.beats(), None) } else { Take::Free };
        }
        if let Take::Beats(beats, None) = self.take {
            self.take = Take::Beats(beats, self.first_beat());
        }
    }

    /// Sound was lost: where the beats fall is found anew.
    fn slip(&mut self) {
        if let Take::Beats(beats, _) = self.take {
            self.take = Take::Beats(beats, None);
        }
    }

    fn first_beat(&self) -> Option<i64> {
        let at = self.controls.first_beat.get()?;
        let heard = self.controls.input_sample(at, self.rate_hz, self.out_rate_hz)?;
        Some(heard + self.controls.round_trip.load(Ordering::Relaxed))
    }

    /// Where the next sample stands on a time line of our own: bar 1 begins at 0.
    fn transport(&self) -> TransportView {
        let standing = TransportView { pos_samples: Some(0), ..TransportView::default() };
        match self.take {
            Take::Nothing | Take::Beats(_, None) => standing,
            Take::Free => TransportView::default(),
            Take::Beats(beats, Some(first)) => {
                let bar_1 = first + beats.sample_of(beats.num_count_in(), self.rate_hz) as i64;
                let from_bar_1 = self.clock as i64 - bar_1;
                let pos_beats = from_bar_1 as f64 / self.rate_hz * beats.tempo_bpm / 60.0;
                if pos_beats < -BEFORE_BAR_1 {
                    return standing;
                }
                TransportView {
                    playing: true,
                    pos_samples: Some(from_bar_1),
                    pos_beats: Some(pos_beats),
                    tempo_bpm: Some(beats.tempo_bpm),
                    time_signature: u16::try_from(beats.per_bar).ok().map(|per_bar| (per_bar, 4)),
                    bar_start_beats: Some(0.0),
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alone::{player, round_trip};
    use crate::capture::{self, Fed, Feed};
    use crate::transport::Stamp;
    use rtrb::{Consumer, RingBuffer};

    const RATE_HZ: f64 = 48_000.0;
    /// Samples from the output to the input beyond what the time stamps say.
    const LATE: usize = 777;
    /// By how much the input's stream began before the output's, samples.
    const APART: usize = 3000;

    struct Bench {
        controls: Arc<Controls>,
        input: InputSide,
        output: OutputSide,
        feed: Feed,
        kept: Consumer<f32>,
        /// What is on its way from the loudspeaker to the microphone.
        air: std::collections::VecDeque<f32>,
        clock: u64,
    }

    fn bench() -> Bench {
        let controls = Arc::new(Controls::default());
        let (capture, feed) = capture::pair(RATE_HZ, false, Arc::default());
        let (kept_in, kept) = RingBuffer::new(6 * RATE_HZ as usize);
        let input = InputSide::new(controls.clone(), capture, kept_in, RATE_HZ, RATE_HZ);
        let output = OutputSide::new(controls.clone(), RATE_HZ, player::pair().1);
        let air = vec![0.0; APART + LATE].into();
        Bench { controls, input, output, feed, kept, air, clock: 0 }
    }

    impl Bench {
        /// Runs both ends, block by block; the input's first sample is `APART` samples before the output's.
        fn run(&mut self, seconds: f64) {
            let ns = |samples: u64| (samples as f64 / RATE_HZ * 1e9) as i64;
            for _ in 0..(seconds * RATE_HZ) as usize / 480 {
                let mut out = [0.0f32; 480];
                self.output.fill(&mut out, ns(self.clock + APART as u64));
                self.air.extend(out);
                let heard: Vec<f32> = self.air.drain(..480).flat_map(|s| [0.25, 0.3 * s]).collect();
                self.input.take(&heard, 2, ns(self.clock));
                self.clock += 480;
            }
        }

        fn read(&mut self) -> (Vec<Stamp>, Vec<f32>) {
            let (mut stamps, mut samples, mut buffer) = (Vec::new(), Vec::new(), [0.0; 1000]);
            while let Some(fed) = self.feed.read(&mut buffer) {
                match fed {
                    Fed::Stamp(stamp) => stamps.push(stamp),
                    Fed::Samples(len) => samples.extend_from_slice(&buffer[..len]),
                }
            }
            (stamps, samples)
        }
    }

    #[test]
    fn the_chosen_channel_is_heard_and_every_level_told() {
        let mut bench = bench();
        bench.controls.start();
        bench.run(0.1);
        assert!(bench.read().1.iter().all(|s| *s == 0.25));
        assert_eq!((bench.controls.take_peak(0), bench.controls.take_peak(1)), (0.25, 0.0));
    }

    #[test]
    fn nothing_is_taken_until_the_player_starts_nor_after_the_stop() {
        let mut bench = bench();
        bench.run(0.1);
        bench.controls.start();
        bench.run(0.1);
        bench.controls.stop();
        bench.run(0.1);
        let told: Vec<(bool, bool)> =
            bench.read().0.iter().map(|s| (s.transport.has_time_line(), s.transport.playing)).collect();
        assert_eq!(told, [(true, false), (false, false), (true, false)]);
    }

    #[test]
    fn the_measured_round_trip_puts_the_beats_where_the_clicks_come_in() {
        let mut bench = bench();
        bench.controls.channel.store(1, Ordering::Relaxed);
        bench.controls.measuring.store(true, Ordering::Release);
        bench.run(5.5);
        bench.controls.measuring.store(false, Ordering::Release);
        let kept: Vec<f32> = std::iter::from_fn(|| bench.kept.pop().ok()).collect();
        let controls = &bench.controls;
        let first = controls.first_kept.get().expect("it was kept");
        let sweep = controls.first_sweep.get().expect("it was played");
        let sent: Vec<i64> = (0..NUM_SWEEPS)
            .map(|i| {
                let at = sweep + sweep_at(i, RATE_HZ) as i64;
                controls.input_sample(at, RATE_HZ, RATE_HZ).expect("both run") - first
            })
            .collect();
        let found = round_trip::find(&kept, &sent, RATE_HZ).expect("it is heard");
        assert!((found.samples - LATE as i64).abs() <= 1, "{found:?}");
        controls.round_trip.store(found.samples, Ordering::Relaxed);
        controls.set_beats(&Beats { tempo_bpm: 61.0, per_bar: 3, count_in_bars: 1, goes_on: true });
        controls.with_beats.store(true, Ordering::Relaxed);
        controls.start();
        bench.read();
        let start = bench.clock;
        bench.run(5.0);
        let (stamps, samples) = bench.read();
        let begun = stamps.iter().find(|s| s.transport.playing).expect("a pass began");
        // Bar 1 in the input: the click there is the loudest sample around.
        let bar_1 = begun.clock as i64 - begun.transport.pos_samples.expect("a time line");
        let around = (bar_1 - start as i64 - 2000) as usize;
        let heard = &samples[around..around + 4000];
        let loudest = (0..4000).max_by(|a, b| heard[*a].abs().total_cmp(&heard[*b].abs())).expect("4000 samples");
        assert!((loudest as i64 - 2000).abs() <= 1, "off by {}", loudest as i64 - 2000);
        let beats = begun.transport.pos_beats.expect("beats");
        // Blocks of 480 samples: the pass begins with the first after 0.75 beats before bar 1.
        assert!((-0.75..=-0.73).contains(&beats), "{beats}");
        assert_eq!(stamps.iter().filter(|s| s.transport.playing).count(), 1, "steady beats need no further stamp");
    }

    #[test]
    fn lost_sound_finds_the_beats_anew() {
        let mut bench = bench();
        bench.controls.with_beats.store(true, Ordering::Relaxed);
        bench.controls.set_beats(&Beats { tempo_bpm: 240.0, per_bar: 1, count_in_bars: 0, goes_on: true });
        bench.controls.start();
        bench.run(1.0);
        let before = bench.input.take;
        // The system says that 100 ms are missing.
        bench.input.take(&[0.0; 960], 2, ((bench.clock as f64 / RATE_HZ + 0.1) * 1e9) as i64);
        bench.input.take(&[0.0; 960], 2, (((bench.clock + 480) as f64 / RATE_HZ + 0.1) * 1e9) as i64);
        let (Take::Beats(_, Some(was)), Take::Beats(_, Some(is))) = (before, bench.input.take) else {
            panic!("beats run: {before:?} {:?}", bench.input.take)
        };
        assert!((was - is - 4800).abs() <= 1, "{was} {is}");
    }
}
