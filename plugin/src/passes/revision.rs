//! Which state a pass is in.

use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};

static NEXT: AtomicU64 = AtomicU64::new(0);

/// The state of a pass's entrances. Whatever changes them, or what is said of them, gives it another, and no two states ever
/// have the same: what is made of a pass holds as long as this stays.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Revision(u64);

impl Revision {
    /// One that never was.
    #[must_use]
    pub fn fresh() -> Self {
        Self(NEXT.fetch_add(1, Ordering::Relaxed))
    }
}

/// A pass that is read twice tells the same twice.
impl fmt::Debug for Revision {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Revision")
    }
}
