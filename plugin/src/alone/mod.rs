//! The standalone: what a host would do. A transport, a count-in and a click of its own, the sound card, a window.
//!
//! Plain data, built and tested everywhere: `level`, `click`, `round_trip`; `controls` is what the window
//! and the audio side share, `sides` the two ends of the sound card without a card (AUDIO), `panel` what stands over the
//! screen, `memory` what is kept from one window to the next; `stretch` (slow, at pitch), `player` (its end of AUDIO), `listen` (what
//! sounds), `sitting` and `sitting_panel` (a blind one) are for listening. With the feature `standalone`: `cards` (the system's devices), `sound` (what runs between opening and closing
//! one), `window`, `arguments`.

pub mod click;
pub mod controls;
pub mod level;
pub mod listen;
pub mod memory;
pub mod panel;
pub mod player;
pub mod round_trip;
pub mod sides;
pub mod sitting;
pub mod sitting_panel;
pub mod stretch;

#[cfg(feature = "standalone")]
pub mod arguments;
#[cfg(feature = "standalone")]
pub mod cards;
#[cfg(feature = "standalone")]
pub mod sound;
#[cfg(feature = "standalone")]
pub mod window;
