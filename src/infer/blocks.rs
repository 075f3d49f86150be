//! A record boiled down: short stretches of one channel with one pressure each, and how noisy those are.
//!
//! In: the record and what the pumps did. Out: [`Block`]s and [`Noise`] of each channel.

use super::baseline::PartsPrior;
use super::regimes::{Doings, RateStep};
use super::standing::Standing;
use crate::record::Record;
use crate::signal::rounding_step;
use crate::stats::robust;

/// Shortest block, seconds: long enough to average pulsation, short enough for a ramp of minutes.
pub const BLOCK_S: f64 = 30.0;
/// From such a distance between readings on, what changes between two is the line and not noise, seconds.
const CHARTED_S: f64 = 1800.0;
/// The noise of readings so far apart: written down by hand or by the hour, mmHg (common practice, no source).
const CHARTED_MMHG: f64 = 2.0;

/// Distances over which a wave is looked for, seconds: half the period of a stroke, from minutes to most of an hour.
const WAVE_LAGS_S: [f64; 8] = [60.0, 100.0, 160.0, 270.0, 420.0, 600.0, 850.0, 1200.0];
/// Distances over which a wander is looked for, seconds.
const WANDER_LAGS_S: [f64; 4] = [1200.0, 1500.0, 1900.0, 2400.0];
/// A spread is taken from this share of the differences, the smaller ones.
const SMALLER_SHARE: f64 = 0.6;
/// Their mean over the spread of a normal: 2 (φ(0) − φ(q)) / 0.6 with q = 0.8416, the normal's quantile at 0.8.
const SMALLER_MEAN: f64 = 0.3964;
/// Readings that flip by one rounding step q look like a spread of so many q by the same measure.
const FLIPS_SHARE: f64 = 0.6;
/// Fewer differences than this tell no spread.
const LEAST_DIFFERENCES: usize = 20;

/// A short stretch of one channel in which all pumps kept their rates.
#[derive(Debug, Clone)]
pub struct Block {
    /// The channel's index.
    pub channel: usize,
    /// Middle of the block, seconds from the record's start.
    pub t_s: f64,
    /// Its last sample, or in a log on change the last look at which that still stood, seconds from the record's start.
    pub last_s: f64,
    /// Median pressure, mmHg.
    pub pressure_mmhg: f64,
    /// Lagged flow of each channel, mL/h.
    pub flow_ml_h: Vec<f64>,
    /// Whether the flows have settled after the last change of rate.
    pub settled: bool,
    /// Whether any channel runs.
    pub runs: bool,
    /// Whether this channel runs.
    pub own_runs: bool,
    /// Observed less expected, mmHg.
    pub deviation_mmhg: f64,
    /// What the deviation must exceed to stand out, mmHg.
    pub bar_mmhg: f64,
    /// How far below the level of the minutes before at the same rates, over what such a fall must exceed; 0 where there is
    /// no such level.
    pub fall: f64,
}

impl Block {
    /// The flow of all channels together, mL/h.
    pub fn total_ml_h(&self) -> f64 {
        self.flow_ml_h.iter().sum()
    }

    /// Pressure above the expected one for each mL/h, mmHg·h/mL.
    pub fn excess(&self) -> f64 {
        self.deviation_mmhg / self.total_ml_h().max(1e-3)
    }
}

/// Figures of noise are known to a twentieth, natural log: a record that is read a little further shows the same ones.
const KNOWN_TO: f64 = 0.05;

/// A figure of noise as far as it is known.
fn rounded(mmhg: f64) -> f64 {
    if 0.0 < mmhg {
        (KNOWN_TO * (mmhg.ln() / KNOWN_TO).round()).exp()
    } else {
        mmhg
    }
}

/// Noise of one channel's blocks.
#[derive(Debug, Clone, Copy)]
pub struct Noise {
    /// Spread of a block's median, mmHg.
    pub block_mmhg: f64,
    /// Spread of what comes and goes over minutes: strokes of a slow pump, a vein that wanders, mmHg.
    pub slow_mmhg: f64,
    /// Spread of single samples, mmHg.
    pub sample_mmhg: f64,
    /// Step to which the pressure was rounded, mmHg; 0 where none is seen.
    pub rounding_mmhg: f64,
    /// Whether readings lie so far apart that each is a measurement of its own: written down by the hour.
    pub charted: bool,
}

/// The lagged flow of one channel, walked through in order of time.
struct Lag<'a> {
    steps: &'a [RateStep],
    lag_h: f64,
    at: usize,
    from_s: f64,
    from_flow: f64,
}

impl<'a> Lag<'a> {
    fn new(steps: &'a [RateStep], lag_h: f64) -> Self {
        let first = steps[0];
        Self {
            steps,
            lag_h,
            at: 0,
            from_s: first.t_s,
            from_flow: 0.0, // whether it ran before the record is not known: it settles first either way
        }
    }

    fn flow(&mut self, t_s: f64) -> f64 {
        while self.at + 1 < self.steps.len() && self.steps[self.at + 1].t_s <= t_s {
            let step = self.steps[self.at + 1];
            self.from_flow = self.relaxed(step.t_s);
            self.from_s = step.t_s;
            self.at += 1;
        }
        self.relaxed(t_s)
    }

    fn relaxed(&self, t_s: f64) -> f64 {
        let rate = self.steps[self.at].rate_ml_h;
        rate + (self.from_flow - rate) * (-(t_s - self.from_s).max(0.0) / 3600.0 / self.lag_h).exp()
    }
}

/// The blocks of one channel, in order of time; flows lag by so many hours.
pub fn blocks_of(record: &Record, doings: &Doings, channel: usize, lag_h: f64) -> Vec<Block> {
    let s = &record.channels[channel].samples;
    let n = doings.steps.len();
    let mut lags: Vec<Lag> = doings
        .steps
        .iter()
        .map(|steps| Lag::new(steps, lag_h))
        .collect();
    // All changes of any pump cut blocks.
    let mut cuts: Vec<(f64, f64)> = doings
        .steps
        .iter()
        .flatten()
        .map(|step| (step.t_s, step.slack_s))
        .collect();
    cuts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut blocks = Vec::new();
    let mut pressures: Vec<f64> = Vec::new();
    let mut i = 0;
    let mut cut = 0;
    while i < s.len() {
        let start_s = s.t_s[i];
        while cut < cuts.len() && cuts[cut].0 <= start_s {
            cut += 1;
        }
        let last_cut = cut.checked_sub(1).map(|k| cuts[k]);
        let next_cut_s = cuts.get(cut).map_or(f64::INFINITY, |c| c.0);
        let end_s = (start_s + BLOCK_S).min(next_cut_s);
        pressures.clear();
        let mut last_s = start_s;
        while i < s.len() && (s.t_s[i] < end_s || last_s == start_s && s.t_s[i] == start_s) {
            if s.pressure_mmhg[i].is_finite() {
                pressures.push(s.pressure_mmhg[i]);
            }
            last_s = s.t_s[i];
            i += 1;
        }
        let Some(pressure_mmhg) = robust::median(&mut pressures) else {
            continue;
        };
        let t_s = 0.5 * (start_s + last_s);
        let until_s = |of: Standing| of.until_s(&record.channels[channel], i - 1);
        if let Some(until_s) = doings.standing[channel].and_then(until_s) {
            last_s = until_s;
        }
        let flow_ml_h: Vec<f64> = lags.iter_mut().map(|l| l.flow(t_s)).collect();
        let rates: Vec<f64> = (0..n).map(|c| doings.rate_at(c, t_s)).collect();
        let total: f64 = rates.iter().sum();
        let lagging: f64 = rates
            .iter()
            .zip(&flow_ml_h)
            .map(|(r, f)| (r - f).abs())
            .sum();
        let unsure = last_cut.is_some_and(|(at_s, slack_s)| t_s < at_s + slack_s + 1.0);
        blocks.push(Block {
            channel,
            t_s,
            last_s,
            pressure_mmhg,
            settled: !unsure && lagging <= 0.05 * total.max(0.2),
            runs: 0.0 < total,
            own_runs: 0.0 < rates[channel],
            flow_ml_h,
            deviation_mmhg: 0.0,
            bar_mmhg: f64::INFINITY,
            fall: 0.0,
        });
    }
    blocks
}

/// How noisy a channel and its blocks are.
pub fn noise_of(record: &Record, channel: usize, blocks: &[Block]) -> Noise {
    let pressure = &record.channels[channel].samples.pressure_mmhg;
    let rounding_mmhg = rounding_step(pressure);
    let mut steps: Vec<f64> = blocks
        .windows(2)
        .filter(|w| w[0].settled && w[1].settled && (w[0].flow_ml_h == w[1].flow_ml_h || w[1].runs))
        .map(|w| (w[1].pressure_mmhg - w[0].pressure_mmhg).abs())
        .collect();
    // The median of differences of independent normals with spread s is 0.6745 √2 s.
    let by_blocks = robust::median(&mut steps).unwrap_or(1.0) / 0.953_9;
    let mut jumps: Vec<f64> = pressure
        .windows(2)
        .map(|w| (w[1] - w[0]).abs())
        .filter(|d| d.is_finite())
        .collect();
    let by_samples = robust::median(&mut jumps).unwrap_or(1.0) / 0.953_9;
    let floor = 0.29 * rounding_mmhg; // rounding to a step q spreads by q/√12
    if record.channels[channel]
        .period_s
        .is_some_and(|p| CHARTED_S <= p)
    {
        let charted = CHARTED_MMHG.max(floor);
        return Noise {
            block_mmhg: charted,
            slow_mmhg: 0.0,
            sample_mmhg: charted,
            rounding_mmhg,
            charted: true,
        };
    }
    let block_mmhg = by_blocks.max(floor).max(0.4);
    Noise {
        block_mmhg: rounded(block_mmhg),
        // What is written on change alone shows every change and no rest between them.
        slow_mmhg: if record.channels[channel].on_change {
            0.0
        } else {
            rounded(slow_noise(
                blocks,
                block_mmhg.max(FLIPS_SHARE * rounding_mmhg),
            ))
        },
        sample_mmhg: rounded(by_samples.max(floor).max(0.4)),
        rounding_mmhg,
        charted: false,
    }
}

/// Spread of what comes and goes over minutes, mmHg, beside what each block has for itself (`quick_mmhg`): from second
/// differences `p(t − L) − 2 p(t) + p(t + L)` of running blocks, which a steady climb leaves at zero. What each block has for
/// itself adds √6 times its spread. A wave (a pump that delivers in strokes shows one for each, and a slow pump's lasts many
/// minutes) adds four times its own where L is half its period, and less elsewhere; a wander that is half forgotten over L some
/// two times, at any long L: the least counts.
fn slow_noise(blocks: &[Block], quick_mmhg: f64) -> f64 {
    let beyond = |lags_s: &[f64]| -> Vec<f64> {
        lags_s
            .iter()
            .filter_map(|&lag_s| second_difference(blocks, lag_s))
            .map(|d| (d * d - 6.0 * quick_mmhg * quick_mmhg).max(0.0))
            .collect()
    };
    let wave = beyond(&WAVE_LAGS_S).into_iter().fold(0.0, f64::max) / 16.0;
    let wander = beyond(&WANDER_LAGS_S).into_iter().reduce(f64::min);
    wave.max(wander.unwrap_or(0.0) / 4.0).sqrt()
}

/// The spread of second differences over a lag, mmHg, of settled blocks at like flows: from the smaller ones, since where
/// something happens they are large.
fn second_difference(blocks: &[Block], lag_s: f64) -> Option<f64> {
    let counts = |b: &Block| b.settled && b.own_runs;
    let alike = |a: &Block, b: &Block| {
        counts(b) && (a.total_ml_h() - b.total_ml_h()).abs() <= 0.02 * b.total_ml_h()
    };
    let (mut before, mut after) = (0, 0);
    let mut sizes: Vec<f64> = Vec::new();
    for (i, middle) in blocks.iter().enumerate().filter(|(_, b)| counts(b)) {
        while before < i && blocks[before].t_s < middle.t_s - lag_s {
            before += 1;
        }
        while after < blocks.len() && blocks[after].t_s < middle.t_s + lag_s {
            after += 1;
        }
        let Some((first, last)) = blocks.get(before).zip(blocks.get(after)) else {
            continue;
        };
        let near = |b: &Block| ((b.t_s - middle.t_s).abs() - lag_s).abs() <= 0.25 * lag_s;
        if near(first) && near(last) && alike(first, middle) && alike(last, middle) {
            sizes.push(
                (first.pressure_mmhg - 2.0 * middle.pressure_mmhg + last.pressure_mmhg).abs(),
            );
        }
    }
    if sizes.len() < LEAST_DIFFERENCES {
        return None;
    }
    spread_of(&mut sizes)
}

/// The spread of normals by the sizes of the smaller ones: where something happens they are large. `None` for none.
fn spread_of(sizes: &mut [f64]) -> Option<f64> {
    sizes.sort_by(f64::total_cmp);
    let smaller = &sizes[..(SMALLER_SHARE * sizes.len() as f64).ceil() as usize];
    let mean = smaller.iter().sum::<f64>() / smaller.len() as f64;
    (!smaller.is_empty()).then_some(mean / SMALLER_MEAN)
}

/// The highest mean pressure of a running channel among blocks, mmHg.
pub fn highest_mmhg<'a>(blocks: impl Iterator<Item = &'a Block>, channel: usize) -> Option<f64> {
    blocks
        .filter(|b| b.channel == channel && b.own_runs)
        .map(|b| b.pressure_mmhg)
        .reduce(f64::max)
}

/// How long the line's pressure lags behind its flow, hours: R·C, with R from a first look at the record.
pub fn lag_h(record: &Record, doings: &Doings, prior: &PartsPrior) -> f64 {
    let store: f64 = prior.own_ml_per_mmhg.iter().map(|c| c.0).sum::<f64>()
        + prior.filter_ml_per_mmhg
        + prior.tail_ml_per_mmhg;
    let known = record
        .line
        .as_ref()
        .is_some_and(|l| l.access.resistance.is_some() || l.access.inner_diameter_mm.is_some());
    let resistance = if known {
        prior.shared.0
    } else {
        let mut levels: Vec<f64> = record
            .channels
            .iter()
            .flat_map(|c| {
                c.samples
                    .t_s
                    .iter()
                    .zip(&c.samples.pressure_mmhg)
                    .take(5000)
            })
            .filter(|(_, p)| p.is_finite())
            .map(|(&t, &p)| ((p - prior.outlet_mmhg.0) / doings.flow_at(t).max(0.05)).max(0.0))
            .collect();
        robust::median(&mut levels)
            .unwrap_or(prior.shared.0)
            .min(40.0)
    };
    (resistance * store).clamp(5.0 / 3600.0, 900.0 / 3600.0)
}

#[cfg(test)]
mod tests {
    use super::spread_of;

    #[test]
    fn the_smaller_differences_give_the_spread_of_normals() {
        // Sizes of a standard normal at the middles of 20 equal shares, Φ⁻¹(0.5125 … 0.9875) as
        // `norm.ppf` of SciPy gives them.
        let mut sizes = [
            0.0313, 0.0941, 0.1573, 0.2211, 0.2858, 0.3518, 0.4193, 0.4888, 0.5607, 0.6357, 0.7144,
            0.7978, 0.8871, 0.9842, 1.0916, 1.2133, 1.3563, 1.5341, 1.7805, 2.2414,
        ];
        let spread = spread_of(&mut sizes).unwrap();
        assert!((spread - 1.0).abs() < 0.02, "{spread}");
        // A third of them a hundred times as large, where something happened, moves it by less than a tenth.
        sizes[14..].iter_mut().for_each(|s| *s *= 100.0);
        assert!((spread_of(&mut sizes).unwrap() - 1.0).abs() < 0.1);
        assert_eq!(spread_of(&mut []), None);
    }

    #[test]
    fn readings_that_flip_by_a_rounding_step_do_not_spread_by_the_step() {
        // A fair coin between 20 and 30: half of the differences are 0, half 10. True spread 5, of the differences 7.1.
        let mut sizes: Vec<f64> = (0..100).map(|i| 10.0 * f64::from(i % 2)).collect();
        let spread = spread_of(&mut sizes).unwrap();
        assert!((3.0..=7.1).contains(&spread), "{spread}");
    }
}
