//! The unhindered line: what is known of its parts before the record, and what the record has taught of it.
//!
//! In: [`PartsPrior`]. Out: [`Baseline`], which the tracker carries through the record.

use super::blocks::Block;
use crate::stats::normal;
use nalgebra::{DMatrix, DVector};

/// By how much pumps' heights and zeros differ, mmHg (common practice, no source: a hand's breadth or two).
const OUTLET_APART_MMHG: f64 = 8.0;

/// A normal distribution is cut so many standard deviations above its mean at most: beyond, it is an exponential tail.
const MOST_CUT: f64 = 5.0;

/// What the unhindered line is taken to be: mean and covariance of `[P_1 … P_n, R_s, R_1 … R_n]`, with `P_i` the
/// pressure that pump i shows at zero flow: pumps hang at different heights, and no two zeros agree.
#[derive(Debug, Clone)]
pub struct Baseline {
    /// Means: mmHg, then mmHg·h/mL.
    pub mean: DVector<f64>,
    /// Covariance of the same.
    pub covariance: DMatrix<f64>,
    /// No resistance is taken to be less, mmHg·h/mL: the shared one, a channel's own.
    least: (f64, f64),
}

impl Baseline {
    fn channels(&self) -> usize {
        (self.mean.len() - 1) / 2
    }

    /// Pressure that a pump shows at zero flow, mmHg.
    pub fn outlet_mmhg(&self, channel: usize) -> f64 {
        self.mean[channel]
    }

    /// Standard deviation of [`Self::outlet_mmhg`].
    pub fn outlet_sd(&self, channel: usize) -> f64 {
        self.sd(channel)
    }

    /// Resistance below the join, mmHg·h/mL, kept above zero.
    pub fn shared(&self) -> f64 {
        self.mean[self.channels()].max(self.least.0)
    }

    /// Standard deviation of [`Self::shared`].
    pub fn shared_sd(&self) -> f64 {
        self.sd(self.channels())
    }

    /// Mean and standard deviation of the shared resistance's logarithm: a resistance is above zero, so what is known of it is a
    /// normal distribution cut there, and the logarithm's is the log-normal of the same mean and variance. Where hardly
    /// anything is known, the mean of the normal may lie at zero, and that is not to say that the resistance does.
    pub fn log_shared(&self) -> (f64, f64) {
        let n = self.channels();
        let sd = self.shared_sd().max(1e-9);
        let cut = ((self.least.0 - self.mean[n]) / sd).min(MOST_CUT);
        let over = normal::density(cut) / normal::upper(cut);
        let mean = (self.mean[n].max(self.least.0 - MOST_CUT * sd) + sd * over).max(self.least.0);
        let variance = sd * sd * (1.0 + cut * over - over * over).max(0.0);
        let log_variance = (variance / (mean * mean)).ln_1p();
        (mean.ln() - 0.5 * log_variance, log_variance.sqrt())
    }

    /// Resistance of a channel's own tubing, mmHg·h/mL, kept above zero.
    pub fn own(&self, channel: usize) -> f64 {
        self.mean[self.channels() + 1 + channel].max(self.least.1)
    }

    /// Standard deviation of [`Self::own`].
    pub fn own_sd(&self, channel: usize) -> f64 {
        self.sd(self.channels() + 1 + channel)
    }

    fn sd(&self, i: usize) -> f64 {
        self.covariance[(i, i)].max(0.0).sqrt()
    }

    /// Makes all outlet pressures less certain, together.
    pub fn loosen_outlets(&mut self, variance: f64) {
        let n = self.channels();
        self.covariance
            .view_mut((0, 0), (n, n))
            .add_scalar_mut(variance);
    }

    /// Makes outlet pressures and the shared resistance less certain against each other, by so many mmHg, so that the pressures at a flow in
    /// mL/h stay as certain as they were.
    pub fn loosen_split(&mut self, by_mmhg: f64, flow_ml_h: f64) {
        let n = self.channels();
        let mut along = DVector::zeros(2 * n + 1);
        along.rows_mut(0, n).fill(by_mmhg);
        along[n] = -by_mmhg / flow_ml_h.max(1e-3);
        self.covariance += &along * along.transpose();
    }

    /// What each of the means adds to the pressure of a channel, at these flows.
    pub fn regressors(channel: usize, flow_ml_h: &[f64]) -> DVector<f64> {
        let n = flow_ml_h.len();
        let mut x = DVector::zeros(2 * n + 1);
        x[channel] = 1.0;
        x[n] = flow_ml_h.iter().sum();
        x[n + 1 + channel] = flow_ml_h[channel];
        x
    }

    /// Pressure that a block would show, mmHg, its pump standing where it stood.
    pub fn expected_mmhg(&self, block: &Block) -> f64 {
        self.mean
            .dot(&Self::regressors(block.channel, &block.flow_ml_h))
    }

    /// Before the record: outlets share the vein's pressure and the patient's height, and differ by their own.
    pub fn before(prior: &PartsPrior) -> Self {
        let n = prior.own.len();
        let mut mean = DVector::zeros(2 * n + 1);
        let mut covariance = DMatrix::zeros(2 * n + 1, 2 * n + 1);
        covariance
            .view_mut((0, 0), (n, n))
            .fill(prior.outlet_mmhg.1.powi(2));
        for c in 0..n {
            mean[c] = prior.outlet_mmhg.0;
            covariance[(c, c)] += OUTLET_APART_MMHG * OUTLET_APART_MMHG;
        }
        let parts = std::iter::once(prior.shared).chain(prior.own.iter().copied());
        for (i, (m, sd)) in parts.enumerate() {
            mean[n + i] = m;
            // Wider than believed: what the record shows overrules what was written down.
            covariance[(n + i, n + i)] = 2.0 * sd * sd;
        }
        // A share of what the parts should have, where that is less than any infusion line has.
        let own = prior.own.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
        let least = ((0.1 * prior.shared.0).min(0.02), (0.25 * own).min(0.005));
        Self {
            mean,
            covariance,
            least,
        }
    }
}

/// What is known of a line's parts before its pressure is looked at.
#[derive(Debug, Clone)]
pub struct PartsPrior {
    /// Resistance below the join, mmHg·h/mL: mean and standard deviation.
    pub shared: (f64, f64),
    /// Resistance of each channel's own tubing: mean and standard deviation.
    pub own: Vec<(f64, f64)>,
    /// Pressure at zero flow, mmHg: mean and standard deviation.
    pub outlet_mmhg: (f64, f64),
    /// Compliance of each channel, mL/mmHg, with the standard deviation of its logarithm.
    pub own_ml_per_mmhg: Vec<(f64, f64)>,
    /// Compliance of the filter's housing, mL/mmHg.
    pub filter_ml_per_mmhg: f64,
    /// Compliance of the tail, mL/mmHg.
    pub tail_ml_per_mmhg: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn of(mean: f64, sd: f64) -> Baseline {
        Baseline {
            mean: DVector::from_vec(vec![0.0, mean, 0.1]),
            covariance: DMatrix::from_diagonal(&DVector::from_vec(vec![1.0, sd * sd, 0.01])),
            least: (0.0, 0.0),
        }
    }

    #[test]
    fn a_resistance_of_which_only_the_spread_is_known_is_half_a_normal() {
        // A half-normal's mean is √(2/π), its variance 1 − 2/π: 1 + variance/mean² = π/2, and the log-normal with both has the
        // log-variance ln(π/2) and the log-mean ½ ln(2/π) − ½ ln(π/2) = −ln(π/2).
        let (mean, sd) = of(0.0, 1.0).log_shared();
        let log = (PI / 2.0).ln();
        assert!((mean + log).abs() < 1e-9, "{mean}");
        assert!((sd * sd - log).abs() < 1e-9, "{sd}");
    }

    #[test]
    fn loosening_the_split_leaves_the_running_line_as_it_was() {
        // Variance of P + R·Q under the added part: (d − d/Q · Q)² = 0; at rest d².
        let mut baseline = of(5.0, 0.1);
        let spread = |b: &Baseline, flow: f64| {
            let x = Baseline::regressors(0, &[flow]);
            x.dot(&(&b.covariance * &x))
        };
        let (running, resting) = (spread(&baseline, 4.0), spread(&baseline, 0.0));
        baseline.loosen_split(8.0, 4.0);
        assert!((spread(&baseline, 4.0) - running).abs() < 1e-9);
        assert!((spread(&baseline, 0.0) - resting - 64.0).abs() < 1e-9);
    }

    #[test]
    fn a_well_known_resistance_keeps_its_mean_and_spread() {
        // Delta method: the spread of ln R is sd/R.
        let (mean, sd) = of(5.0, 0.1).log_shared();
        assert!((mean - 5f64.ln()).abs() < 1e-3, "{mean}");
        assert!((sd - 0.02).abs() < 1e-3, "{sd}");
    }

    #[test]
    fn a_mean_far_below_zero_gives_finite_figures() {
        let (mean, sd) = of(-30.0, 1.0).log_shared();
        assert!(
            mean.is_finite() && sd.is_finite() && mean < 0.0,
            "{mean} {sd}"
        );
    }
}
