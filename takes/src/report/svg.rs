//! Numbers and paths for SVG.

use std::fmt::Write;

/// A length with two decimals at most: 0.01 px is finer than any screen or printer.
pub fn px(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0 + 0.0;
    if rounded.is_finite() { format!("{rounded}") } else { "0".into() }
}

/// Lines through points as path data.
pub fn lines(lines: &[impl AsRef<[(f64, f64)]>]) -> String {
    lines.iter().fold(String::new(), |mut path, line| {
        for (i, (x, y)) in line.as_ref().iter().enumerate() {
            let _ = write!(path, "{}{} {}", if i == 0 { 'M' } else { 'L' }, px(*x), px(*y));
        }
        path
    })
}

/// A line with gaps, for points that are not all known.
pub fn broken_curve(points: impl Iterator<Item = Option<(f64, f64)>>) -> String {
    let mut is_drawing = false;
    points.fold(String::new(), |mut path, point| {
        if let Some((x, y)) = point {
            let _ = write!(path, "{}{} {}", if is_drawing { 'L' } else { 'M' }, px(x), px(y));
        }
        is_drawing = point.is_some();
        path
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_short_and_always_numbers() {
        assert_eq!([px(1.0), px(-0.001), px(2.345_67), px(f64::NAN)], ["1", "0", "2.35", "0"]);
    }

    #[test]
    fn a_gap_lifts_the_pen() {
        let points = [Some((0.0, 1.0)), Some((1.0, 1.0)), None, Some((3.0, 2.0))];
        assert_eq!(broken_curve(points.into_iter()), "M0 1L1 1M3 2");
        assert_eq!(lines(&[vec![(0.0, -2.0), (1.0, 2.0)], vec![(3.0, 4.0)]]), "M0 -2L1 2M3 4");
    }
}
