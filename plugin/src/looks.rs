//! How the window looks, kept with the project.

use serde::{Deserialize, Serialize};

/// Light or dark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Colours {
    /// Ink on paper.
    #[default]
    Light,
    /// Light ink on a dark ground.
    Dark,
}

/// Smallest and largest window side, logical pixels.
pub const SIDE_RANGE: (u32, u32) = (480, 4096);
/// Smallest and largest text scale.
pub const TEXT_SCALE_RANGE: (f32, f32) = (0.8, 2.0);

/// Looks of the window.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Looks {
    /// Light or dark.
    pub colours: Colours,
    /// Text size, 1 = normal.
    pub text_scale: f32,
    /// Width, logical pixels.
    pub width: u32,
    /// Height, logical pixels.
    pub height: u32,
    /// Passes that are kept go into the player's practice log too.
    pub keeps_log: bool,
}

impl Default for Looks {
    fn default() -> Self {
        Self { colours: Colours::default(), text_scale: 1.0, width: 1000, height: 640, keeps_log: false }
    }
}

impl Looks {
    /// The same with every value within its range; a project may hold anything.
    #[must_use]
    pub fn clamped(self) -> Self {
        let text_scale = if self.text_scale.is_finite() { self.text_scale } else { 1.0 };
        Self {
            text_scale: text_scale.clamp(TEXT_SCALE_RANGE.0, TEXT_SCALE_RANGE.1),
            width: self.width.clamp(SIDE_RANGE.0, SIDE_RANGE.1),
            height: self.height.clamp(SIDE_RANGE.0 * 3 / 4, SIDE_RANGE.1),
            ..self
        }
    }
}
