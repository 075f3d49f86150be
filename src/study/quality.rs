//! Over time and between units: has the rate of filter onsets changed, and does a unit stand out?
//!
//! In: a cohort whose records carry dates, and its filters at risk. Out: charts by month or week, a comparison before and
//! after a dated change of practice, a funnel by a column.

use super::at_risk::AtRisk;
use super::cohort::Cohort;
use super::group::{Group, groups};
use super::periods::{self, Every};
use crate::stats::charts::{self, CusumPoint, EwmaPoint, Rule, UPoint};
use crate::stats::funnel::funnel_limits;
use crate::stats::poisson_regression::{Count, NoPoissonFit, fit};
use crate::stats::tails::{Z_95, two_sided_p};
use crate::units::Estimate;
use jiff::civil::Date;
use std::collections::BTreeMap;

/// One month or week.
#[derive(Debug, Clone, PartialEq)]
pub struct Period {
    /// Its first day.
    pub first_day: Date,
    /// First onsets of filters in it.
    pub episodes: u64,
    /// Filters' time at risk in it, hours.
    pub filter_hours: f64,
    /// Rate per 1,000 h, limits and distance; `None` without time at risk.
    pub point: Option<UPoint>,
    /// Run rules that the run ending here breaks.
    pub rules: Vec<Rule>,
    /// Exponentially weighted moving average of the rate per 1,000 h.
    pub ewma: EwmaPoint,
    /// Cumulative sums of the distances from the centre, in standard deviations.
    pub cusum: CusumPoint,
}

/// Charts over time.
#[derive(Debug, Clone, PartialEq)]
pub struct OverTime {
    /// How time is cut.
    pub every: Every,
    /// Centre line, onsets per 1,000 filter hours.
    pub centre_per_1000_h: f64,
    /// Whether the centre comes only from the periods that lie wholly before the dated change.
    pub baseline_before_change: bool,
    /// From the first to the last, without holes.
    pub periods: Vec<Period>,
}

/// Why there is no chart over time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoChart {
    /// Some record has no dates (seconds from its start only).
    NoDates,
    /// No filter onset, or no time at risk: chance has no size.
    NoEvents,
}

/// Longest series of periods: a typing error in a year must not make a chart of a million months.
const MOST_PERIODS: usize = 2_000;

/// Counts by period and charts them. With a change of practice, the centre line is that of the periods before it.
pub fn over_time(
    cohort: &Cohort,
    at_risk: &AtRisk,
    every: Every,
    change: Option<Date>,
) -> Result<OverTime, NoChart> {
    let counted = counts(cohort, at_risk, every)?;
    let before = change.map_or(counted.len(), |c| {
        counted
            .iter()
            .take_while(|(day, ..)| every.next(*day) <= c)
            .count()
    });
    let counts: Vec<(u64, f64)> = counted
        .iter()
        .map(|&(_, n, hours)| (n, hours / 1000.0))
        .collect();
    let own_baseline = charts::u_chart(&counts, before).filter(|_| before < counts.len());
    let baseline_before_change = own_baseline.is_some();
    let chart = own_baseline
        .or_else(|| charts::u_chart(&counts, counts.len()))
        .ok_or(NoChart::NoEvents)?;

    // Periods without time at risk have no point; they neither break a run nor lengthen it.
    let z: Vec<f64> = chart.points.iter().flatten().map(|p| p.z).collect();
    let mut rules = charts::broken_rules(&z).into_iter();
    let variances: Vec<Option<(f64, f64)>> = chart
        .points
        .iter()
        .zip(&counts)
        .map(|(p, (_, exposure))| p.map(|p| (p.rate, chart.centre / exposure)))
        .collect();
    let ewma = charts::ewma(&variances, chart.centre, charts::EWMA_WEIGHT);
    let distances: Vec<Option<f64>> = chart.points.iter().map(|p| p.map(|p| p.z)).collect();
    let cusum = charts::cusum(&distances, 0.0, charts::CUSUM_REFERENCE);
    let periods = counted
        .iter()
        .zip(&chart.points)
        .zip(ewma.into_iter().zip(cusum))
        .map(
            |((&(first_day, episodes, filter_hours), &point), (ewma, cusum))| Period {
                first_day,
                episodes,
                filter_hours,
                point,
                rules: point.and_then(|_| rules.next()).unwrap_or_default(),
                ewma,
                cusum,
            },
        )
        .collect();
    Ok(OverTime {
        every,
        centre_per_1000_h: chart.centre,
        baseline_before_change,
        periods,
    })
}

/// `(first day, onsets, hours at risk)` of every period from the first to the last.
fn counts(
    cohort: &Cohort,
    at_risk: &AtRisk,
    every: Every,
) -> Result<Vec<(Date, u64, f64)>, NoChart> {
    let mut found: BTreeMap<Date, (u64, f64)> = BTreeMap::new();
    for filter in &at_risk.filters {
        let clock = &cohort
            .members
            .get(filter.member)
            .ok_or(NoChart::NoDates)?
            .facts
            .clock;
        let local = |hour: f64| periods::local_days(clock, filter.at_s(hour));
        let (Some(from), Some(to)) = (local(filter.entry_h), local(filter.exit_h)) else {
            return Err(NoChart::NoDates);
        };
        // The filter's own hours, whatever the clock did at a change of summer time.
        let parts = periods::cut(every, from, to);
        let local_total: f64 = parts.iter().map(|p| p.1).sum();
        for &(period, days) in &parts {
            found.entry(period).or_default().1 += filter.hours() * days / local_total;
        }
        if let Some((period, _)) = parts.last().filter(|_| filter.event()) {
            found.entry(*period).or_default().0 += 1;
        }
    }
    let (Some((&first, _)), Some((&last, _))) = (found.first_key_value(), found.last_key_value())
    else {
        return Err(NoChart::NoEvents);
    };
    let days = std::iter::successors(Some(first), |&d| Some(every.next(d)).filter(|n| *n <= last));
    let whole = days.take(MOST_PERIODS).map(|day| {
        let (episodes, hours) = found.get(&day).copied().unwrap_or_default();
        (day, episodes, hours)
    });
    Ok(whole.collect())
}

/// Before and after a dated change of practice: segmented Poisson regression of the periods' counts.
#[derive(Debug, Clone, PartialEq)]
pub struct BeforeAfter {
    /// The day of the change.
    pub change: Date,
    /// Rate just after the change against what the course before leads one to expect, 95 %.
    pub step: Estimate,
    /// Two-sided p of the step.
    pub step_p: f64,
    /// Factor by which the rate's yearly trend differs after the change, 95 %.
    pub trend: Estimate,
    /// Two-sided p of the trend's difference.
    pub trend_p: f64,
    /// Pearson's chi-squared per degree of freedom: above 1, months differ more than chance makes them.
    pub dispersion: f64,
    /// Probability of so much spread from Poisson counts.
    pub dispersion_p: f64,
    /// Periods wholly before, and after, the change; the one that holds it is left out.
    pub periods: (usize, usize),
}

/// Why there is no comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoComparison {
    /// Fewer than [`LEAST_PERIODS`] periods with time at risk on one side.
    TooFewPeriods,
    /// The model could not be fitted.
    Model(NoPoissonFit),
}

/// Periods needed on each side of a change. Common practice, no source.
pub const LEAST_PERIODS: usize = 4;

/// Fits `log rate = a + b·year + step·after + trend·(years since the change)·after`; standard errors are widened by the
/// dispersion where that is above 1.
///
/// Source: A. K. Wagner et al., J. Clin. Pharm. Ther. 27 (2002) 299–309 (from memory).
pub fn before_after(over_time: &OverTime, change: Date) -> Result<BeforeAfter, NoComparison> {
    let at = periods::day_number(change);
    let every = over_time.every;
    let mut sides = (0, 0);
    let mut counts = Vec::new();
    for period in over_time.periods.iter().filter(|p| 0.0 < p.filter_hours) {
        let (from, to) = (
            periods::day_number(period.first_day),
            periods::day_number(every.next(period.first_day)),
        );
        let after = match () {
            () if to <= at => 0.0,
            () if at <= from => 1.0,
            () => continue, // holds the change itself
        };
        if after == 0.0 {
            sides.0 += 1
        } else {
            sides.1 += 1
        }
        let years = ((from + to) / 2.0 - at) / 365.25;
        counts.push(Count {
            events: period.episodes as f64,
            exposure: period.filter_hours,
            covariates: vec![1.0, years, after, years * after],
        });
    }
    if sides.0 < LEAST_PERIODS || sides.1 < LEAST_PERIODS {
        return Err(NoComparison::TooFewPeriods);
    }
    let fit = fit(&counts).map_err(NoComparison::Model)?;
    let dispersion = fit.dispersion().ok_or(NoComparison::TooFewPeriods)?;
    let ratio = |number: usize| {
        let coefficient = fit.coefficients.get(number).copied()?;
        let error = fit.standard_error(number, dispersion)?;
        let half = Z_95 * error;
        let ratio = Estimate::new(
            coefficient.exp(),
            (coefficient - half).exp(),
            (coefficient + half).exp(),
        )?;
        Some((ratio, two_sided_p(coefficient / error)))
    };
    let ((step, step_p), (trend, trend_p)) = ratio(2)
        .zip(ratio(3))
        .ok_or(NoComparison::Model(NoPoissonFit::Separation))?;
    Ok(BeforeAfter {
        change,
        step,
        step_p,
        trend,
        trend_p,
        dispersion,
        dispersion_p: fit.dispersion_p(),
        periods: sides,
    })
}

/// One unit in the funnel.
#[derive(Debug, Clone, PartialEq)]
pub struct FunnelPoint {
    /// The unit.
    pub group: Group,
    /// First onsets.
    pub episodes: u64,
    /// Filters' time at risk, hours.
    pub hours: f64,
    /// Onsets per 1,000 h.
    pub per_1000_h: f64,
    /// 95 % limits about the overall rate, per 1,000 h.
    pub limits_95: (f64, f64),
    /// 99.8 % limits, per 1,000 h.
    pub limits_998: (f64, f64),
}

/// Each level of a column against the overall rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Funnel {
    /// The column.
    pub column: String,
    /// The overall rate, per 1,000 h.
    pub target_per_1000_h: f64,
    /// Levels with time at risk.
    pub points: Vec<FunnelPoint>,
}

/// Makes the funnel; `None` without an onset, or with fewer than two levels.
pub fn funnel(cohort: &Cohort, at_risk: &AtRisk, column: usize) -> Option<Funnel> {
    let target = at_risk.events() as f64 / (at_risk.hours() / 1000.0);
    let point = |g: super::group::Grouped| {
        let own = || at_risk.filters.iter().filter(|f| g.has(f.member));
        let hours: f64 = own().map(|f| f.hours()).sum();
        let episodes = own().filter(|f| f.event()).count() as u64;
        Some(FunnelPoint {
            group: g.group.clone(),
            episodes,
            hours,
            per_1000_h: episodes as f64 / (hours / 1000.0),
            limits_95: funnel_limits(target, hours / 1000.0, 0.025)?,
            limits_998: funnel_limits(target, hours / 1000.0, 0.001)?,
        })
    };
    let points: Vec<FunnelPoint> = groups(cohort, &[column])
        .into_iter()
        .filter_map(point)
        .collect();
    (1 < points.len()).then(|| Funnel {
        column: cohort.columns.get(column).cloned().unwrap_or_default(),
        target_per_1000_h: target,
        points,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::at_risk::{Outcome, filters};
    use crate::study::made::{filter_onset, infusion};
    use crate::time::Clock;
    use jiff::civil::date;

    /// Infusions of 24 h from 08:00 UTC, each with an onset at 10 h or none.
    fn cohort(days: &[(Date, bool)]) -> Cohort {
        let members = days.iter().enumerate().map(|(i, &(day, blocked))| {
            let mut member = infusion(&i.to_string(), 24.0);
            member.labels = vec![if i % 2 == 0 { "north" } else { "east" }.into()];
            member.facts.clock = Clock::Calendar {
                origin_us: ((periods::day_number(day) * 24.0 + 8.0) * 3.6e9) as i64,
                offsets: vec![(0.0, 0)],
            };
            if blocked {
                member.facts.episodes = vec![filter_onset(10.0)];
            }
            member
        });
        Cohort {
            columns: vec!["unit".into()],
            members: members.collect(),
            skipped: vec![],
        }
    }

    #[test]
    fn time_at_risk_is_shared_out_between_months_and_months_without_any_are_kept() {
        let c = cohort(&[(date(2031, 1, 31), false), (date(2031, 3, 10), true)]);
        let at_risk = filters(&c, Outcome::FILTER_ONSET);
        let found = over_time(&c, &at_risk, Every::Month, None).unwrap();
        let months: Vec<_> = found
            .periods
            .iter()
            .map(|p| {
                (
                    p.first_day.month(),
                    p.episodes,
                    (p.filter_hours * 1e6).round() / 1e6,
                )
            })
            .collect();
        assert_eq!(months, [(1, 0, 16.0), (2, 0, 8.0), (3, 1, 10.0)]);
        assert!((found.centre_per_1000_h - 1.0 / 0.034).abs() < 1e-9);
    }

    #[test]
    fn records_without_dates_have_no_chart() {
        let c = Cohort {
            members: vec![infusion("a", 24.0)],
            ..Cohort::default()
        };
        let at_risk = filters(&c, Outcome::FILTER_ONSET);
        assert_eq!(
            over_time(&c, &at_risk, Every::Month, None),
            Err(NoChart::NoDates)
        );
        let none = Cohort::default();
        let at_risk = filters(&none, Outcome::FILTER_ONSET);
        assert_eq!(
            over_time(&none, &at_risk, Every::Week, None),
            Err(NoChart::NoEvents)
        );
    }

    #[test]
    fn a_change_that_halves_the_rate_is_seen_as_a_step() {
        // Twelve months with 8 onsets of 40, then twelve with 4 of 40; the rest is censored at 24 h.
        let mut days = Vec::new();
        for month in 0..24_i16 {
            let onsets = if month < 12 { 8 } else { 4 };
            for n in 0..40_i16 {
                let day = date(
                    2030 + month / 12,
                    (month % 12 + 1) as i8,
                    (n % 25 + 2) as i8,
                );
                days.push((day, n < onsets));
            }
        }
        let c = cohort(&days);
        let at_risk = filters(&c, Outcome::FILTER_ONSET);
        let change = date(2031, 1, 1);
        let found = over_time(&c, &at_risk, Every::Month, Some(change)).unwrap();
        assert!(found.baseline_before_change);
        let effect = before_after(&found, change).unwrap();
        assert_eq!(effect.periods, (12, 12));
        let expected = (4.0 / (36.0 * 24.0 + 40.0)) / (8.0 / (32.0 * 24.0 + 80.0));
        assert!((effect.step.value - expected).abs() < 1e-6);
        assert!((effect.trend.value - 1.0).abs() < 1e-6);
        assert!(effect.dispersion < 1e-9); // made without chance
        let last = found.periods.last().unwrap();
        assert!(last.rules.contains(&Rule::EightOnOneSide));
        let short = before_after(&found, date(2030, 2, 1));
        assert_eq!(short, Err(NoComparison::TooFewPeriods));
    }

    #[test]
    fn a_funnel_needs_two_units_and_an_onset() {
        let c = cohort(&[(date(2031, 1, 3), true), (date(2031, 1, 4), false)]);
        let at_risk = filters(&c, Outcome::FILTER_ONSET);
        let found = funnel(&c, &at_risk, 0).unwrap();
        assert_eq!(found.points.len(), 2);
        assert!(found.points.iter().all(|p| p.limits_998.1 > p.limits_95.1));
        let none = cohort(&[(date(2031, 1, 3), false), (date(2031, 1, 4), false)]);
        assert_eq!(
            funnel(&none, &filters(&none, Outcome::FILTER_ONSET), 0),
            None
        );
    }
}
