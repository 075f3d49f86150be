//! The partial likelihood: sums over who was at risk at each time with an event.
//!
//! Delicate: going back in time, rows enter a risk set at their `stop` and leave it at their `start`, by adding to and
//! subtracting from running sums. Where what is left is small beside what was taken away, digits are lost, so the sums
//! are then made anew from the rows inside (`REBUILD`). The tests keep a slow twin that sums each risk set afresh.

use super::rows::Rows;
use nalgebra::{DMatrix, DVector};

/// Below this share of their largest value since they were last made, running sums are made anew.
const REBUILD: f64 = 1e-5;

/// Log likelihood, its gradient and the information (minus the second derivative).
#[derive(Debug, Clone)]
pub(super) struct Sums {
    pub(super) log_likelihood: f64,
    pub(super) gradient: DVector<f64>,
    pub(super) information: DMatrix<f64>,
}

/// Weighted sums over a set of rows: weights, weights times covariates, and (if asked for) times their products.
#[derive(Debug, Clone)]
pub(super) struct Weighted {
    pub(super) w: f64,
    pub(super) wx: DVector<f64>,
    pub(super) wxx: DMatrix<f64>,
}

impl Weighted {
    fn zero(p: usize) -> Self {
        Self {
            w: 0.0,
            wx: DVector::zeros(p),
            wxx: DMatrix::zeros(p, p),
        }
    }

    fn add(&mut self, weight: f64, x: &[f64]) {
        self.w += weight;
        for (i, &xi) in x.iter().enumerate() {
            self.wx[i] += weight * xi;
            for (j, &xj) in x.iter().enumerate() {
                self.wxx[(i, j)] += weight * xi * xj;
            }
        }
    }
}

/// One time with events in one stratum.
pub(super) struct Moment<'a> {
    pub(super) time: f64,
    pub(super) stratum: u32,
    /// Numbers of the rows with the event.
    pub(super) dying: &'a [usize],
    /// Sums over all at risk.
    pub(super) at_risk: &'a Weighted,
    /// Sums over those with the event.
    pub(super) dead: &'a Weighted,
}

/// Rows of one stratum in the orders that the backward walk needs.
struct Stratum {
    id: u32,
    by_stop: Vec<usize>,
    by_start: Vec<usize>,
    /// Rows with the event, by time from the last to the first, cut at each new time.
    moments: Vec<Vec<usize>>,
}

/// The rows, sorted once for all passes.
pub(super) struct RiskSets<'a> {
    pub(super) rows: &'a Rows,
    strata: Vec<Stratum>,
}

impl<'a> RiskSets<'a> {
    pub(super) fn new(rows: &'a Rows) -> Self {
        let mut ids: Vec<u32> = rows.stratum.clone();
        ids.sort_unstable();
        ids.dedup();
        let mut members: Vec<Vec<usize>> = vec![Vec::new(); ids.len()];
        for (row, id) in rows.stratum.iter().enumerate() {
            if let Ok(place) = ids.binary_search(id) {
                members[place].push(row);
            }
        }
        let latest_first =
            |times: &'a [f64]| move |a: &usize, b: &usize| times[*b].total_cmp(&times[*a]);
        let strata = ids
            .into_iter()
            .zip(members)
            .map(|(id, by_stop)| {
                let (mut by_stop, mut by_start) = (by_stop.clone(), by_stop);
                by_stop.sort_by(latest_first(&rows.stop));
                by_start.sort_by(latest_first(&rows.start));
                let dying: Vec<usize> =
                    by_stop.iter().copied().filter(|&i| rows.event[i]).collect();
                let moments = dying
                    .chunk_by(|&a, &b| rows.stop[a] == rows.stop[b])
                    .map(<[usize]>::to_vec)
                    .collect();
                Stratum {
                    id,
                    by_stop,
                    by_start,
                    moments,
                }
            })
            .collect();
        Self { rows, strata }
    }

    /// `exp(x·beta)` of each row.
    pub(super) fn weights(&self, beta: &DVector<f64>) -> Vec<f64> {
        (0..self.rows.len())
            .map(|row| {
                let score: f64 = self
                    .rows
                    .x(row)
                    .iter()
                    .zip(beta.iter())
                    .map(|(x, b)| x * b)
                    .sum();
                score.exp()
            })
            .collect()
    }

    /// Visits each time with events, stratum by stratum, from the last to the first.
    pub(super) fn walk(&self, weights: &[f64], mut visit: impl FnMut(Moment)) {
        let (rows, p) = (self.rows, self.rows.width);
        let mut inside = vec![false; rows.len()];
        for stratum in &self.strata {
            let mut at_risk = Weighted::zero(p);
            let mut largest = 0.0_f64;
            let (mut next_in, mut next_out) = (0, 0);
            for dying in &stratum.moments {
                let time = rows.stop[dying[0]];
                while let Some(&row) = stratum
                    .by_stop
                    .get(next_in)
                    .filter(|&&r| time <= rows.stop[r])
                {
                    next_in += 1;
                    // A row may begin after this time (its own stop lies between two moments): never at risk.
                    if rows.start[row] < time {
                        inside[row] = true;
                        at_risk.add(weights[row], rows.x(row));
                        largest = largest.max(at_risk.w);
                    }
                }
                while let Some(&row) = stratum
                    .by_start
                    .get(next_out)
                    .filter(|&&r| time <= rows.start[r])
                {
                    next_out += 1;
                    if std::mem::take(&mut inside[row]) {
                        at_risk.add(-weights[row], rows.x(row));
                    }
                }
                if at_risk.w < REBUILD * largest {
                    at_risk = Weighted::zero(p);
                    for &row in stratum.by_stop.iter().take(next_in).filter(|&&r| inside[r]) {
                        at_risk.add(weights[row], rows.x(row));
                    }
                    largest = at_risk.w;
                }
                let mut dead = Weighted::zero(p);
                dying
                    .iter()
                    .for_each(|&row| dead.add(weights[row], rows.x(row)));
                visit(Moment {
                    time,
                    stratum: stratum.id,
                    dying,
                    at_risk: &at_risk,
                    dead: &dead,
                });
            }
        }
    }

    /// Log likelihood and derivatives at these coefficients, ties after Efron.
    pub(super) fn sums(&self, beta: &DVector<f64>) -> Sums {
        let p = self.rows.width;
        let mut sums = Sums {
            log_likelihood: 0.0,
            gradient: DVector::zeros(p),
            information: DMatrix::zeros(p, p),
        };
        let weights = self.weights(beta);
        self.walk(&weights, |moment| {
            for &row in moment.dying {
                sums.log_likelihood += weights[row].ln();
                for (g, x) in sums.gradient.iter_mut().zip(self.rows.x(row)) {
                    *g += x;
                }
            }
            for (_, denominator, mean) in efron(&moment) {
                sums.log_likelihood -= denominator.0.ln();
                sums.gradient -= &mean;
                let second = &moment.at_risk.wxx - &moment.dead.wxx * denominator.1;
                sums.information += second / denominator.0 - &mean * mean.transpose();
            }
        });
        sums
    }
}

/// Efron's terms of one moment: for `k = 0..d`, the number `k`, the denominator `S₀ − (k/d)·D₀` with its `k/d`, and the
/// mean covariate `(S₁ − (k/d)·D₁) / denominator`.
pub(super) fn efron<'m>(
    moment: &'m Moment,
) -> impl Iterator<Item = (usize, (f64, f64), DVector<f64>)> + 'm {
    let d = moment.dying.len();
    (0..d).map(move |k| {
        let share = k as f64 / d as f64;
        let denominator = moment.at_risk.w - share * moment.dead.w;
        let mean = (&moment.at_risk.wx - &moment.dead.wx * share) / denominator;
        (k, (denominator, share), mean)
    })
}
