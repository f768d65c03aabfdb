//! Colours, one place for all. Shape carries the meaning; colour supports it.
//!
//! One colour-blind-safe ramp from a deep blue over grey to a yellow carries amounts; one warm tone marks
//! time; text stands at 4.5:1 or better (WCAG 2.1, success criterion 1.4.3, tested below).

use crate::looks::Colours;
use egui::{Color32, Stroke, Visuals};

/// The colours of a window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Theme {
    /// Ground.
    pub paper: Color32,
    /// Panels beside the lane.
    pub panel: Color32,
    /// Strokes and text.
    pub ink: Color32,
    /// Lesser text.
    pub soft_ink: Color32,
    /// The outline of the sound, and what agrees.
    pub faint: Color32,
    /// Lines of bars.
    pub rule: Color32,
    /// Time: beats, early and late.
    pub warm: Color32,
    /// The selected entrance and the play position.
    pub select: Color32,
    /// Behind the selected entrance.
    pub select_ground: Color32,
    /// Ramp from little to much.
    ramp: [Color32; 5],
    dark: bool,
}

const fn rgb(r: u8, g: u8, b: u8) -> Color32 {
    Color32::from_rgb(r, g, b)
}

const LIGHT: Theme = Theme {
    paper: rgb(251, 250, 246),
    panel: rgb(242, 241, 235),
    ink: rgb(30, 43, 56),
    soft_ink: rgb(84, 94, 104),
    faint: rgb(226, 229, 228),
    rule: rgb(196, 201, 203),
    warm: rgb(156, 78, 12),
    select: rgb(24, 84, 150),
    select_ground: rgb(221, 231, 243),
    ramp: [rgb(206, 188, 96), rgb(165, 156, 116), rgb(124, 123, 120), rgb(77, 87, 109), rgb(10, 46, 92)],
    dark: false,
};

const DARK: Theme = Theme {
    paper: rgb(19, 24, 30),
    panel: rgb(27, 33, 40),
    ink: rgb(232, 235, 237),
    soft_ink: rgb(163, 173, 182),
    faint: rgb(43, 51, 60),
    rule: rgb(70, 80, 90),
    warm: rgb(232, 162, 84),
    select: rgb(134, 184, 240),
    select_ground: rgb(36, 54, 76),
    ramp: [rgb(58, 86, 132), rgb(96, 107, 132), rgb(139, 138, 131), rgb(190, 175, 105), rgb(246, 222, 84)],
    dark: true,
};

impl Theme {
    /// The colours for a choice.
    #[must_use]
    pub fn of(colours: Colours) -> Self {
        match colours {
            Colours::Light => LIGHT,
            Colours::Dark => DARK,
        }
    }

    /// Colour of an amount, 0 (little) to 1 (much).
    #[must_use]
    pub fn amount(&self, amount: f64) -> Color32 {
        let place = amount.clamp(0.0, 1.0) * (self.ramp.len() - 1) as f64;
        let below = place.floor() as usize;
        let above = (below + 1).min(self.ramp.len() - 1);
        self.ramp[below].lerp_to_gamma(self.ramp[above], (place - below as f64) as f32)
    }

    /// The same colours for buttons and fields.
    #[must_use]
    pub fn visuals(&self) -> Visuals {
        let mut visuals = if self.dark { Visuals::dark() } else { Visuals::light() };
        visuals.panel_fill = self.panel;
        visuals.window_fill = self.panel;
        visuals.extreme_bg_color = self.paper;
        visuals.faint_bg_color = self.faint;
        visuals.override_text_color = Some(self.ink);
        visuals.weak_text_color = Some(self.soft_ink);
        visuals.selection.bg_fill = self.select_ground;
        visuals.selection.stroke = Stroke::new(1.5, self.select);
        visuals.widgets.noninteractive.bg_stroke = Stroke::new(1.0, self.rule);
        for widget in [&mut visuals.widgets.inactive, &mut visuals.widgets.hovered, &mut visuals.widgets.active] {
            widget.fg_stroke = Stroke::new(1.5, self.ink);
        }
        visuals.widgets.inactive.weak_bg_fill = self.faint;
        visuals.widgets.inactive.bg_fill = self.faint;
        visuals.widgets.hovered.weak_bg_fill = self.select_ground;
        visuals.widgets.active.weak_bg_fill = self.select_ground;
        visuals.widgets.hovered.bg_stroke = Stroke::new(1.0, self.select);
        visuals
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance, WCAG 2.1.
    fn luminance(c: Color32) -> f64 {
        let linear = |v: u8| {
            let v = f64::from(v) / 255.0;
            if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * linear(c.r()) + 0.7152 * linear(c.g()) + 0.0722 * linear(c.b())
    }

    fn contrast(a: Color32, b: Color32) -> f64 {
        let (a, b) = (luminance(a) + 0.05, luminance(b) + 0.05);
        a.max(b) / a.min(b)
    }

    #[test]
    fn the_contrast_formula_is_the_standards() {
        // WCAG 2.1: black on white is 21:1.
        assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
    }

    #[test]
    fn text_stands_at_four_and_a_half_to_one() {
        for theme in [LIGHT, DARK] {
            for text in [theme.ink, theme.soft_ink, theme.warm, theme.select] {
                for ground in [theme.paper, theme.panel, theme.select_ground, theme.faint] {
                    assert!(contrast(text, ground) >= 4.5, "{text:?} on {ground:?}: {:.2}", contrast(text, ground));
                }
            }
        }
    }

    #[test]
    fn the_ramp_runs_one_way_in_lightness() {
        for (theme, sign) in [(LIGHT, -1.0), (DARK, 1.0)] {
            let steps: Vec<f64> = (0..=20).map(|i| luminance(theme.amount(f64::from(i) / 20.0))).collect();
            assert!(steps.windows(2).all(|w| sign * (w[1] - w[0]) > 0.0), "{steps:?}");
        }
    }
}
