//! What the audio side tells the rest without a lock: level, clock, and what was lost.

use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};

/// Level at and above which a sample counts as clipped: the largest 16-bit value is 0.99997.
pub const CLIPPED_AT: f32 = 0.9999;

/// Counters and levels of one instance. All are plain atomics; the audio side only stores.
#[derive(Debug, Default)]
pub struct Meters {
    /// A channel of the input touched full scale in the pass that runs, or ran last.
    pub clipped: AtomicBool,
    /// Samples received since activation.
    pub clock: AtomicU64,
    /// Samples the worker has dealt with since activation, lost ones included.
    pub done: AtomicU64,
    /// Samples that could not be analysed because the ring was full.
    pub lost: AtomicU64,
    /// Marker notes that came too late for their place.
    pub late_notes: AtomicU32,
    /// Marker notes that were sent.
    pub sent_notes: AtomicU32,
    /// The delay now reported to the host, samples.
    pub latency: AtomicU32,
}

impl Meters {
    /// Takes the highest sample of a block, over all channels. AUDIO.
    pub fn note_peak(&self, peak: f32) {
        if peak >= CLIPPED_AT {
            self.clipped.store(true, Ordering::Relaxed);
        }
    }

    /// Samples lost so far.
    #[must_use]
    pub fn num_lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }
}
