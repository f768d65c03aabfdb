//! THE WALL: all that knows the plug-in framework and works around it. Another framework would stand here; nothing else
//! in the crate names one, and `cargo xtask tidy` sees to it.
//!
//! - `params`: the player's choices as the host's parameters, and what the project keeps beside them;
//! - `runner`: choices are set on the host's thread only;
//! - `editor`: the window in a host; `window`: one of our own, for the standalone and for pictures;
//! - `activation`: what an entry point wants to hear while it activates an instance;
//! - `plugin`: the framework's trait, from and to plain data;
//! - `export`, `clap_door`: the entry points a host looks for, the one place where unsafe code is allowed.
//!
//! One link option belongs to it too, in `build.rs`. What is told of hosts whatever the framework (paces, ticks, places) stands
//! where it is used: `capture`, `transport`, `worker`.

mod activation;
mod clap_door;
mod editor;
mod export;
mod params;
mod plugin;
mod runner;
pub mod window;
