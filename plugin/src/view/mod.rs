//! The views: functions of plain data. They hold no analysis.
//!
//! `theme`, `scale`, `filter`: what all use; `glyph`, `groups`, `ruler`: what a lane is made of;
//! `lane`, `compare`, `patterns`, `closeup`, `strip`, `header`, `status`, `settings`, `markers`: one panel each;
//! `screen`: the whole window.

pub mod closeup;
pub mod compare;
pub mod filter;
pub mod glyph;
pub mod groups;
pub mod header;
pub mod keys;
pub mod lane;
pub mod markers;
pub mod patterns;
pub mod ruler;
pub mod scale;
pub mod screen;
pub mod settings;
pub mod status;
pub mod strip;
pub mod theme;

pub use screen::{Screen, ScreenInput};
