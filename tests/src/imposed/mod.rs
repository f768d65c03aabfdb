//! Recorded notes on a click, untouched and with faults imposed on them: a real tone with a truth that is known.
//!
//! The front of each isolated note is measured by an outside tracker; what is imposed is known from its making. The order
//! of the modules is the order of the flow.

mod natural;

mod played;

mod spoil;

mod place;

mod air;

mod way;

mod figures;

pub use air::{Before, aired};
pub use figures::{placed_flags, placed_rows};
pub use natural::{Natural, Source, measured_fronts, sources};
pub use place::{Placed, placed_takes};
pub use played::Played;
pub use spoil::{Spoil, Spoilt, spoil};
pub use way::{WayIn, slid};
