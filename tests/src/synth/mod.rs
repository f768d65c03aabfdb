//! Makes takes whose truth is known because the trajectories that make the sound are known.
//!
//! A [`Tone`] is one unbroken sound of one or more [`Note`]s; its level and pitch are curves. The truth
//! is measured on these curves by the definitions of the measures page; the sound is rendered from them.
//! Everything follows from a seed.

mod dice;

mod curve;

mod score;

mod shape;

mod measure;

mod noise;

mod horn;

mod room;

mod kinds;

mod take;

pub use curve::{Curve, bump, smoothstep};
pub use dice::Dice;
pub use horn::{Player, Recipe, render_tone};
pub use kinds::{KINDS, make, usual_partial};
pub use measure::note_truths;
pub use noise::{BandNoise, Nuisance, add_floor};
pub use room::{Room, convolve, reverberate};
pub use score::{Air, Attack, Front, Law, Note, Rise, Start, Stutter, Tone, Vibrato};
pub use shape::{TonePlan, plan};
pub use take::{Scene, write_take, write_wav};
