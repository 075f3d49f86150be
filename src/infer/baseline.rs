//! The unhindered line: what is known of its parts before the record, and what the record has taught of it.
//!
//! In: [`PartsPrior`]. Out: [`Baseline`], which the tracker carries through the record.

use super::blocks::Block;
use nalgebra::{DMatrix, DVector};

/// By how much pumps' heights and zeros differ, mmHg (common practice, no source: a hand's breadth or two).
const OUTLET_APART_MMHG: f64 = 8.0;

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
