//! Segments of one numeric series: where its level, spread or slope changes, with nothing to tune.
//!
//! In: values in order, missing ones not finite, with or without times. Out: [`Segments`]. Any series will do; nothing
//! here knows of pumps. In order: rounding is measured, bursts are left out, noise is measured, the penalty follows,
//! the cheapest split is found. Only the last step looks for changes, and it looks at all of them.

use super::bursts::Bursts;
use super::cost::{Cost, Spread, TREND, Terms};
use super::noise::Noise;
use super::penalty::Penalty;
use super::rounding::rounding_step;
use super::search::cheapest_split;
use super::sums::Sums;
use crate::stats::robust::median;

/// Where a series changes, and what it is in between.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Segments {
    /// Rows at which a new segment starts, ascending, never 0.
    pub change_points: Vec<usize>,
    /// The segments in order; together they cover all rows. Empty where no row has a value.
    pub segments: Vec<Segment>,
}

/// A stretch of rows with one level (or slope) and one spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// First row.
    pub start: usize,
    /// First row after it.
    pub end: usize,
    /// Mean of its values, bursts left out.
    pub level: f64,
    /// Rise for each row (or unit of time); 0 where a level describes the segment as well.
    pub slope: f64,
    /// Standard deviation around level or line, bursts left out.
    pub spread: f64,
}

/// Finds the segments of evenly spaced values. Missing values are not finite; they keep their row.
///
/// The split has the least total of: for each segment, `n ln(RSS/n)` around its level or its line, and for each change a
/// penalty of `3 ln n` (a slope: `2 ln n` more), both corrected for rounding, for noise whose neighbours resemble each
/// other and for heavy tails. No split is left out. Runs of at most seven wild samples after which the series goes on
/// as before are no segments, and no segment has fewer than five samples.
///
/// A change that is slow compared with the noise (a wave, a curve) comes out as straight pieces. A ramp rounded so
/// coarsely that its noise never shows comes out as its steps.
///
/// ```
/// let mut level = [20.0, 21.0, 19.5, 20.5].repeat(20);
/// level.extend([35.0, 36.0, 34.0, 35.5].repeat(20));
/// assert_eq!(patency::signal::segments(&level).change_points, [80]);
/// ```
pub fn segments(values: &[f64]) -> Segments {
    let samples: Vec<Sample> = values
        .iter()
        .enumerate()
        .map(|(row, &value)| (row, row as f64, value))
        .filter(|s| s.2.is_finite())
        .collect();
    split(&samples, values.len())
}

/// The same for values at times of their own, in any unit; the slope is for each unit of time.
///
/// Rows whose time is not finite, or lies before that of an earlier row, count as missing, and so do rows beyond the shorter
/// of the two slices.
pub fn segments_at(times: &[f64], values: &[f64]) -> Segments {
    let mut latest = f64::NEG_INFINITY;
    let samples: Vec<Sample> = times
        .iter()
        .zip(values)
        .enumerate()
        .map(|(row, (&time, &value))| (row, time, value))
        .filter(|&(_, time, value)| {
            let usable = time.is_finite() && value.is_finite() && latest <= time;
            if usable {
                latest = time;
            }
            usable
        })
        .collect();
    split(&samples, times.len().min(values.len()))
}

/// The split into levels of a series whose spread is known to be 1 throughout, under a penalty of the caller's: the least total of
/// the sums of squares around the levels plus `penalty` for each change. First rows of all segments but the first.
///
/// Exact: what others search for by the same cost is never cheaper. Every segment has at least `least_samples` (at least 1).
/// Values that are not finite give no split at all.
///
/// ```
/// let mut level = [0.5, -0.5].repeat(10);
/// level.extend([9.5, 8.5].repeat(10));
/// assert_eq!(patency::signal::split_levels(&level, 10.0, 2), [20]);
/// ```
pub fn split_levels(values: &[f64], penalty: f64, least_samples: usize) -> Vec<usize> {
    if !values.iter().all(|v| v.is_finite()) {
        return Vec::new();
    }
    let samples: Vec<(u64, f64)> = (0..).zip(values.iter().copied()).collect();
    let sums = Sums::new(&samples);
    let terms = Terms {
        spread: Spread::Known,
        weight: 1.0,
        extra: [0.0, f64::INFINITY],
        short: 0.0,
    };
    cheapest_split(&Cost::new(&sums, terms), penalty, least_samples).change_points
}

/// Row, place on the x axis, value; finite.
type Sample = (usize, f64, f64);

fn split(samples: &[Sample], rows: usize) -> Segments {
    let all: Vec<f64> = samples.iter().map(|s| s.2).collect();
    let step = rounding_step(&all);
    let bursts = Bursts::of(&all, 0.5 * step);
    let samples: Vec<Sample> = samples
        .iter()
        .zip(&bursts.wild)
        .filter(|(_, wild)| !**wild)
        .map(|(s, _)| *s)
        .collect();
    let scale = Scale::of(&samples, step);
    let kurtosis = bursts.kurtosis.filter(|_| step < scale.noise.sd);
    let penalty = Penalty::of(samples.len(), scale.noise, kurtosis, scale.floor(step));
    let sums = Sums::new(&scale.applied(&samples));
    let cost = Cost::new(&sums, penalty.terms);
    let found = cheapest_split(&cost, penalty.change, penalty.least_samples);
    describe(&cost, &found.change_points, &samples, &scale, rows)
}

/// How values and places are scaled, so that sums keep their digits: noise has the standard deviation 1, places are whole
/// numbers from 0.
struct Scale {
    noise: Noise,
    centre: f64,
    unit: f64,
    /// Largest value in units from the centre.
    reach: f64,
    origin: f64,
    ticks_per_x: f64,
}

impl Scale {
    fn of(samples: &[Sample], step: f64) -> Self {
        let mut values: Vec<f64> = samples.iter().map(|s| s.2).collect();
        let noise = Noise::of(&values, step);
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let centre = median(&mut values).unwrap_or(0.0);
        let reach = (high - centre).max(centre - low).max(0.0);
        // Series without noise to speak of are scaled by their range, constant ones not at all.
        let unit = [noise.sd, reach, 1.0]
            .into_iter()
            .find(|unit| 1e-9 * reach < *unit)
            .unwrap_or(1.0);
        let origin = samples.first().map_or(0.0, |s| s.1);
        let length = samples.last().map_or(0.0, |s| s.1) - origin;
        let axis = Sums::longest_axis(samples.len()) as f64;
        // Rows stay as they are; times are spread over all whole numbers that the sums can take.
        let in_rows = samples.iter().all(|s| s.0 as f64 == s.1);
        let ticks_per_x = if (in_rows && length <= axis) || length <= 0.0 {
            1.0
        } else {
            axis / length
        };
        Self {
            noise,
            centre,
            unit,
            reach: reach / unit,
            origin,
            ticks_per_x,
        }
    }

    /// Variance that rounding to `step` hides, and what the arithmetic of the sums does, in units.
    fn floor(&self, step: f64) -> f64 {
        let arithmetic = 1e-7 * self.reach.max(1e-3);
        (step / self.unit).powi(2) / 12.0 + arithmetic * arithmetic
    }

    fn applied(&self, samples: &[Sample]) -> Vec<(u64, f64)> {
        samples
            .iter()
            .map(|s| {
                let ticks = ((s.1 - self.origin) * self.ticks_per_x).round();
                (ticks as u64, (s.2 - self.centre) / self.unit)
            })
            .collect()
    }
}

fn describe(
    cost: &Cost,
    changes: &[usize],
    samples: &[Sample],
    scale: &Scale,
    rows: usize,
) -> Segments {
    let change_points: Vec<usize> = changes.iter().map(|&i| samples[i].0).collect();
    if samples.is_empty() {
        return Segments::default();
    }
    let edges = |first: usize, between: &[usize], last: usize| {
        let mut edges = vec![first];
        edges.extend(between);
        edges.push(last);
        edges
    };
    let row_edges = edges(0, &change_points, rows);
    let sample_edges = edges(0, changes, samples.len());
    let segments = row_edges
        .windows(2)
        .zip(sample_edges.windows(2))
        .map(|(row, sample)| {
            let m = cost.moments(sample[0], sample[1]);
            let sloped = cost.shape(sample[0], sample[1]) == TREND;
            let (rss, parameters) = if sloped {
                (m.trend_rss, 2.0)
            } else {
                (m.level_rss, 1.0)
            };
            Segment {
                start: row[0],
                end: row[1],
                level: scale.centre + m.level * scale.unit,
                slope: if sloped {
                    m.slope * scale.unit * scale.ticks_per_x
                } else {
                    0.0
                },
                spread: (rss / (m.n - parameters).max(1.0)).sqrt() * scale.unit,
            }
        })
        .collect();
    Segments {
        change_points,
        segments,
    }
}

#[cfg(test)]
mod tests;
