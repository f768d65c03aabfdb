//! Real playing: what is heard in recordings of professionals, held against labels made by others' eyes and ears.
//!
//! The recordings lie in a folder of decoded files, never in the project. The order of the modules is the order
//! of the flow: names and labels, recordings, what was heard, figures.

mod naming;

mod labels;

mod recording;

mod count;

mod figures;

mod again;

mod steadiness;

pub use again::Again;
pub use count::{OnsetTally, Pairing, is_octave_off};
pub use figures::{flag_rows, rows};
pub use labels::{Label, Labels};
pub use naming::{Name, register};
pub use recording::{Heard, JudgedRecording, Kind, Recording, judge_recording, recordings};
pub use steadiness::{HeardAgain, Kept, hear_again, steadiness_rows};
