//! The views: functions of plain data. They hold no analysis.
//!
//! `theme`, `scale`, `filter`: what all use; `glyph`, `groups`, `labels`, `ruler`: what a lane is made of;
//! `lane`, `compare`, `patterns`, `front_picture`, `correct`, `listen`, `closeup`, `overview`, `strip`, `header`, `status`, `settings`, `markers`: one panel each;
//! `screen`: the whole window.

pub mod closeup;
pub mod compare;
pub mod correct;
pub mod counts;
pub mod filter;
pub mod front_picture;
pub mod glyph;
pub mod groups;
pub mod header;
pub mod kept;
pub mod keys;
pub mod labels;
pub mod lane;
pub mod listen;
pub mod markers;
pub mod moved_lines;
pub mod overview;
pub mod patterns;
pub mod ruler;
pub mod scale;
pub mod screen;
pub mod settings;
pub mod status;
pub mod strip;
pub mod theme;

pub use screen::{Screen, ScreenInput};
