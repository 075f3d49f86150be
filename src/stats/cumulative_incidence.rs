//! Competing risks: the probability of each cause by a time, where one event shuts out the others.
//!
//! In: times under observation with the cause of leaving. Out: the Aalen–Johansen estimate of each cause.

use super::kaplan_meier::Life;
use super::tails::Z_95;

/// One subject: when it was at risk (`Life::event` is not looked at), and by which cause it left; `None` = censored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exit {
    /// Time under observation.
    pub life: Life,
    /// Number of the cause, from 0.
    pub cause: Option<usize>,
}

/// The curve of one cause just after a time with an event of that cause.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Time of the events.
    pub time: f64,
    /// Probability of having left by this cause up to and including this time.
    pub incidence: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Lower 95 % limit.
    pub low: f64,
    /// Upper 95 % limit.
    pub high: f64,
}

/// The cumulative incidence of `causes` causes, numbered from 0: one list of steps for each.
///
/// `F_k(t) = Σ S(t⁻)·d_k/n`, with `S` the product-limit survival from all causes, delayed entry allowed. The variance is
/// the delta-method one,
/// `Σ (F(t) − F(t_i))² d_i/(n_i(n_i − d_i)) + Σ S² (n_i − d_ki) d_ki/n_i³ − 2 Σ (F(t) − F(t_i)) S d_ki/n_i²`,
/// limits are `F^exp(±1.96·se/(F·ln F))` (log-log). A term with `n_i = d_i` has no variance of its own and is left out.
///
/// Sources: O. O. Aalen, S. Johansen, Scand. J. Stat. 5 (1978) 141–150; variance: E. Marubini, M. G. Valsecchi,
/// *Analysing Survival Data from Clinical Trials*, 1995, p. 341 (from memory).
pub fn cumulative_incidence(exits: &[Exit], causes: usize) -> Vec<Vec<Step>> {
    let sorted = |pick: fn(&Exit) -> f64| {
        let mut times: Vec<f64> = exits.iter().map(pick).collect();
        times.sort_by(f64::total_cmp);
        times
    };
    let (entered, left) = (sorted(|e| e.life.entry()), sorted(|e| e.life.exit()));
    let mut events: Vec<(f64, usize)> = exits
        .iter()
        .filter_map(|e| Some((e.life.exit(), e.cause?)))
        .collect();
    events.sort_by(|a, b| a.0.total_cmp(&b.0));

    let mut moments = Vec::new();
    let mut survival = 1.0;
    for tied in events.chunk_by(|a, b| a.0 == b.0) {
        let Some(&(time, _)) = tied.first() else {
            continue;
        };
        let at_risk = entered.partition_point(|&t| t < time) - left.partition_point(|&t| t < time);
        let mut by_cause = vec![0.0; causes];
        for &(_, cause) in tied {
            if let Some(count) = by_cause.get_mut(cause) {
                *count += 1.0;
            }
        }
        let (n, d) = (at_risk as f64, tied.len() as f64);
        moments.push(Moment {
            time,
            n,
            d,
            by_cause,
            survival_before: survival,
        });
        survival *= 1.0 - d / n;
    }
    (0..causes).map(|cause| steps(&moments, cause)).collect()
}

/// One time with events of any cause.
struct Moment {
    time: f64,
    n: f64,
    d: f64,
    by_cause: Vec<f64>,
    survival_before: f64,
}

/// The sums in the variance are kept as polynomials in `F(t)`, so that one pass is enough.
#[derive(Default)]
struct Running {
    incidence: f64,
    /// `Σ a`, `Σ a·F_i`, `Σ a·F_i²` with `a = d/(n(n − d))`.
    a: [f64; 3],
    /// `Σ b`, `Σ b·F_i` with `b = S·d_k/n²`.
    b: [f64; 2],
    own: f64,
}

fn steps(moments: &[Moment], cause: usize) -> Vec<Step> {
    let mut now = Running::default();
    let mut steps = Vec::new();
    for m in moments {
        let d_k = m.by_cause.get(cause).copied().unwrap_or(0.0);
        now.incidence += m.survival_before * d_k / m.n;
        let f = now.incidence;
        if m.d < m.n {
            let a = m.d / (m.n * (m.n - m.d));
            now.a = [now.a[0] + a, now.a[1] + a * f, now.a[2] + a * f * f];
        }
        let b = m.survival_before * d_k / (m.n * m.n);
        now.b = [now.b[0] + b, now.b[1] + b * f];
        now.own += m.survival_before.powi(2) * (m.n - d_k) * d_k / m.n.powi(3);
        if d_k == 0.0 {
            continue;
        }
        let spread = f * f * now.a[0] - 2.0 * f * now.a[1] + now.a[2];
        let variance = spread + now.own - 2.0 * (f * now.b[0] - now.b[1]);
        let standard_error = variance.max(0.0).sqrt();
        let (low, high) = log_log_limits(f, standard_error);
        steps.push(Step {
            time: m.time,
            incidence: f,
            standard_error,
            low,
            high,
        });
    }
    steps
}

fn log_log_limits(f: f64, standard_error: f64) -> (f64, f64) {
    if !(0.0 < f && f < 1.0) {
        return (f, f);
    }
    let half_width = Z_95 * standard_error / (f * f.ln()).abs();
    (f.powf(half_width.exp()), f.powf((-half_width).exp()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::kaplan_meier;
    use proptest::prelude::*;

    fn any_exits() -> impl Strategy<Value = Vec<Exit>> {
        let one = (0u8..6, 1u8..9, prop::option::of(0usize..3));
        prop::collection::vec(one, 1..30).prop_map(|rows| {
            rows.into_iter()
                .map(|(entry, length, cause)| Exit {
                    life: Life::new(
                        entry.into(),
                        f64::from(entry) + f64::from(length),
                        cause.is_some(),
                    )
                    .unwrap(),
                    cause,
                })
                .collect()
        })
    }

    proptest! {
        #[test]
        fn the_causes_and_survival_sum_to_one(exits in any_exits()) {
            let lives: Vec<_> = exits.iter().map(|e| e.life).collect();
            let survival = kaplan_meier::curve(&lives).last().map_or(1.0, |s| s.survival);
            let total: f64 = cumulative_incidence(&exits, 3)
                .iter()
                .filter_map(|steps| steps.last().map(|s| s.incidence))
                .sum();
            prop_assert!((total + survival - 1.0).abs() < 1e-12);
        }

        #[test]
        fn with_one_cause_it_is_what_survival_leaves(exits in any_exits()) {
            let one: Vec<Exit> = exits.iter().map(|e| Exit { cause: e.cause.map(|_| 0), ..*e }).collect();
            let lives: Vec<_> = one.iter().map(|e| e.life).collect();
            for (step, survival) in cumulative_incidence(&one, 1)[0].iter().zip(kaplan_meier::curve(&lives)) {
                prop_assert!((step.incidence - (1.0 - survival.survival)).abs() < 1e-12);
            }
        }

        #[test]
        fn limits_are_probabilities_in_order(exits in any_exits()) {
            for step in cumulative_incidence(&exits, 3).iter().flatten() {
                prop_assert!(0.0 <= step.low && step.low <= step.incidence);
                prop_assert!(step.incidence <= step.high && step.high <= 1.0 + 1e-12);
            }
        }
    }

    #[test]
    fn nobody_gives_empty_curves() {
        assert_eq!(cumulative_incidence(&[], 2), vec![vec![], vec![]]);
    }
}
