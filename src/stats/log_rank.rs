//! The log-rank test: do groups differ in how fast the event comes?
//!
//! In: [`Life`]s with the number of their group. Out: the chi-squared statistic, observed and expected events.

use super::kaplan_meier::Life;
use super::tails::chi_squared_upper_p;
use nalgebra::{DMatrix, DVector};

/// Result of the test.
#[derive(Debug, Clone, PartialEq)]
pub struct LogRank {
    /// Chi-squared statistic.
    pub chi_squared: f64,
    /// Degrees of freedom.
    pub df: usize,
    /// Probability of a statistic at least as large if the groups were alike.
    pub p: f64,
    /// `(observed, expected)` events of each group, in the order of the group numbers.
    pub groups: Vec<(f64, f64)>,
}

/// The log-rank test of `groups` groups, numbered from 0, with delayed entry.
///
/// At each time with `d` events among `n` at risk, group `g` expects `d·n_g/n`; the covariance is the
/// hypergeometric one. `None` with fewer than two groups that ever were at risk together, or without events.
///
/// Source: N. Mantel, Cancer Chemother. Rep. 50 (1966) 163–170; R. Peto, J. Peto, J. R. Stat. Soc. A 135 (1972)
/// 185–207 (from memory). Checked against lifelines and R's survival (tests/it/reference_survival.rs).
pub fn log_rank(lives: &[(Life, usize)], groups: usize) -> Option<LogRank> {
    let mut entries = vec![Vec::new(); groups];
    let mut exits = vec![Vec::new(); groups];
    let mut events: Vec<(f64, usize)> = Vec::new();
    for &(life, group) in lives {
        entries.get_mut(group)?.push(life.entry());
        exits.get_mut(group)?.push(life.exit());
        if life.event() {
            events.push((life.exit(), group));
        }
    }
    entries
        .iter_mut()
        .chain(&mut exits)
        .for_each(|times| times.sort_by(f64::total_cmp));
    events.sort_by(|a, b| a.0.total_cmp(&b.0));

    let mut observed = vec![0.0; groups];
    let mut expected = vec![0.0; groups];
    let mut covariance = DMatrix::<f64>::zeros(groups, groups);
    for tied in events.chunk_by(|a, b| a.0 == b.0) {
        let time = tied.first()?.0;
        let at_risk: Vec<f64> = entries
            .iter()
            .zip(&exits)
            .map(|(entries, exits)| {
                let entered = entries.partition_point(|&e| e < time);
                (entered - exits.partition_point(|&e| e < time)) as f64
            })
            .collect();
        let n: f64 = at_risk.iter().sum();
        let d = tied.len() as f64;
        for &(_, group) in tied {
            observed[group] += 1.0;
        }
        for (sum, n_g) in expected.iter_mut().zip(&at_risk) {
            *sum += d * n_g / n;
        }
        if n <= 1.0 {
            continue;
        }
        let scale = d * (n - d) / (n - 1.0);
        for (g, &n_g) in at_risk.iter().enumerate() {
            for (h, &n_h) in at_risk.iter().enumerate() {
                let own = if g == h { n_g / n } else { 0.0 };
                covariance[(g, h)] += scale * (own - n_g * n_h / (n * n));
            }
        }
    }

    // The differences sum to zero: one group is left out. A group never at risk beside another has no variance.
    let varied: Vec<usize> = (0..groups)
        .filter(|&g| 1e-12 < covariance[(g, g)])
        .collect();
    let (_, kept) = varied.split_last()?;
    if kept.is_empty() {
        return None;
    }
    let difference =
        DVector::from_iterator(kept.len(), kept.iter().map(|&g| observed[g] - expected[g]));
    let reduced = DMatrix::from_fn(kept.len(), kept.len(), |i, j| {
        covariance[(kept[i], kept[j])]
    });
    let chi_squared = difference.dot(&reduced.cholesky()?.solve(&difference));
    let df = kept.len();
    Some(LogRank {
        chi_squared,
        df,
        p: chi_squared_upper_p(chi_squared, df),
        groups: observed.into_iter().zip(expected).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn life(exit: f64, event: bool) -> Life {
        Life::new(0.0, exit, event).unwrap()
    }

    #[test]
    fn one_group_or_no_event_gives_no_test() {
        assert_eq!(
            log_rank(&[(life(1.0, true), 0), (life(2.0, true), 0)], 1),
            None
        );
        assert_eq!(
            log_rank(&[(life(1.0, false), 0), (life(2.0, false), 1)], 2),
            None
        );
        assert_eq!(log_rank(&[], 2), None);
    }

    #[test]
    fn groups_that_were_never_at_risk_together_cannot_be_compared() {
        let early = Life::new(0.0, 1.0, true).unwrap();
        let late = Life::new(2.0, 3.0, true).unwrap();
        assert_eq!(log_rank(&[(early, 0), (late, 1)], 2), None);
    }

    #[test]
    fn an_empty_group_changes_nothing() {
        let two = [
            (life(1.0, true), 0),
            (life(2.0, true), 1),
            (life(3.0, true), 1),
            (life(4.0, true), 0),
        ];
        let with_gap = two.map(|(l, g)| (l, g * 2));
        let (a, b) = (log_rank(&two, 2).unwrap(), log_rank(&with_gap, 3).unwrap());
        assert_eq!((a.chi_squared, a.df), (b.chi_squared, b.df));
    }
}
