//! Survival curves with delayed entry.
//!
//! In: [`Life`]s on one time scale. Out: the product-limit curve with log-log limits, its quantiles, numbers at risk.

use super::tails::Z_95;

/// One subject's time under observation on the curve's time scale: `(entry, exit]`.
///
/// `entry` above 0 is delayed entry (left truncation): the subject counts as at risk only from there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Life {
    entry: f64,
    exit: f64,
    event: bool,
}

impl Life {
    /// `None` unless both times are finite and `entry < exit`: nobody is at risk for no time.
    pub fn new(entry: f64, exit: f64, event: bool) -> Option<Self> {
        (entry.is_finite() && exit.is_finite() && entry < exit).then_some(Self {
            entry,
            exit,
            event,
        })
    }

    /// From when the subject is at risk (excluded).
    pub fn entry(self) -> f64 {
        self.entry
    }

    /// Until when the subject is at risk (included).
    pub fn exit(self) -> f64 {
        self.exit
    }

    /// Whether it left by the event.
    pub fn event(self) -> bool {
        self.event
    }

    /// Whether the subject is at risk at this moment.
    pub fn at_risk(self, time: f64) -> bool {
        self.entry < time && time <= self.exit
    }
}

/// The curve just after one time with events.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Time of the events.
    pub time: f64,
    /// Subjects at risk just before.
    pub at_risk: usize,
    /// Events at this time.
    pub events: usize,
    /// Probability of no event up to and including this time.
    pub survival: f64,
    /// Lower 95 % limit.
    pub low: f64,
    /// Upper 95 % limit.
    pub high: f64,
}

/// Subjects at risk at a time: entered before it, not yet left.
pub fn at_risk(lives: &[Life], time: f64) -> usize {
    lives.iter().filter(|l| l.at_risk(time)).count()
}

/// The product-limit estimate, one [`Step`] for each distinct time with an event, in order of time.
///
/// `S(t) = Π (1 − d/n)`, Greenwood's variance, limits `S^exp(±1.96·se)` with `se = √Σ d/(n(n−d)) / |ln S|` (the
/// log-log limits). At an exit, an event counts before a censoring; an entry counts only after its moment. Once
/// nobody survives, `S` is 0 for good, and so are the limits, which the formula no longer gives: with delayed entry
/// this can happen early, while few are at risk, and says little then. No event gives no step.
///
/// Sources: E. L. Kaplan, P. Meier, JASA 53 (1958) 457–481; log-log limits: J. D. Kalbfleisch, R. L. Prentice,
/// *The Statistical Analysis of Failure Time Data*, 1980, p. 15 (from memory); delayed entry: J. P. Klein,
/// M. L. Moeschberger, *Survival Analysis*, section 4.6 (from memory).
pub fn curve(lives: &[Life]) -> Vec<Step> {
    let sorted = |pick: fn(&Life) -> f64| {
        let mut times: Vec<f64> = lives.iter().map(pick).collect();
        times.sort_by(f64::total_cmp);
        times
    };
    let (entries, exits) = (sorted(|l| l.entry), sorted(|l| l.exit));
    let mut event_times: Vec<f64> = lives.iter().filter(|l| l.event).map(|l| l.exit).collect();
    event_times.sort_by(f64::total_cmp);

    let mut steps: Vec<Step> = Vec::new();
    let (mut survival, mut greenwood) = (1.0, 0.0);
    for tied in event_times.chunk_by(|a, b| a == b) {
        let (Some(&time), events) = (tied.first(), tied.len()) else {
            continue;
        };
        let entered = entries.partition_point(|&e| e < time);
        let left = exits.partition_point(|&e| e < time);
        let at_risk = entered - left;
        let (d, n) = (events as f64, at_risk as f64);
        survival *= 1.0 - d / n;
        greenwood += d / (n * (n - d)); // infinite once all die
        let (low, high) = log_log_limits(survival, greenwood);
        steps.push(Step {
            time,
            at_risk,
            events,
            survival,
            low,
            high,
        });
    }
    steps
}

fn log_log_limits(survival: f64, greenwood: f64) -> (f64, f64) {
    if survival <= 0.0 {
        return (0.0, 0.0);
    }
    let half_width = Z_95 * greenwood.sqrt() / survival.ln().abs();
    (
        survival.powf(half_width.exp()),
        survival.powf((-half_width).exp()),
    )
}

/// The first time at which the curve stands at `1 − p` or below (`p = 0.5`: the median), with 95 % limits.
///
/// The limits are the times at which the lower and the upper limit of the curve stand there. Each is `None` where it
/// is not reached. Source: R. Brookmeyer, J. Crowley, Biometrics 38 (1982) 29–41 (from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantile {
    /// The time itself.
    pub value: Option<f64>,
    /// Lower limit.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
}

/// See [`Quantile`].
pub fn quantile(curve: &[Step], p: f64) -> Quantile {
    // A survival of exactly one half, made of products, may stand a rounding error above it.
    let level = (1.0 - p) + 1e-12;
    let first = |pick: fn(&Step) -> f64| curve.iter().find(|s| pick(s) <= level).map(|s| s.time);
    Quantile {
        value: first(|s| s.survival),
        low: first(|s| s.low),
        high: first(|s| s.high),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn lives(rows: &[(f64, f64, bool)]) -> Vec<Life> {
        rows.iter()
            .map(|&(a, b, e)| Life::new(a, b, e).unwrap())
            .collect()
    }

    #[rstest]
    #[case(1.0, 1.0)]
    #[case(2.0, 1.0)]
    #[case(f64::NAN, 1.0)]
    #[case(0.0, f64::INFINITY)]
    fn a_life_needs_time_at_risk(#[case] entry: f64, #[case] exit: f64) {
        assert_eq!(Life::new(entry, exit, true), None);
    }

    #[test]
    fn with_all_censored_there_is_no_step_and_no_median() {
        let curve = curve(&lives(&[(0.0, 5.0, false), (0.0, 9.0, false)]));
        assert!(curve.is_empty());
        assert_eq!(quantile(&curve, 0.5).value, None);
    }

    #[test]
    fn a_late_entrant_does_not_count_before_its_entry() {
        let curve = curve(&lives(&[
            (0.0, 2.0, true),
            (0.0, 4.0, true),
            (2.0, 6.0, true), // enters at the very moment of the first event: not at risk for it
        ]));
        let found: Vec<_> = curve.iter().map(|s| (s.at_risk, s.survival)).collect();
        assert_eq!(found, [(2, 0.5), (2, 0.25), (1, 0.0)]);
    }

    #[test]
    fn when_nobody_is_left_the_curve_stays_at_zero() {
        let curve = curve(&lives(&[
            (0.0, 1.0, true),
            (2.0, 3.0, true),
            (2.0, 5.0, false),
        ]));
        assert_eq!(curve[0].survival, 0.0);
        assert_eq!(
            (curve[1].survival, curve[1].low, curve[1].high),
            (0.0, 0.0, 0.0)
        );
    }

    #[test]
    fn a_half_made_of_thirds_is_a_half() {
        // (1 − 1/3)(1 − 1/4) = 1/2 by way of thirds
        let rows = [
            (0.0, 1.0, true),
            (0.0, 1.5, false),
            (0.0, 2.0, false),
            (1.0, 3.0, true),
        ];
        let mut all = rows.to_vec();
        all.extend([(1.2, 4.0, false), (1.2, 4.0, false), (1.2, 4.0, false)]);
        let curve = curve(&lives(&all));
        assert!((curve[1].survival - 0.5).abs() < 1e-15);
        assert_eq!(quantile(&curve, 0.5).value, Some(3.0));
    }
}
