//! The stretch of a record that explanations are fitted to: knots, rates, volumes and boiled-down pressures.
//!
//! In: the record, what the pumps did, and the moments at which something happened. Out: a [`Window`]: narrow
//! bins near those moments, wide ones far from them, so that a day at one sample a second is fitted as a few
//! hundred numbers without losing a ramp of seconds.

use super::blocks::Noise;
use super::fit::Observation;
use super::regimes::Doings;
use super::standing::Standing;

use crate::record::{Channel, Record};
use crate::time::Span;

/// Bins grow by this share of the distance to the nearest moment of interest.
const GROWTH: f64 = 0.35;
/// Most bins between start and end where nothing happens.
const PLAIN_BINS: f64 = 50.0;
/// Factor on the spread of readings while a channel stands still alone.
const ALONE_SPREAD: f64 = 5.0;
/// Model error: real lines do not follow the line equations more closely than this share of a rise.
const MODEL_SHARE: f64 = 0.04;

/// How many independent readings a bin is worth: neighbouring bins share breathing, drift and what the equations leave
/// out (chosen on the tuning set).
const BIN_WEIGHT: f64 = 0.14;

/// A stop whose pressure had fallen by all but [`OPENED_LEFT`] within two readings and so many seconds, and by so many
/// mmHg, is one in which the line was opened: an open line's own fall takes its time constant (common practice, no source).
const OPENED_S: f64 = 3.0;
/// See [`OPENED_S`].
const OPENED_FALL_MMHG: f64 = 10.0;
/// See [`OPENED_S`].
const OPENED_LEFT: f64 = 0.2;
/// In logs slower than this a fall of minutes looks like one at once, seconds.
const OPENED_PERIOD_S: f64 = 30.0;

/// A stretch of the record, ready to be fitted.
#[derive(Debug, Clone)]
pub struct Window {
    /// Number of channels, `n`.
    pub channels: usize,
    /// The `m + 1` knots, seconds from the record's start.
    pub knot_s: Vec<f64>,
    /// Set rate in each of the `m` intervals, mL/h, `m × n`.
    pub rate_ml_h: Vec<f64>,
    /// Volume that all pumps together were set to deliver up to each knot, mL, from the window's start.
    pub volume_ml: Vec<f64>,
    /// `(knot, channel, mmHg)`: restarts after a stop of this channel alone, with the pressure read just before. In
    /// such stops containers are changed and lines opened, so what the pump's side holds is not what the line did. Also
    /// where a stop let the pressure out at once.
    pub restarts: Vec<(usize, usize, f64)>,
    /// Where each observation stands.
    pub seen: Vec<Seen>,
    /// What was observed, in the order of `seen`.
    pub observations: Vec<Observation>,
}

/// Where an observation stands: which channel, and at which knot.
#[derive(Debug, Clone, Copy)]
pub struct Seen {
    /// The channel's index.
    pub channel: usize,
    /// The knot's index.
    pub knot: usize,
}

impl Window {
    /// First knot, seconds.
    pub fn start_s(&self) -> f64 {
        self.knot_s[0]
    }

    /// Last knot, seconds.
    pub fn end_s(&self) -> f64 {
        self.knot_s[self.knot_s.len() - 1]
    }

    /// Flow of a channel, or of all (`None`), in an interval, mL/h.
    pub fn flow_ml_h(&self, channel: Option<usize>, interval: usize) -> f64 {
        let rates = &self.rate_ml_h[interval * self.channels..(interval + 1) * self.channels];
        channel.map_or_else(|| rates.iter().sum(), |c| rates[c])
    }

    /// Stretches in which a channel, or the whole line (`None`), stood still.
    pub fn stops(&self, channel: Option<usize>) -> Vec<Span> {
        let mut stops: Vec<Span> = Vec::new();
        for k in (0..self.knot_s.len() - 1).filter(|&k| self.flow_ml_h(channel, k) == 0.0) {
            let (start_s, end_s) = (self.knot_s[k], self.knot_s[k + 1]);
            match stops.last_mut().filter(|s| s.end_s == start_s) {
                Some(stop) => stop.end_s = end_s,
                None => stops.push(Span { start_s, end_s }),
            }
        }
        stops
    }

    /// Moments at which the flow of a channel, or of the whole line (`None`), changed from one that runs to another, each with
    /// the log of the factor without its sign.
    pub fn changes(&self, channel: Option<usize>) -> Vec<(f64, f64)> {
        (1..self.knot_s.len() - 1)
            .filter_map(|k| {
                let (before, after) = (self.flow_ml_h(channel, k - 1), self.flow_ml_h(channel, k));
                (0.0 < before && 0.0 < after && before != after)
                    .then(|| (self.knot_s[k], (after / before).ln().abs()))
            })
            .collect()
    }

    /// The last stop of a channel, or of the whole line (`None`), that ended by a moment: its start and its end, seconds.
    pub fn stop_before(&self, channel: Option<usize>, t_s: f64) -> Option<Span> {
        self.stops(channel)
            .into_iter()
            .rfind(|s| s.end_s <= t_s && s.end_s < self.end_s())
    }
}

/// Linear interpolation in a rising table, clamped to its ends.
pub fn interpolate(x: &[f64], y: &[f64], at: f64) -> f64 {
    let i = x.partition_point(|&v| v <= at);
    if i == 0 {
        return y[0];
    }
    if i == x.len() {
        return y[i - 1];
    }
    let (x0, x1) = (x[i - 1], x[i]);
    if x1 <= x0 {
        return y[i];
    }
    y[i - 1] + (y[i] - y[i - 1]) * (at - x0) / (x1 - x0)
}

/// Cuts the window `[start_s, end_s]`, fine around `moments_s`.
///
/// `None` where fewer than six pressures lie in it.
pub fn cut(
    record: &Record,
    doings: &Doings,
    noise: &[Noise],
    start_s: f64,
    end_s: f64,
    moments_s: &[f64],
) -> Option<Window> {
    let n = record.channels.len();
    let mut moments: Vec<f64> = moments_s.to_vec();
    let changes: Vec<(f64, f64)> = doings
        .steps
        .iter()
        .flatten()
        .filter(|s| start_s < s.t_s && s.t_s < end_s)
        .map(|s| (s.t_s, s.slack_s))
        .collect();
    // Many rate changes (boluses, titrations) would make too many fine bins: they cut, but only some refine.
    if changes.len() <= 12 {
        moments.extend(changes.iter().map(|c| c.0));
    }
    moments.retain(|m| start_s <= *m && *m <= end_s);
    moments.sort_by(f64::total_cmp);
    moments.dedup_by(|a, b| (*a - *b).abs() < 1.0);
    let finest_s = doings.least_period_s.map_or(30.0, |s| s.clamp(2.0, 300.0));
    let widest_s = ((end_s - start_s) / PLAIN_BINS).max(finest_s);
    let mut edges = vec![start_s];
    let mut at = start_s;
    while at < end_s {
        let near = distance(&moments, at);
        let mut width = (GROWTH * near).clamp(finest_s, widest_s);
        // Do not jump over a moment: land on it.
        if let Some(&next) = moments.get(moments.partition_point(|&m| m <= at + 1e-9))
            && next < at + 1.5 * width
        {
            width = if next - at <= width {
                next - at
            } else {
                0.5 * (next - at)
            };
        }
        at = (at + width.max(0.5)).min(end_s);
        edges.push(at);
    }
    let mut cuts: Vec<f64> = changes.iter().map(|c| c.0).collect();
    cuts.sort_by(f64::total_cmp);
    let mut bins: Vec<(usize, f64, f64, f64)> = Vec::new(); // channel, time, pressure, spread
    for (c, channel) in record.channels.iter().enumerate() {
        let seen = readings(channel, doings.standing[c], &edges);
        bin_channel(c, &seen, &edges, &cuts, &noise[c], &mut bins);
    }
    if bins.len() < 6 {
        return None;
    }
    let mut knot_s: Vec<f64> = bins.iter().map(|b| b.1).collect();
    knot_s.extend_from_slice(&cuts);
    knot_s.push(start_s);
    knot_s.push(end_s);
    knot_s.sort_by(f64::total_cmp);
    knot_s.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    let m = knot_s.len() - 1;
    let mut rate_ml_h = Vec::with_capacity(m * n);
    let mut volume_ml = vec![0.0];
    for k in 0..m {
        let middle_s = 0.5 * (knot_s[k] + knot_s[k + 1]);
        let hours = (knot_s[k + 1] - knot_s[k]) / 3600.0;
        let mut total = 0.0;
        for c in 0..n {
            let rate = doings.rate_at(c, middle_s);
            rate_ml_h.push(rate);
            total += rate;
        }
        volume_ml.push(volume_ml[k] + total * hours);
    }
    bins.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    let base: Vec<f64> = (0..n).map(|c| low_level(&bins, c)).collect();
    let slopes = slopes(&bins, n);
    let mut seen = Vec::with_capacity(bins.len());
    let mut observations = Vec::with_capacity(bins.len());
    for ((c, t_s, value, spread), slope) in bins.into_iter().zip(slopes) {
        let knot = knot_s.partition_point(|&k| k < t_s - 1e-6).min(m);
        let rise = (value - base[c]).max(0.0);
        // The moment of a rate change is known only to between two samples: what stands next to it counts less.
        let unsure = changes
            .iter()
            .filter(|(at, slack)| 0.0 < *slack && (t_s - at).abs() <= 2.2 * slack)
            .count();
        // A clock is right to a second or two and a share of the sampling period: on a steep ramp that is pressure.
        let timing = slope * (1.0 + 0.15 * finest_s);
        let sd = (spread * spread + (MODEL_SHARE * rise).powi(2) + timing * timing + 0.25).sqrt()
            * if 0 < unsure { 3.0 } else { 1.0 };
        seen.push(Seen { channel: c, knot });
        observations.push(Observation {
            value,
            sd,
            weight: BIN_WEIGHT,
        });
    }
    let mut restarts = restarts(&knot_s, &rate_ml_h, n, &seen, &mut observations);
    if finest_s <= OPENED_PERIOD_S {
        restarts.extend(opened(
            &knot_s,
            &rate_ml_h,
            n,
            &seen,
            &observations,
            finest_s,
        ));
        restarts.sort_by_key(|r| (r.0, r.1));
    }
    Some(Window {
        restarts,
        channels: n,
        knot_s,
        rate_ml_h,
        volume_ml,
        seen,
        observations,
    })
}

fn distance(moments: &[f64], at: f64) -> f64 {
    let i = moments.partition_point(|&m| m <= at);
    let before = i.checked_sub(1).map_or(f64::INFINITY, |j| at - moments[j]);
    let after = moments.get(i).map_or(f64::INFINITY, |m| m - at);
    before.min(after)
}

fn bin_channel(
    c: usize,
    readings: &[(f64, f64)],
    edges: &[f64],
    cuts: &[f64],
    noise: &Noise,
    bins: &mut Vec<(usize, f64, f64, f64)>,
) {
    let (mut edge, mut cut) = (0, 0);
    let mut sum = (0.0, 0.0, 0.0, 0.0); // count, pressure, time, pressure²
    let mut flush = |sum: &mut (f64, f64, f64, f64)| {
        if 0.0 < sum.0 {
            let mean = sum.1 / sum.0;
            let within = (sum.3 / sum.0 - mean * mean).max(0.0);
            // Neighbouring samples share pulsation and rounding, so averaging helps only so far.
            let spread = (noise.sample_mmhg.powi(2) / sum.0.min(6.0) + 0.03 * within).sqrt();
            bins.push((
                c,
                sum.2 / sum.0,
                mean,
                spread.max(0.29 * noise.rounding_mmhg),
            ));
        }
        *sum = (0.0, 0.0, 0.0, 0.0);
    };
    for &(t_s, p) in readings {
        let mut crossed = false;
        while edge + 1 < edges.len() && edges[edge + 1] <= t_s {
            edge += 1;
            crossed = true;
        }
        while cut < cuts.len() && cuts[cut] <= t_s {
            cut += 1;
            crossed = true;
        }
        if crossed {
            flush(&mut sum);
        }
        if p.is_finite() {
            sum.0 += 1.0;
            sum.1 += p;
            sum.2 += t_s;
            sum.3 += p * p;
        }
    }
    flush(&mut sum);
}

/// The pressures that a channel showed between the first and the last edge, with their times. In a log on change a reading stands
/// until the next one: it is read again in each bin, and at the last look before the next.
fn readings(channel: &Channel, standing: Option<Standing>, edges: &[f64]) -> Vec<(f64, f64)> {
    let s = &channel.samples;
    let (start_s, end_s) = (edges[0], edges[edges.len() - 1]);
    let rows = s.t_s.partition_point(|&t| t < start_s)..s.t_s.partition_point(|&t| t <= end_s);
    let of_rows = |i: usize| (s.t_s[i], s.pressure_mmhg[i]);
    let Some(standing) = standing else {
        return rows.map(of_rows).collect();
    };
    let mut all = Vec::new();
    for i in rows.start.saturating_sub(1)..rows.end {
        let (t_s, mmhg) = of_rows(i);
        if start_s <= t_s {
            all.push((t_s, mmhg));
        }
        let Some(last_s) = standing.until_s(channel, i) else {
            continue;
        };
        let from = edges.partition_point(|&e| e <= t_s + standing.look_s);
        let middles = edges[from..].windows(2).map(|w| 0.5 * (w[0] + w[1]));
        let held = middles.take_while(|&m| m < last_s).chain([last_s]);
        all.extend(
            held.filter(|&h| start_s <= h && h <= end_s)
                .map(|h| (h, mmhg)),
        );
    }
    all
}

/// Restarts of single channels while others ran; their readings during the stop are made to count little.
fn restarts(
    knot_s: &[f64],
    rate_ml_h: &[f64],
    n: usize,
    seen: &[Seen],
    observations: &mut [Observation],
) -> Vec<(usize, usize, f64)> {
    let mut found = Vec::new();
    for c in 0..n {
        let mut since: Option<usize> = None;
        for k in 0..knot_s.len() - 1 {
            let rates = &rate_ml_h[k * n..(k + 1) * n];
            let alone = rates[c] == 0.0 && rates.iter().any(|&r| 0.0 < r);
            match (alone, since) {
                (true, None) if 0 < k => since = Some(k),
                (false, Some(from)) => {
                    since = None;
                    let mut last = None;
                    for (s, o) in seen.iter().zip(observations.iter_mut()) {
                        if s.channel == c && from <= s.knot && s.knot <= k {
                            o.sd *= ALONE_SPREAD;
                            last = Some(o.value);
                        }
                    }
                    if let Some(mmhg) = last.filter(|_| 0.0 < rates[c]) {
                        found.push((k, c, mmhg));
                    }
                }
                _ => {}
            }
        }
    }
    found
}

/// Stops of the whole line in which a channel's pressure was gone at once: its line was opened, for a new container or set.
/// What it held went neither through the catheter nor as slowly, so the pressure is set where it first read low.
fn opened(
    knot_s: &[f64],
    rate_ml_h: &[f64],
    n: usize,
    seen: &[Seen],
    observations: &[Observation],
    finest_s: f64,
) -> Vec<(usize, usize, f64)> {
    let runs = |k: usize| rate_ml_h[k * n..(k + 1) * n].iter().any(|&r| 0.0 < r);
    let mut found = Vec::new();
    let mut since: Option<usize> = None;
    for k in 1..knot_s.len() - 1 {
        if runs(k - 1) && !runs(k) {
            since = Some(k);
        }
        let Some(from) = since.filter(|_| !runs(k - 1) && runs(k)) else {
            continue;
        };
        since = None;
        let stood_s = knot_s[from] + 2.2 * finest_s + OPENED_S;
        for c in 0..n {
            let own = || {
                seen.iter()
                    .zip(observations)
                    .filter(move |(s, _)| s.channel == c)
            };
            let before = own().rfind(|(s, _)| s.knot <= from);
            let inside = || own().filter(|(s, _)| from < s.knot && s.knot <= k);
            let low = inside().map(|(_, o)| o.value).reduce(f64::min);
            let first = inside().find(|(s, _)| stood_s <= knot_s[s.knot]);
            let (Some((_, before)), Some(low), Some((at, first))) = (before, low, first) else {
                continue;
            };
            let fall = before.value - low;
            if OPENED_FALL_MMHG <= fall && first.value <= low + OPENED_LEFT * fall {
                let first_low = inside()
                    .find(|(_, o)| o.value <= low + OPENED_LEFT * fall)
                    .map_or(at.knot, |(s, _)| s.knot);
                found.push((first_low - 1, c, first.value));
            }
        }
    }
    found
}

/// How fast each bin's channel changes about it, mmHg/s.
fn slopes(bins: &[(usize, f64, f64, f64)], n: usize) -> Vec<f64> {
    let mut slopes = vec![0.0; bins.len()];
    for c in 0..n {
        let own: Vec<usize> = (0..bins.len()).filter(|&i| bins[i].0 == c).collect();
        for w in own.windows(3) {
            let (before, after) = (&bins[w[0]], &bins[w[2]]);
            slopes[w[1]] = ((after.2 - before.2) / (after.1 - before.1).max(0.5)).abs();
        }
    }
    slopes
}

/// The tenth percentile of a channel's pressures: what it stands at when nothing hinders it.
fn low_level(bins: &[(usize, f64, f64, f64)], c: usize) -> f64 {
    let mut p: Vec<f64> = bins.iter().filter(|b| b.0 == c).map(|b| b.2).collect();
    p.sort_by(f64::total_cmp);
    p.get(p.len() / 10).copied().unwrap_or(0.0)
}
