//! Fits an explanation to a window and says how well it stands: robust least squares with priors, and the
//! Laplace approximation of the marginal likelihood.
//!
//! In: a function from parameters to predicted observations, the observations with their spread, and a normal
//! prior for each parameter (bounded quantities come as logarithms). Out: [`Fit`]. The search is
//! Levenberg–Marquardt (Marquardt, SIAM J. Appl. Math. 11 (1963) 431–441) with difference quotients for
//! derivatives; errors follow Student's t so that a cough moves no baseline (Lange, Little and Taylor, JASA 84
//! (1989) 881–896). The evidence is Laplace's (Kass and Raftery, JASA 90 (1995) 773–795, section 4.1).

use nalgebra::{DMatrix, DVector};

/// Prior of the log of the residuals' spread over what is expected: a line follows the equations so closely, more or
/// less, in every record another (our judgement).
const LOG_SCALE: Prior = Prior { mean: 0.2, sd: 0.5 };
/// Degrees of freedom of the errors: heavy enough for knocks and coughs.
const NU: f64 = 4.0;

/// A normal prior of one parameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Mean; the search starts here unless told otherwise.
    pub mean: f64,
    /// Standard deviation, above zero.
    pub sd: f64,
}

/// One observation: value, spread of its error, and how many independent observations it is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// What was measured.
    pub value: f64,
    /// Spread of its error.
    pub sd: f64,
    /// Weight, at most about 1: below 1 where neighbours share their error.
    pub weight: f64,
}

/// A fitted explanation.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Best parameters.
    pub theta: Vec<f64>,
    /// Covariance of the parameters around the best ones.
    pub covariance: DMatrix<f64>,
    /// Natural log of the marginal likelihood, by Laplace.
    pub log_evidence: f64,
    /// Natural log of the likelihood of each observation at the best parameters, by its weight.
    pub log_likelihoods: Vec<f64>,
}

impl Fit {
    /// Standard deviation of one parameter.
    pub fn sd(&self, i: usize) -> f64 {
        self.covariance[(i, i)].max(0.0).sqrt()
    }

    /// Standard deviation of the sum of two parameters.
    pub fn sd_of_sum(&self, i: usize, j: usize) -> f64 {
        let c = &self.covariance;
        (c[(i, i)] + c[(j, j)] + 2.0 * c[(i, j)]).max(0.0).sqrt()
    }
}

/// Log density of a standardised residual under Student's t with [`NU`] degrees of freedom, less `ln sd`.
pub fn log_density(standardised: f64) -> f64 {
    // ln Γ(2.5) − ln Γ(2) − ½ ln(4π): the constant for ν = 4.
    const CONSTANT: f64 = -0.980_829_253_011_726_2;
    CONSTANT - 0.5 * (NU + 1.0) * (1.0 + standardised * standardised / NU).ln()
}

/// Mean of [`log_density`] over its own distribution: minus the entropy of Student's t with 4 degrees of freedom,
/// (ν+1)/2·[ψ((ν+1)/2) − ψ(ν/2)] + ln[√ν·B(ν/2, ½)] = 1.6818.
pub const MEAN_LOG_DENSITY: f64 = -1.681_8;

/// Fits `predict` (parameters, into predictions) from several starts and keeps the best.
///
/// `None` where no start gives finite predictions.
pub fn fit(
    observations: &[Observation],
    priors: &[Prior],
    starts: &[Vec<f64>],
    predict: &mut dyn FnMut(&[f64], &mut Vec<f64>),
) -> Option<Fit> {
    let mut slopes = Slopes::default();
    // A few steps from every start, then on from the most promising.
    let mut best: Option<(f64, Vec<f64>)> = None;
    let first_steps = if starts.len() == 1 {
        MOST_STEPS
    } else {
        FIRST_STEPS
    };
    for start in starts {
        if let Some((loss, theta)) = descend(
            observations,
            priors,
            start,
            &mut slopes,
            predict,
            first_steps,
        ) && best.as_ref().is_none_or(|(least, _)| loss < *least)
        {
            best = Some((loss, theta));
        }
    }
    if 1 < starts.len() {
        let (_, theta) = best?;
        best = descend(
            observations,
            priors,
            &theta,
            &mut slopes,
            predict,
            MOST_STEPS,
        );
    }
    let (_, mut theta) = best?;
    // How far off the readings are is found along with the parameters, in turns.
    let mut scaled = observations.to_vec();
    let mut log_scale = 0.0;
    let mut loss = 0.0;
    for _ in 0..2 {
        let mut predicted = Vec::new();
        predict(&theta, &mut predicted);
        log_scale = best_log_scale(observations, &predicted);
        for (s, o) in scaled.iter_mut().zip(observations) {
            s.sd = o.sd * log_scale.exp();
        }
        (loss, theta) = descend(&scaled, priors, &theta, &mut slopes, predict, FIRST_STEPS)?;
    }
    summarise(
        &scaled,
        priors,
        loss,
        theta,
        log_scale,
        &mut slopes,
        predict,
    )
}

/// The residuals' spread over the expected one that is most probable, as its log: golden-section search.
fn best_log_scale(observations: &[Observation], predicted: &[f64]) -> f64 {
    let squares: Vec<(f64, f64)> = observations
        .iter()
        .zip(predicted)
        .map(|(o, p)| (o.weight, ((o.value - p) / o.sd).powi(2)))
        .collect();
    let loss = |log_scale: f64| {
        let precision = (-2.0 * log_scale).exp();
        let data: f64 = squares
            .iter()
            .map(|(w, z2)| w * (0.5 * (NU + 1.0) * (1.0 + z2 * precision / NU).ln() + log_scale))
            .sum();
        data + 0.5 * ((log_scale - LOG_SCALE.mean) / LOG_SCALE.sd).powi(2)
    };
    let ratio = 0.5 * (5.0f64.sqrt() - 1.0);
    let (mut low, mut high) = (-1.0, 4.0);
    for _ in 0..20 {
        let (a, b) = (high - ratio * (high - low), low + ratio * (high - low));
        if loss(a) < loss(b) {
            high = b;
        } else {
            low = a;
        }
    }
    0.5 * (low + high)
}

/// Slopes of the evidence are taken over so many spreads of each parameter by itself.
const ACROSS: f64 = 0.5;

const MOST_STEPS: usize = 25;
const FIRST_STEPS: usize = 5;

/// Loss: minus the log likelihood and log prior, without the constants that [`summarise`] adds.
pub fn loss_of(
    observations: &[Observation],
    priors: &[Prior],
    theta: &[f64],
    predicted: &[f64],
) -> f64 {
    let data: f64 = observations
        .iter()
        .zip(predicted)
        .map(|(o, p)| {
            let z = (o.value - p) / o.sd;
            0.5 * (NU + 1.0) * o.weight * (1.0 + z * z / NU).ln()
        })
        .sum();
    let prior: f64 = priors
        .iter()
        .zip(theta)
        .map(|(p, t)| 0.5 * ((t - p.mean) / p.sd).powi(2))
        .sum();
    data + prior
}

/// The predictions' slopes at the parameters where they were last asked for: a search that starts where another ended
/// needs them again.
#[derive(Default)]
struct Slopes {
    at: Vec<f64>,
    /// `m × d`: for each observation, its change with each parameter; 0 where that is not finite.
    rows: Vec<f64>,
    moved: Vec<f64>,
    predicted: Vec<f64>,
}

impl Slopes {
    /// Difference quotients at `theta`, whose predictions are known.
    fn at(
        &mut self,
        priors: &[Prior],
        theta: &[f64],
        predicted: &[f64],
        predict: &mut dyn FnMut(&[f64], &mut Vec<f64>),
    ) -> &[f64] {
        if self.at != theta {
            let d = theta.len();
            self.rows.clear();
            self.rows.resize(d * predicted.len(), 0.0);
            self.moved.clear();
            self.moved.extend_from_slice(theta);
            for i in 0..d {
                let step = 1e-3 * priors[i].sd.min(1.0).max(1e-3 * theta[i].abs());
                self.moved[i] = theta[i] + step;
                predict(&self.moved, &mut self.predicted);
                self.moved[i] = theta[i];
                quotients(&mut self.rows, (i, d), &self.predicted, predicted, step);
            }
            self.at.clear();
            self.at.extend_from_slice(theta);
        }
        &self.rows
    }
}

/// Fills in the slopes with parameter `i` of `d`: each prediction up less that down, over how far apart they are.
fn quotients(rows: &mut [f64], (i, d): (usize, usize), up: &[f64], down: &[f64], apart: f64) {
    for (row, (a, b)) in rows.chunks_exact_mut(d).zip(up.iter().zip(down)) {
        let slope = (a - b) / apart;
        row[i] = if slope.is_finite() { slope } else { 0.0 };
    }
}

/// The predictions' slopes about `theta` between a step of each parameter down and one up.
fn across(
    theta: &[f64],
    steps: &[f64],
    count: usize,
    predict: &mut dyn FnMut(&[f64], &mut Vec<f64>),
) -> Vec<f64> {
    let d = theta.len();
    let mut rows = vec![0.0; d * count];
    let mut moved = theta.to_vec();
    let (mut up, mut down) = (Vec::new(), Vec::new());
    for (i, step) in steps.iter().enumerate() {
        moved[i] = theta[i] + step;
        predict(&moved, &mut up);
        moved[i] = theta[i] - step;
        predict(&moved, &mut down);
        moved[i] = theta[i];
        quotients(&mut rows, (i, d), &up, &down, 2.0 * step);
    }
    rows
}

/// Normal equations at `theta`: gradient side and curvature, with the robust weights of the residuals.
fn normal_equations(
    observations: &[Observation],
    priors: &[Prior],
    theta: &[f64],
    predicted: &[f64],
    slopes: &[f64],
) -> (DMatrix<f64>, DVector<f64>) {
    let d = theta.len();
    let mut lower = vec![0.0; d * d];
    let mut slope = DVector::zeros(d);
    let known = observations.iter().zip(predicted);
    for ((o, predicted), row) in known.zip(slopes.chunks_exact(d)) {
        let off = o.value - predicted;
        let z = off / o.sd;
        let w = o.weight * (NU + 1.0) / (NU + z * z) / (o.sd * o.sd);
        for (i, a) in row.iter().enumerate() {
            let wa = w * a;
            slope[i] += wa * off;
            for (sum, b) in lower[i * d..].iter_mut().zip(&row[..=i]) {
                *sum += wa * b;
            }
        }
    }
    let mut curvature = DMatrix::from_fn(d, d, |i, j| lower[i.max(j) * d + i.min(j)]);
    for i in 0..d {
        let precision = 1.0 / (priors[i].sd * priors[i].sd);
        curvature[(i, i)] += precision;
        slope[i] += precision * (priors[i].mean - theta[i]);
    }
    (curvature, slope)
}

fn descend(
    observations: &[Observation],
    priors: &[Prior],
    start: &[f64],
    slopes: &mut Slopes,
    predict: &mut dyn FnMut(&[f64], &mut Vec<f64>),
    most_steps: usize,
) -> Option<(f64, Vec<f64>)> {
    let mut theta = start.to_vec();
    let mut predicted = Vec::new();
    predict(&theta, &mut predicted);
    let mut loss = loss_of(observations, priors, &theta, &predicted);
    if !loss.is_finite() {
        return None;
    }
    let mut damping = 1e-2;
    let mut trial = Vec::new();
    for _ in 0..most_steps {
        let rows = slopes.at(priors, &theta, &predicted, predict);
        let (curvature, slope) = normal_equations(observations, priors, &theta, &predicted, rows);
        let mut gained = 0.0;
        for _ in 0..6 {
            let mut damped = curvature.clone();
            for i in 0..theta.len() {
                damped[(i, i)] *= 1.0 + damping;
            }
            let Some(step) = damped.cholesky().map(|c| c.solve(&slope)) else {
                damping *= 10.0;
                continue;
            };
            let next: Vec<f64> = theta
                .iter()
                .zip(step.iter())
                .zip(priors)
                // A step beyond six prior spreads is the linear picture breaking down, not knowledge.
                .map(|((t, s), p)| (t + s).clamp(p.mean - 6.0 * p.sd, p.mean + 6.0 * p.sd))
                .collect();
            predict(&next, &mut trial);
            let next_loss = loss_of(observations, priors, &next, &trial);
            if next_loss.is_finite() && next_loss < loss {
                gained = loss - next_loss;
                theta = next;
                loss = next_loss;
                std::mem::swap(&mut predicted, &mut trial);
                damping = (damping * 0.2).max(1e-9);
                break;
            }
            damping *= 8.0;
        }
        if gained < 1e-2 {
            break;
        }
    }
    Some((loss, theta))
}

fn summarise(
    observations: &[Observation],
    priors: &[Prior],
    loss: f64,
    theta: Vec<f64>,
    log_scale: f64,
    slopes: &mut Slopes,
    predict: &mut dyn FnMut(&[f64], &mut Vec<f64>),
) -> Option<Fit> {
    let mut predicted = Vec::new();
    predict(&theta, &mut predicted);
    let rows = slopes.at(priors, &theta, &predicted, predict);
    let (curvature, _) = normal_equations(observations, priors, &theta, &predicted, rows);
    // Over as far as each parameter is known: what bends within that, at an onset or a step, bends for the integral too.
    let wide: Vec<f64> = (0..theta.len())
        .map(|i| ACROSS * (1.0 / curvature[(i, i)]).sqrt())
        .collect();
    let rows = across(&theta, &wide, predicted.len(), predict);
    let (curvature, _) = normal_equations(observations, priors, &theta, &predicted, &rows);
    let cholesky = curvature.cholesky()?;
    let log_det: f64 = 2.0 * cholesky.l().diagonal().iter().map(|x| x.ln()).sum::<f64>();
    let constants: f64 = observations
        .iter()
        .map(|o| o.weight * (log_density(0.0) - o.sd.ln()))
        .sum();
    // ln N(θ*; prior) has −½ ln 2π − ln sd for each parameter; Laplace adds +½ ln 2π for each: they cancel.
    let prior_constants: f64 = priors.iter().map(|p| -p.sd.ln()).sum();
    let weight: f64 = observations.iter().map(|o| o.weight).sum();
    // The same for the scale, whose curvature for Student's t is 2ν/(ν + 3) for each observation.
    let off = (log_scale - LOG_SCALE.mean) / LOG_SCALE.sd;
    let scale_curvature = 2.0 * NU / (NU + 3.0) * weight + 1.0 / (LOG_SCALE.sd * LOG_SCALE.sd);
    let of_scale = -0.5 * off * off - LOG_SCALE.sd.ln() - 0.5 * scale_curvature.ln();
    let log_evidence = -loss + constants + prior_constants - 0.5 * log_det + of_scale;
    let density =
        |(o, p): (&Observation, &f64)| o.weight * (log_density((o.value - p) / o.sd) - o.sd.ln());
    log_evidence.is_finite().then(|| Fit {
        log_likelihoods: observations.iter().zip(&predicted).map(density).collect(),
        theta,
        covariance: cholesky.inverse(),
        log_evidence,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_is_found_and_an_outlier_moves_it_little() {
        let x: Vec<f64> = (0..40).map(f64::from).collect();
        let mut observations: Vec<Observation> = x
            .iter()
            .map(|&x| Observation {
                value: 3.0 + 0.5 * x + 0.1 * (x * 7.3).sin(),
                sd: 0.1,
                weight: 1.0,
            })
            .collect();
        observations[20].value += 50.0;
        let priors = [
            Prior {
                mean: 0.0,
                sd: 10.0,
            },
            Prior {
                mean: 0.0,
                sd: 10.0,
            },
        ];
        let mut predict = |theta: &[f64], out: &mut Vec<f64>| {
            out.clear();
            out.extend(x.iter().map(|x| theta[0] + theta[1] * x));
        };
        let fit = fit(&observations, &priors, &[vec![0.0, 0.0]], &mut predict).unwrap();
        assert!((fit.theta[0] - 3.0).abs() < 0.1, "{:?}", fit.theta);
        assert!((fit.theta[1] - 0.5).abs() < 0.01, "{:?}", fit.theta);
    }

    #[test]
    fn the_evidence_agrees_with_the_integral_over_mean_and_scale() {
        // Twelve readings of a level at quantiles of the normal (made here), and the integral of likelihood times priors
        // summed over a fine grid of the level and of the log of the scale.
        let level = Prior {
            mean: 0.0,
            sd: 10.0,
        };
        let observations: Vec<Observation> = (0..12)
            .map(|k| Observation {
                value: 2.0 + crate::stats::normal::quantile((f64::from(k) + 0.5) / 12.0),
                sd: 0.8,
                weight: 1.0,
            })
            .collect();
        let normal = |x: f64, p: Prior| {
            let z = (x - p.mean) / p.sd;
            -0.5 * z * z - p.sd.ln() - 0.5 * (2.0 * std::f64::consts::PI).ln()
        };
        let step = 0.02;
        let mut sum = 0.0;
        for i in -150..350 {
            let mean = f64::from(i) * step;
            for j in -100..100 {
                let log_scale = f64::from(j) * step;
                let data: f64 = observations
                    .iter()
                    .map(|o| {
                        let sd = o.sd * log_scale.exp();
                        log_density((o.value - mean) / sd) - sd.ln()
                    })
                    .sum();
                sum += (data + normal(mean, level) + normal(log_scale, LOG_SCALE)).exp();
            }
        }
        let integral = (sum * step * step).ln();
        let mut predict = |theta: &[f64], out: &mut Vec<f64>| {
            out.clear();
            out.extend(observations.iter().map(|_| theta[0]));
        };
        let fit = fit(&observations, &[level], &[vec![0.0]], &mut predict).unwrap();
        assert!(
            (fit.log_evidence - integral).abs() < 0.3,
            "{} against {integral}",
            fit.log_evidence
        );
    }
}
