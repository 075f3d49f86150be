//! Residuals of a fitted Cox model: the robust covariance and the check of proportional hazards.

use super::Fit;
use super::likelihood::{RiskSets, efron};
use super::rows::Rows;
use crate::stats::tails::chi_squared_upper_p;
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// The covariates of one event less their expected values among those at risk (mean over Efron's terms).
#[derive(Debug, Clone, PartialEq)]
pub struct Schoenfeld {
    /// When the event came.
    pub time: f64,
    /// One for each covariate.
    pub residual: Vec<f64>,
}

impl Schoenfeld {
    pub(super) fn unscaled(mut self, scale: &[f64]) -> Self {
        self.residual
            .iter_mut()
            .zip(scale)
            .for_each(|(r, s)| *r *= s);
        self
    }
}

pub(super) struct Residuals {
    /// Score residual of each row.
    pub(super) score: Vec<DVector<f64>>,
    /// In order of time.
    pub(super) schoenfeld: Vec<Schoenfeld>,
}

/// What each row at risk at one moment is charged: `weight · (x·h − hx)`, less for those who die of the tie.
struct Charge {
    time: f64,
    h: f64,
    hx: DVector<f64>,
}

pub(super) fn residuals(sets: &RiskSets, beta: &DVector<f64>) -> Residuals {
    let rows = sets.rows;
    let weights = sets.weights(beta);
    let x = |row: usize| DVector::from_column_slice(rows.x(row));
    let mut score = vec![DVector::<f64>::zeros(rows.covariates()); rows.len()];
    let mut schoenfeld = Vec::new();
    let mut charges: BTreeMap<u32, Vec<Charge>> = BTreeMap::new();

    sets.walk(&weights, |moment| {
        let d = moment.dying.len() as f64;
        let mut charge = Charge {
            time: moment.time,
            h: 0.0,
            hx: DVector::zeros(rows.covariates()),
        };
        let (mut mean, mut spared_h) = (DVector::zeros(rows.covariates()), 0.0);
        let mut spared_hx = DVector::zeros(rows.covariates());
        for (_, (denominator, share), expected) in efron(&moment) {
            charge.h += 1.0 / denominator;
            charge.hx += &expected / denominator;
            spared_h += share / denominator;
            spared_hx += &expected * (share / denominator);
            mean += expected / d;
        }
        for &row in moment.dying {
            let residual = x(row) - &mean;
            // Those who die of the tie are in the k-th denominator only by 1 − k/d.
            score[row] += &residual + (x(row) * spared_h - &spared_hx) * weights[row];
            schoenfeld.push(Schoenfeld {
                time: moment.time,
                residual: residual.iter().copied().collect(),
            });
        }
        charges.entry(moment.stratum).or_default().push(charge);
    });

    for charges in charges.values_mut() {
        charges.reverse(); // the walk went back in time
        let (mut h, mut hx) = (0.0, DVector::zeros(rows.covariates()));
        for charge in charges.iter_mut() {
            h += charge.h;
            hx += &charge.hx;
            (charge.h, charge.hx) = (h, hx.clone());
        }
    }
    for row in 0..rows.len() {
        let Some(charges) = charges.get(&rows.stratum[row]) else {
            continue;
        };
        let until = |time: f64| charges.partition_point(|c| c.time <= time).checked_sub(1);
        let mut charged = DVector::zeros(rows.covariates());
        if let Some(last) = until(rows.stop[row]) {
            charged += x(row) * charges[last].h - &charges[last].hx;
        }
        if let Some(before) = until(rows.start[row]) {
            charged -= x(row) * charges[before].h - &charges[before].hx;
        }
        score[row] -= charged * weights[row];
    }
    schoenfeld.sort_by(|a, b| a.time.total_cmp(&b.time));
    Residuals { score, schoenfeld }
}

/// `V · (Σ over clusters of u·uᵀ) · V`, with `u` a cluster's sum of score residuals and `V` the model's covariance.
///
/// Source: D. Y. Lin, L. J. Wei, JASA 84 (1989) 1074–1078 (from memory).
pub(super) fn robust_covariance(
    score: &[DVector<f64>],
    rows: &Rows,
    covariance: &DMatrix<f64>,
) -> Option<DMatrix<f64>> {
    let mut clusters: BTreeMap<u32, DVector<f64>> = BTreeMap::new();
    for (residual, cluster) in score.iter().zip(&rows.cluster) {
        *clusters
            .entry(*cluster)
            .or_insert_with(|| DVector::zeros(rows.covariates())) += residual;
    }
    if clusters.len() < 2 {
        return None;
    }
    let p = rows.covariates();
    let meat = clusters
        .values()
        .fold(DMatrix::zeros(p, p), |sum, u| sum + u * u.transpose());
    Some(covariance * meat * covariance)
}

/// Does the hazard ratio of a covariate change with time?
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProportionalHazards {
    /// Chi-squared statistic, 1 degree of freedom.
    pub chi_squared: f64,
    /// Its p: small speaks against proportional hazards.
    pub p: f64,
    /// Correlation of the scaled residuals with the transformed time: its sign says whether the ratio rises or falls.
    pub correlation: f64,
}

impl Fit {
    /// Test by scaled Schoenfeld residuals against `transform(time)`. `None` with fewer than three events, where all
    /// events share one transformed time, or for a number out of range.
    ///
    /// `[Σ (g − ḡ)·s]² / (d·V_jj·Σ (g − ḡ)²)`, `s = d·V·r` the scaled residual, `d` the number of events.
    ///
    /// Source: P. M. Grambsch, T. M. Therneau, Biometrika 81 (1994) 515–526 (from memory); R's `cox.zph` has used
    /// another (score) test since survival 3.0, so the judge is lifelines.
    pub fn proportional_hazards(
        &self,
        covariate: usize,
        transform: impl Fn(f64) -> f64,
    ) -> Option<ProportionalHazards> {
        let d = self.schoenfeld.len() as f64;
        let row = self
            .covariance
            .get((covariate, 0))
            .map(|_| self.covariance.row(covariate))?;
        let scaled: Vec<f64> = self
            .schoenfeld
            .iter()
            .map(|s| d * row.iter().zip(&s.residual).map(|(v, r)| v * r).sum::<f64>())
            .collect();
        let g: Vec<f64> = self.schoenfeld.iter().map(|s| transform(s.time)).collect();
        let mean = |xs: &[f64]| xs.iter().sum::<f64>() / d;
        let (g_mean, s_mean) = (mean(&g), mean(&scaled));
        let g_spread: f64 = g.iter().map(|g| (g - g_mean).powi(2)).sum();
        let s_spread: f64 = scaled.iter().map(|s| (s - s_mean).powi(2)).sum();
        if d < 3.0 || !(1e-12 < g_spread && 0.0 < s_spread) {
            return None;
        }
        let cross: f64 = g.iter().zip(&scaled).map(|(g, s)| (g - g_mean) * s).sum();
        let variance = *self.covariance.get((covariate, covariate))?;
        let chi_squared = cross * cross / (d * variance * g_spread);
        Some(ProportionalHazards {
            chi_squared,
            p: chi_squared_upper_p(chi_squared, 1),
            correlation: cross / (g_spread * s_spread).sqrt(),
        })
    }
}
