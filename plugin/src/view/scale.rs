//! Time to pixels and back, zoom and scroll.

/// Widest zoom, pixels per second: 40 ms fill a hundred pixels.
pub const MAX_PX_PER_S: f64 = 2500.0;
/// Room left and right of a pass when it is fitted, as a share of the width.
const FIT_MARGIN: f64 = 0.03;
/// Where the play position stands when the lane follows it, as a share of the width.
const FOLLOW_AT: f64 = 0.8;

/// Which seconds of a pass are on the screen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeScale {
    /// Second at the left edge.
    pub left_s: f64,
    /// Pixels per second.
    pub px_per_s: f64,
    /// Left edge, pixels.
    pub x0: f32,
    /// Width, pixels.
    pub width: f32,
}

impl TimeScale {
    /// A scale that shows all of `duration_s`.
    #[must_use]
    pub fn fit(duration_s: f64, x0: f32, width: f32) -> Self {
        let duration_s = duration_s.max(1.0);
        let px_per_s = (f64::from(width) * (1.0 - 2.0 * FIT_MARGIN) / duration_s).min(MAX_PX_PER_S);
        Self { left_s: -f64::from(width) * FIT_MARGIN / px_per_s, px_per_s, x0, width }
    }

    /// Pixel of a time.
    #[must_use]
    pub fn x(&self, s: f64) -> f32 {
        self.x0 + ((s - self.left_s) * self.px_per_s) as f32
    }

    /// Time of a pixel.
    #[must_use]
    pub fn s(&self, x: f32) -> f64 {
        self.left_s + f64::from(x - self.x0) / self.px_per_s
    }

    /// Second at the right edge.
    #[must_use]
    pub fn right_s(&self) -> f64 {
        self.s(self.x0 + self.width)
    }

    /// Zooms by a factor; the time under `x` stays there.
    #[must_use]
    pub fn zoomed(self, factor: f64, x: f32, duration_s: f64) -> Self {
        let fit = Self::fit(duration_s, self.x0, self.width);
        let px_per_s = (self.px_per_s * factor).clamp(fit.px_per_s.min(MAX_PX_PER_S), MAX_PX_PER_S);
        let left_s = self.s(x) - f64::from(x - self.x0) / px_per_s;
        Self { left_s, px_per_s, ..self }.within(duration_s)
    }

    /// Scrolled by pixels, positive to later times.
    #[must_use]
    pub fn scrolled(self, px: f64, duration_s: f64) -> Self {
        Self { left_s: self.left_s + px / self.px_per_s, ..self }.within(duration_s)
    }

    /// Moved so that `s` is well within view, if it is not.
    #[must_use]
    pub fn showing(self, s: f64, duration_s: f64) -> Self {
        let span = self.right_s() - self.left_s;
        if s >= self.left_s + 0.1 * span && s <= self.right_s() - 0.1 * span {
            return self;
        }
        Self { left_s: s - span / 2.0, ..self }.within(duration_s)
    }

    /// Moved so that the play position stays at its place.
    #[must_use]
    pub fn following(self, s: f64) -> Self {
        let span = self.right_s() - self.left_s;
        Self { left_s: s - FOLLOW_AT * span, ..self }
    }

    fn within(self, duration_s: f64) -> Self {
        let span = f64::from(self.width) / self.px_per_s;
        let margin = FIT_MARGIN * span;
        let last = (duration_s - span + margin).max(-margin);
        Self { left_s: self.left_s.clamp(-margin, last), ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn pixels_and_times_go_both_ways() {
        let scale = TimeScale { left_s: 12.0, px_per_s: 80.0, x0: 30.0, width: 800.0 };
        assert_abs_diff_eq!(scale.s(scale.x(15.5)), 15.5, epsilon = 1e-5);
        assert_abs_diff_eq!(scale.x(12.0), 30.0);
    }

    #[test]
    fn zooming_keeps_the_time_under_the_pointer() {
        let scale = TimeScale::fit(60.0, 0.0, 800.0).zoomed(8.0, 400.0, 60.0);
        let at = scale.s(333.0);
        // A pixel is a float: a millionth of a second of rounding.
        assert_abs_diff_eq!(scale.zoomed(1.7, 333.0, 60.0).s(333.0), at, epsilon = 1e-6);
    }

    #[test]
    fn nothing_zooms_or_scrolls_out_of_the_pass() {
        let fit = TimeScale::fit(60.0, 0.0, 800.0);
        assert_eq!(fit.zoomed(0.01, 10.0, 60.0).px_per_s, fit.px_per_s);
        assert_eq!(fit.zoomed(1e9, 10.0, 60.0).px_per_s, MAX_PX_PER_S);
        let near = fit.zoomed(10.0, 400.0, 60.0);
        assert!(near.scrolled(1e12, 60.0).right_s() < 61.0);
        assert!(near.scrolled(-1e12, 60.0).left_s > -1.0);
    }

    #[test]
    fn an_empty_pass_has_a_scale() {
        let scale = TimeScale::fit(0.0, 0.0, 800.0);
        assert!(scale.px_per_s.is_finite() && scale.px_per_s > 0.0);
    }
}
