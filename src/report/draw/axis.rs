//! Scales for values: round ticks by `plotters`, and the range that a picture shows.

use plotters::coord::ranged1d::Ranged;
use plotters::coord::types::RangedCoordf64;

/// A scale from values to pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Value at `from_px`.
    pub low: f64,
    /// Value at `to_px`.
    pub high: f64,
    /// Pixel of `low`.
    pub from_px: f64,
    /// Pixel of `high`.
    pub to_px: f64,
}

impl Scale {
    /// The pixel of a value; not finite where the value is not.
    pub fn px(&self, value: f64) -> f64 {
        self.from_px + (value - self.low) / (self.high - self.low) * (self.to_px - self.from_px)
    }

    /// The pixel of a value, held within the scale.
    pub fn px_within(&self, value: f64) -> f64 {
        self.px(value.clamp(self.low, self.high))
    }

    /// At most so many round values within the scale.
    pub fn ticks(&self, at_most: usize) -> Vec<f64> {
        let axis: RangedCoordf64 = (self.low..self.high).into();
        let mut ticks = axis.key_points(at_most);
        ticks.retain(|t| t.is_finite());
        ticks
    }
}

/// The range that shows all values and 0, with a little air; `fallback` where there is no finite value.
pub fn range(values: impl Iterator<Item = f64>, fallback: f64) -> (f64, f64) {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((0.0_f64, 0.0_f64), |(low, high), v| {
            (low.min(v), high.max(v))
        });
    if high - low < fallback * 1e-3 {
        return (low, low + fallback);
    }
    let air = 0.08 * (high - low);
    (
        if low < 0.0 { low - air } else { 0.0 },
        if 0.0 < high { high + air } else { 0.0 },
    )
}

/// A tick's label: as many decimals as the step needs.
pub fn tick_label(value: f64, ticks: &[f64]) -> String {
    let step = match ticks {
        [a, b, ..] => (b - a).abs(),
        _ => 1.0,
    };
    let places = if step <= 0.0 || !step.is_finite() {
        0.0
    } else {
        (-step.log10() - 1e-9).ceil().clamp(0.0, 6.0)
    };
    let text = format!("{value:.*}", places as usize);
    if text.trim_start_matches(['-', '0', '.']).is_empty() {
        "0".into()
    } else {
        text.replace('-', "−")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_labelled_with_the_decimals_they_need() {
        let scale = Scale {
            low: 0.0,
            high: 131.0,
            from_px: 100.0,
            to_px: 0.0,
        };
        let ticks = scale.ticks(6);
        let labels: Vec<String> = ticks.iter().map(|&t| tick_label(t, &ticks)).collect();
        assert_eq!(labels, ["0", "50", "100"]);
        let scale = Scale {
            low: 0.0,
            high: 1.3,
            ..scale
        };
        let ticks = scale.ticks(4);
        assert_eq!(tick_label(ticks[1], &ticks), "0.5");
    }

    #[test]
    fn a_range_always_has_a_length() {
        assert_eq!(range([f64::NAN].into_iter(), 10.0), (0.0, 10.0));
        assert_eq!(range([0.0, 0.0].into_iter(), 10.0), (0.0, 10.0));
        let (low, high) = range([-5.0, 95.0].into_iter(), 10.0);
        assert!(low < -5.0 && 95.0 < high);
    }
}
