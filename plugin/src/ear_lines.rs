//! Lines that were moved to where an ear draws them, as the threads of one instance share them.

use notefront_dsp::FaultName;
use notefront_takes::corrections::ear::Lines;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Where the lines lie for one project. Reading neither locks nor waits: the audio side asks for all choices at once.
#[derive(Debug, Clone)]
pub struct OwnLines(Arc<[AtomicU64; FaultName::ALL.len()]>);

impl Default for OwnLines {
    fn default() -> Self {
        let lines = Lines::default();
        Self(Arc::new(FaultName::ALL.map(|fault| AtomicU64::new(lines.ratio(fault).to_bits()))))
    }
}

impl OwnLines {
    /// Where they lie now.
    #[must_use]
    pub fn now(&self) -> Lines {
        Lines::at(|fault| f64::from_bits(self.0[fault as usize].load(Ordering::Relaxed)))
    }

    /// Moves them.
    pub fn move_to(&self, lines: Lines) {
        for fault in FaultName::ALL {
            self.0[fault as usize].store(lines.ratio(fault).to_bits(), Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_moved_for_all_who_share_them_and_put_back() {
        let own = OwnLines::default();
        assert!(own.now().are_usual());
        let lines = Lines::read("below=1.4,airy=0.8").expect("readable");
        own.clone().move_to(lines);
        assert_eq!(own.now(), lines);
        own.move_to(Lines::default());
        assert!(own.now().are_usual());
    }
}
