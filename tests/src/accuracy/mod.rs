//! How near the analysis comes to the truth: takes in, figures out.

mod compare;
mod coverage;
mod figures;
mod reach;
mod take;

pub use compare::{Compared, MEASURES, Measure};
pub use coverage::{Origin, coverage_rows};
pub use figures::{FAULTS, FaultCounts, Figures, Miss, WINDOWS_S, percentile};
pub use reach::{Line, Reach, lines};
pub use take::{JudgedTake, PAIRING_WINDOW_S, judge, takes_in};
