//! What the audio side tells the rest without a lock: level, clock, and what was lost.

use atomic_float::AtomicF32;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};

/// Level at and above which a sample counts as clipped: the largest 16-bit value is 0.99997.
pub const CLIPPED_AT: f32 = 0.9999;

/// Counters and levels of one instance. All are plain atomics; the audio side only stores.
#[derive(Debug, Default)]
pub struct Meters {
    /// Highest sample since the editor last took it.
    peak: AtomicF32,
    /// The input touched full scale since it was last cleared.
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
    /// Raises the peak. AUDIO.
    pub fn note_peak(&self, peak: f32) {
        self.peak.fetch_max(peak, Ordering::Relaxed);
        if peak >= CLIPPED_AT {
            self.clipped.store(true, Ordering::Relaxed);
        }
    }

    /// The highest sample since the last call.
    pub fn take_peak(&self) -> f32 {
        self.peak.swap(0.0, Ordering::Relaxed)
    }

    /// Samples lost so far.
    #[must_use]
    pub fn num_lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }
}
