//! AUDIO: carries the samples, stamped with the host's time line, to this instance's worker.
//!
//! Two rings, made together: samples (mono), and stamps. A stamp says where on the time line a sample
//! stands; one is written only where the last one no longer predicts it, always before its samples,
//! so that whoever sees a sample can see its stamp. Nothing here allocates, locks or waits, except
//! [`Capture::write`] while the host renders, which waits for room so that nothing is lost.

use crate::meters::Meters;
use crate::transport::{Drift, Stamp, TransportView};
use rtrb::{Consumer, Producer, RingBuffer};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// How much sound the ring holds, seconds: the worker may be away this long before samples are lost.
const RING_S: f64 = 10.0;
/// Stamps the ring holds: a tempo ramp over 10 s at 64 samples a block and 48 kHz writes 7500.
const NUM_STAMPS: usize = 16_384;
/// Mixing goes through a stack buffer of this many samples.
const MIX_LEN: usize = 256;
/// How long the audio side sleeps at a time when it waits for room offline.
const OFFLINE_WAIT: Duration = Duration::from_micros(200);

/// Stretch of sound over which the host's pace is taken, seconds: longer than any buffer a sound card fills at once.
const PACE_S: f64 = 2.0;
/// A host that is this many times faster than the sound does not play it: it renders, and may be kept waiting.
const RENDERS_FROM: f64 = 3.0;
/// A host that asked for so much more sound than time has passed, seconds, has that time to wait, whatever it does: more than
/// a sound card's buffers ever hold \[H\], and early enough for the first marker note, which leaves 1 s after its sound.
const AHEAD_S: f64 = 0.5;

/// How fast the host asks for sound. Some hosts export a session without saying that they render offline.
struct Pace {
    since: Instant,
    clock: u64,
    renders: bool,
    /// How much more sound than time came, seconds, and when.
    ahead_s: f64,
    at: Instant,
}

impl Pace {
    fn new() -> Self {
        let now = Instant::now();
        Self { since: now, clock: 0, renders: false, ahead_s: 0.0, at: now }
    }

    /// A block of that many samples comes at this clock.
    fn follow(&mut self, clock: u64, num_samples: usize, sample_rate_hz: f64) {
        let now = Instant::now();
        let sound_s = (clock - self.clock) as f64 / sample_rate_hz;
        if sound_s >= PACE_S {
            self.renders = sound_s > RENDERS_FROM * (now - self.since).as_secs_f64();
            (self.since, self.clock) = (now, clock);
        }
        self.ahead_s = (self.ahead_s - (now - self.at).as_secs_f64()).max(0.0) + num_samples as f64 / sample_rate_hz;
        self.at = now;
    }

    fn may_wait(&self) -> bool {
        self.renders || (self.ahead_s > AHEAD_S && self.ahead_s - self.at.elapsed().as_secs_f64() > AHEAD_S)
    }
}

/// The audio side's end.
pub struct Capture {
    samples: Producer<f32>,
    stamps: Producer<Stamp>,
    meters: Arc<Meters>,
    sample_rate_hz: f64,
    /// Samples received since activation, lost ones included.
    clock: u64,
    /// Samples delivered into the ring.
    delivered: u64,
    lost_since_stamp: u64,
    last: Option<Stamp>,
    was_reset: bool,
    delay: u64,
    offline: bool,
    pace: Pace,
}

/// The worker's end.
pub struct Feed {
    samples: Consumer<f32>,
    stamps: Consumer<Stamp>,
    taken: u64,
}

/// Both ends of the way from audio to worker. Allocates.
#[must_use]
pub fn pair(sample_rate_hz: f64, offline: bool, meters: Arc<Meters>) -> (Capture, Feed) {
    pair_with_capacity((RING_S * sample_rate_hz) as usize, sample_rate_hz, offline, meters)
}

/// [`pair`] with room for `num_samples` samples.
#[must_use]
pub fn pair_with_capacity(
    num_samples: usize,
    sample_rate_hz: f64,
    offline: bool,
    meters: Arc<Meters>,
) -> (Capture, Feed) {
    let (mut samples, mut samples_out) = RingBuffer::new(num_samples);
    touch(&mut samples, &mut samples_out);
    let (stamps, stamps_out) = RingBuffer::new(NUM_STAMPS);
    let capture = Capture {
        samples,
        stamps,
        meters,
        sample_rate_hz,
        clock: 0,
        delivered: 0,
        lost_since_stamp: 0,
        last: None,
        was_reset: false,
        delay: 0,
        offline,
        pace: Pace::new(),
    };
    (capture, Feed { samples: samples_out, stamps: stamps_out, taken: 0 })
}

/// Goes through the whole ring once: the system gives memory page by page on first touch, and the audio side
/// would pay for it.
fn touch(samples: &mut Producer<f32>, samples_out: &mut Consumer<f32>) {
    let zeros = [0.0; MIX_LEN];
    while samples.slots() > 0 {
        let _ = samples.push_partial_slice(&zeros);
    }
    let mut sink = [0.0; MIX_LEN];
    while !samples_out.is_empty() {
        let _ = samples_out.pop_partial_slice(&mut sink);
    }
}

impl Capture {
    /// Samples received since activation.
    #[must_use]
    pub fn clock(&self) -> u64 {
        self.clock
    }

    /// The host has reset the insert. A running time line that goes on where it was goes on here too; without
    /// one, what comes next does not continue what came before. No allocation.
    pub fn cut(&mut self) {
        self.was_reset = true;
    }

    /// From now on the sound is `delay` samples late: a new stretch. No allocation.
    pub fn switch_to(&mut self, delay: u64) {
        self.delay = delay;
    }

    /// How well the last stamp predicts this block, a reset considered.
    fn drift(&self, transport: &TransportView) -> Drift {
        let holds = |last: &&Stamp| self.lost_since_stamp == 0 && last.delay == self.delay;
        let Some(last) = self.last.as_ref().filter(holds) else { return Drift::Jump };
        let drift = last.drift(transport, self.clock, self.sample_rate_hz);
        match drift {
            _ if !self.was_reset => drift,
            // Worth a stamp: the delayed sound is gone, and the worker must know.
            Drift::None | Drift::Bend if transport.playing && transport.has_time_line() => Drift::Bend,
            _ => Drift::Jump,
        }
    }

    /// True when the host renders, whether it says so or not: then the audio side may wait for the worker. True too as long as
    /// a host is far ahead of the time that passes.
    #[must_use]
    pub fn may_wait(&self) -> bool {
        self.offline || self.pace.may_wait()
    }

    /// Takes one block: all channels, the same length each. Channels are averaged into one.
    pub fn write(&mut self, channels: &[&mut [f32]], transport: &TransportView) {
        let num_samples = channels.first().map_or(0, |c| c.len());
        if num_samples == 0 {
            return;
        }
        self.pace.follow(self.clock, num_samples, self.sample_rate_hz);
        if self.may_wait() {
            self.wait_for_room(num_samples);
        }
        if self.stamp(transport) && self.samples.slots() >= num_samples {
            self.mix(channels, num_samples);
            self.delivered += num_samples as u64;
        } else {
            self.lose(num_samples as u64);
        }
        self.clock += num_samples as u64;
        self.meters.clock.store(self.clock, std::sync::atomic::Ordering::Release);
    }

    /// While rendering only: the worker takes samples until there is room. Blocks longer than the ring, or a
    /// worker that has gone, are not waited for.
    fn wait_for_room(&self, num_samples: usize) {
        while self.samples.slots() < num_samples.min(self.samples.buffer().capacity()) && !self.samples.is_abandoned() {
            std::thread::sleep(OFFLINE_WAIT);
        }
    }

    /// Makes sure the worker knows where the next sample stands; false when there is no room to say so.
    fn stamp(&mut self, transport: &TransportView) -> bool {
        let drift = self.drift(transport);
        if drift == Drift::None {
            return true;
        }
        let stamp = Stamp {
            at: self.delivered,
            clock: self.clock,
            lost_before: self.lost_since_stamp,
            jump: drift == Drift::Jump,
            reset: self.was_reset,
            delay: self.delay,
            transport: *transport,
        };
        let written = self.stamps.push(stamp).is_ok();
        if written {
            self.last = Some(stamp);
            self.lost_since_stamp = 0;
            self.was_reset = false;
        }
        written
    }

    fn lose(&mut self, num_samples: u64) {
        self.lost_since_stamp += num_samples;
        self.meters.lost.fetch_add(num_samples, std::sync::atomic::Ordering::Relaxed);
    }

    fn mix(&mut self, channels: &[&mut [f32]], num_samples: usize) {
        let gain = 1.0 / channels.len() as f32;
        let mut mixed = [0.0f32; MIX_LEN];
        let mut start = 0;
        while start < num_samples {
            let len = MIX_LEN.min(num_samples - start);
            mix_into(&mut mixed[..len], channels, start, gain);
            let (_, rest) = self.samples.push_partial_slice(&mixed[..len]);
            debug_assert!(rest.is_empty(), "room was checked for the whole block");
            start += len;
        }
        self.meters.note_peak(peak(channels));
    }
}

/// Of all channels: one that is clipped would not show in their mean.
fn peak(channels: &[&mut [f32]]) -> f32 {
    channels.iter().flat_map(|c| c.iter()).fold(0.0, |p, s| p.max(s.abs()))
}

fn mix_into(mixed: &mut [f32], channels: &[&mut [f32]], start: usize, gain: f32) {
    let end = start + mixed.len();
    match channels {
        // One channel is passed on as it is, so that a mono track analyses the same as its file.
        [only] => mixed.copy_from_slice(&only[start..end]),
        _ => {
            mixed.fill(0.0);
            for channel in channels {
                for (out, sample) in mixed.iter_mut().zip(&channel[start..end]) {
                    *out += sample;
                }
            }
            mixed.iter_mut().for_each(|s| *s *= gain);
        }
    }
}

/// What the worker takes out of the feed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fed {
    /// The samples after this one stand here on the time line.
    Stamp(Stamp),
    /// That many samples were written into the caller's buffer.
    Samples(usize),
}

impl Feed {
    /// The next stamp, or as many samples as are ready before the next stamp, or nothing.
    pub fn read(&mut self, into: &mut [f32]) -> Option<Fed> {
        // The samples are counted first: a stamp is always written before its samples, so the stamps
        // seen after that cover every sample counted.
        let ready = self.samples.slots();
        let before_stamp = match self.stamps.peek() {
            Ok(stamp) if stamp.at == self.taken => return self.stamps.pop().ok().map(Fed::Stamp),
            Ok(stamp) => usize::try_from(stamp.at - self.taken).unwrap_or(usize::MAX),
            Err(_) => usize::MAX,
        };
        let len = ready.min(before_stamp).min(into.len());
        if len == 0 {
            return None;
        }
        let (filled, _) = self.samples.pop_partial_slice(&mut into[..len]);
        self.taken += filled.len() as u64;
        Some(Fed::Samples(filled.len()))
    }

    /// True when the audio side is gone.
    #[must_use]
    pub fn is_abandoned(&self) -> bool {
        self.samples.is_abandoned()
    }

    /// Samples that wait to be taken.
    #[must_use]
    pub fn num_waiting(&self) -> usize {
        self.samples.slots()
    }

    /// True when the audio side is gone and everything was taken.
    #[must_use]
    pub fn is_done(&self) -> bool {
        self.is_abandoned() && self.samples.is_empty() && self.stamps.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn playing(pos: i64) -> TransportView {
        TransportView { playing: true, pos_samples: Some(pos), ..TransportView::default() }
    }

    /// Everything the worker would see, with samples joined.
    fn read_all(feed: &mut Feed) -> (Vec<Stamp>, Vec<f32>) {
        let (mut stamps, mut samples, mut buffer) = (Vec::new(), Vec::new(), [0.0; 100]);
        while let Some(fed) = feed.read(&mut buffer) {
            match fed {
                Fed::Stamp(stamp) => stamps.push(stamp),
                Fed::Samples(len) => samples.extend_from_slice(&buffer[..len]),
            }
        }
        (stamps, samples)
    }

    #[test]
    fn samples_arrive_in_order_for_every_block_size() {
        let input: Vec<f32> = (0..3000).map(|i| i as f32).collect();
        for block_len in [1, 7, 64, 1000] {
            let meters = Arc::new(Meters::default());
            let (mut capture, mut feed) = pair(1000.0, false, meters.clone());
            let mut at = 0;
            for block in input.clone().chunks_mut(block_len) {
                let len = block.len() as i64;
                capture.write(&[block], &playing(at));
                at += len;
            }
            let (stamps, samples) = read_all(&mut feed);
            assert_eq!(samples, input);
            assert_eq!(stamps.len(), 1, "steady playback is stamped once");
            assert_eq!(meters.num_lost(), 0);
        }
    }

    #[test]
    fn what_does_not_fit_is_counted_and_the_next_stamp_says_so() {
        let meters = Arc::new(Meters::default());
        let (mut capture, mut feed) = pair_with_capacity(100, 1000.0, false, meters.clone());
        capture.write(&[&mut [1.0; 80]], &playing(0));
        capture.write(&[&mut [2.0; 80]], &playing(80));
        assert_eq!(meters.num_lost(), 80);
        let (_, samples) = read_all(&mut feed);
        assert_eq!(samples.len(), 80);
        capture.write(&[&mut [3.0; 80]], &playing(160));
        let (stamps, samples) = read_all(&mut feed);
        assert_eq!(samples, [3.0; 80]);
        assert_eq!((stamps[0].lost_before, stamps[0].clock, stamps[0].at, stamps[0].jump), (80, 160, 80, true));
    }

    #[test]
    fn a_reset_cuts_the_stretch_unless_the_time_line_goes_on() {
        let free = TransportView::default();
        for (before, after, cuts) in
            [(playing(0), playing(10), false), (playing(0), playing(500), true), (free, free, true)]
        {
            let (mut capture, mut feed) = pair(1000.0, false, Arc::default());
            capture.write(&[&mut [1.0; 10]], &before);
            capture.cut();
            capture.write(&[&mut [1.0; 10]], &after);
            let stamps = read_all(&mut feed).0;
            assert_eq!((stamps.len(), stamps[1].jump, stamps[1].reset), (2, cuts, true), "{after:?}");
        }
    }

    #[test]
    fn two_channels_are_averaged_and_one_passes_bit_for_bit() {
        let (mut capture, mut feed) = pair(1000.0, false, Arc::default());
        capture.write(&[&mut [1.0, 0.0], &mut [0.0, -0.5]], &playing(0));
        assert_eq!(read_all(&mut feed).1, [0.5, -0.25]);
        let (mut capture, mut feed) = pair(1000.0, false, Arc::default());
        capture.write(&[&mut [f32::from_bits(3), -0.0]], &playing(0));
        let bits: Vec<u32> = read_all(&mut feed).1.iter().map(|s| s.to_bits()).collect();
        assert_eq!(bits, [3, (-0.0f32).to_bits()]);
    }

    #[test]
    fn one_clipped_channel_of_two_is_seen() {
        let meters = Arc::new(Meters::default());
        let (mut capture, _feed) = pair(1000.0, false, meters.clone());
        capture.write(&[&mut [0.5, 0.999], &mut [0.9, 0.5]], &playing(0));
        assert!(!meters.clipped.load(std::sync::atomic::Ordering::Relaxed));
        capture.write(&[&mut [0.5, 0.2], &mut [0.0, -1.0]], &playing(2));
        assert!(meters.clipped.load(std::sync::atomic::Ordering::Relaxed));
    }

    #[test]
    fn a_host_that_renders_without_saying_so_loses_nothing_once_its_pace_is_known() {
        let meters = Arc::new(Meters::default());
        // The ring holds the time until the pace is known, and little more.
        let (mut capture, mut feed) = pair_with_capacity(2100, 1000.0, false, meters.clone());
        let worker = std::thread::spawn(move || {
            let (mut total, mut buffer) = (0, [0.0; 16]);
            // A worker that is far slower than the host.
            while !feed.is_done() {
                if let Some(Fed::Samples(len)) = feed.read(&mut buffer) {
                    total += len;
                    std::thread::sleep(Duration::from_micros(50));
                }
            }
            total
        });
        for i in 0..400 {
            capture.write(&[&mut [0.0; 50]], &playing(50 * i));
        }
        assert!(capture.may_wait());
        drop(capture);
        assert_eq!(worker.join().expect("it ends"), 20_000);
        assert_eq!(meters.num_lost(), 0);
    }

    #[test]
    fn a_host_ahead_of_the_time_may_be_kept_waiting_until_it_is_not() {
        let (mut capture, mut feed) = pair(1000.0, false, Arc::default());
        // As a sound card fills its buffers at first.
        capture.write(&[&mut [0.0; 400]], &playing(0));
        assert!(!capture.may_wait());
        capture.write(&[&mut [0.0; 180]], &playing(400));
        assert!(capture.may_wait(), "0.58 s of sound at once");
        std::thread::sleep(Duration::from_millis(100));
        assert!(!capture.may_wait(), "0.1 s later the time has nearly come up");
        assert_eq!(read_all(&mut feed).1.len(), 580);
    }

    #[test]
    fn offline_waits_for_the_worker_and_loses_nothing() {
        let meters = Arc::new(Meters::default());
        let (mut capture, mut feed) = pair_with_capacity(64, 1000.0, true, meters.clone());
        let worker = std::thread::spawn(move || {
            let mut total = 0;
            let mut buffer = [0.0; 16];
            while !feed.is_done() {
                if let Some(Fed::Samples(len)) = feed.read(&mut buffer) {
                    total += len;
                }
            }
            total
        });
        for i in 0..100 {
            capture.write(&[&mut [0.0; 50]], &playing(50 * i));
        }
        drop(capture);
        assert_eq!(worker.join().expect("it ends"), 5000);
        assert_eq!(meters.num_lost(), 0);
    }
}
