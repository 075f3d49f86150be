//! The survey as JSON: the contract's object (section 6), field by field; what goes beyond it comes after.
//!
//! Numbers are as computed, not rounded; what cannot be estimated is `null`, with a `reason` beside it.

use super::words;
use crate::record::Priors;
use crate::report::wire::Estimate;
use crate::study;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The `schema` of [`Survey`].
pub const SCHEMA: &str = "patency.survey/1";

/// Columns and values that a group shares; empty = all infusions.
pub type Group = BTreeMap<String, String>;

/// The contract's object.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// [`SCHEMA`].
    pub schema: String,
    /// Infusions reviewed.
    pub infusions: usize,
    /// Their hours.
    pub hours: f64,
    /// Filters' time at risk, hours.
    pub filter_hours: f64,
    /// Rates by site and group.
    pub rates: Vec<Rate>,
    /// Survival of filters by group.
    pub filter_survival: Vec<Survival>,
    /// Effects of pauses on the hazard of a filter onset; the contract's row first.
    pub pause_effect: Vec<Effect>,
    /// Filters at risk.
    pub filters: usize,
    /// Filter rates of groups against the group of the same column with the most hours.
    pub rate_ratios: Vec<RateRatio>,
    /// How often a site was told, by group: where that differs, so may the rates by verdicts.
    pub told: Vec<Told>,
    /// Log-rank tests between the levels of a column.
    pub log_rank: Vec<LogRank>,
    /// Cumulative incidence of the first hindrance by site.
    pub cumulative_incidence: Vec<Incidence>,
    /// One, two, three pauses against none.
    pub dose_response: Vec<Effect>,
    /// Each filter as its own control.
    pub case_crossover: CaseCrossover,
    /// How the effect moves with the choices behind it.
    pub sensitivity: Vec<Variant>,
    /// What undetermined episodes leave open.
    pub undetermined: Undetermined,
    /// Charts by month or week.
    pub over_time: OverTime,
    /// Before and after a change of practice, where one was asked about.
    pub before_after: Option<BeforeAfter>,
    /// Funnels by column.
    pub funnels: Vec<Funnel>,
    /// Infusions that could not be used.
    pub skipped: Vec<Skipped>,
    /// Groups left out for being small.
    pub suppressed: Vec<Group>,
    /// What was taken for granted.
    pub assumptions: Vec<String>,
    /// To be read with every survey.
    pub cautions: Vec<String>,
    /// Program and version.
    pub program: String,
    /// The version alone.
    pub version: String,
    /// How likely each cause was taken to be before a record is looked at.
    pub priors: BTreeMap<String, f64>,
    /// What was asked for.
    pub options: Options,
}

/// What was asked for, and how often sites were drawn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // the fields' names are the command's options
pub struct Options {
    pub group: Vec<Vec<String>>,
    pub adjust: Vec<String>,
    pub stratify: Vec<String>,
    pub by: String,
    pub change: Option<String>,
    pub smallest_group: Option<usize>,
    pub imputations: usize,
}

/// A rate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // the fields' names are the contract's words
pub struct Rate {
    pub site: String,
    pub group: Group,
    pub episodes: Count,
    pub hours: f64,
    pub per_1000_h: Option<Estimate>,
    pub infusions: usize,
    pub method: String,
    /// Per 1,000 h if none, or all, of the undetermined episodes were of the site.
    pub bounds: Option<Bounds>,
}

/// A number of episodes: whole where they were counted, else expected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
#[allow(missing_docs)] // as above
pub enum Count {
    Whole(u64),
    Expected(f64),
}

/// See [`Rate::bounds`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Bounds {
    pub low: f64,
    pub high: f64,
}

/// A survival curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Survival {
    pub group: Group,
    pub median_h: Option<f64>,
    /// `[hours, S, 95 % low, high]`.
    pub curve: Vec<[f64; 4]>,
    pub median_low_h: Option<f64>,
    pub median_high_h: Option<f64>,
    pub filters: usize,
    pub events: Count,
    pub method: String,
    /// `[hours, filters]`.
    pub at_risk: Vec<(f64, usize)>,
    /// From here on fewer than ten filters are at risk; `null` where that never is so.
    pub thin_from_h: Option<f64>,
}

/// An effect of pauses.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Effect {
    pub exposure: String,
    pub outcome: String,
    pub hazard_ratio: Option<Estimate>,
    pub p: Option<f64>,
    pub events: Count,
    pub method: String,
    /// Whether text and page lead with this row.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub headline: bool,
    /// Why there is no ratio.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub reason: Option<String>,
    /// What the ratio is for.
    pub per: String,
    /// Standard error of the ratio's natural log.
    pub log_standard_error: Option<f64>,
    pub filters: usize,
    pub adjusted_for: Vec<String>,
    pub stratified_by: Vec<String>,
    /// `infusion` where the standard error allows for several filters of one infusion.
    pub clustered_by: Option<String>,
    /// p of the check of proportional hazards against hours and against their logarithm.
    pub proportional_hazards_p: Option<(f64, f64)>,
    pub left_out: Vec<String>,
}

/// A ratio of two rates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct RateRatio {
    pub site: String,
    pub group: Group,
    pub reference: Group,
    /// `null` where the reference has no episode.
    pub value: Option<f64>,
    pub low: Option<f64>,
    /// `null` = no upper bound.
    pub high: Option<f64>,
    pub p: Option<f64>,
    pub method: String,
    /// Why the groups are not compared.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub reason: Option<String>,
}

/// How often a site was told in a group.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Told {
    pub group: Group,
    pub episodes: usize,
    pub told: usize,
    pub filter_changed: usize,
}

/// A log-rank test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct LogRank {
    pub column: String,
    pub chi_squared: Option<f64>,
    pub df: Option<usize>,
    pub p: Option<f64>,
}

/// The incidence of one site.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Incidence {
    pub site: String,
    pub events: usize,
    /// `[hours, probability, 95 % low, high]`.
    pub curve: Vec<[f64; 4]>,
}

/// The case-crossover analysis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct CaseCrossover {
    pub odds_ratio: Option<Estimate>,
    pub p: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub reason: Option<String>,
    pub filters: usize,
    pub control_moments: usize,
}

/// A row of the sensitivity table.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Variant {
    pub change: String,
    pub says: String,
    /// Whether the row shows a mistake.
    pub wrong: bool,
    pub why: String,
    pub hazard_ratio: Option<Estimate>,
    pub p: Option<f64>,
    pub events: Count,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub reason: Option<String>,
}

/// What undetermined episodes leave open.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Undetermined {
    pub episodes: usize,
    pub infusions: usize,
    pub filter_rate_if_none: Option<Estimate>,
    pub filter_rate_if_all: Option<Estimate>,
}

/// Charts over time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct OverTime {
    pub every: Option<String>,
    pub centre_per_1000_h: Option<f64>,
    pub centre_from: Option<String>,
    pub periods: Vec<Period>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub reason: Option<String>,
}

/// One month or week.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Period {
    pub first_day: String,
    pub episodes: u64,
    pub filter_hours: f64,
    pub per_1000_h: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub rules: Vec<String>,
    pub ewma: f64,
    pub ewma_low: f64,
    pub ewma_high: f64,
    pub cusum_high: f64,
    pub cusum_low: f64,
}

/// Before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct BeforeAfter {
    pub change: Option<String>,
    pub step_ratio: Option<Estimate>,
    pub step_p: Option<f64>,
    pub yearly_trend_ratio: Option<Estimate>,
    pub yearly_trend_p: Option<f64>,
    pub dispersion: Option<f64>,
    pub dispersion_p: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub reason: Option<String>,
}

/// A funnel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Funnel {
    pub column: String,
    pub target_per_1000_h: f64,
    pub points: Vec<FunnelPoint>,
}

/// One unit of a funnel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct FunnelPoint {
    pub group: Group,
    pub episodes: u64,
    pub hours: f64,
    pub per_1000_h: f64,
    pub limits_95: (f64, f64),
    pub limits_99_8: (f64, f64),
}

/// An infusion that was not used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)] // as above
pub struct Skipped {
    pub infusion: String,
    pub reason: String,
}

fn group(group: &study::Group) -> Group {
    group.values.iter().cloned().collect()
}

/// The ratio, its p, its standard error, and why there is none.
type Parts = (Option<Estimate>, Option<f64>, Option<f64>, Option<String>);

fn parts(ratio: &Result<study::HazardRatio, study::NoFit>) -> Parts {
    match ratio {
        Ok(r) => (
            Some(r.ratio.into()),
            Some(r.p),
            Some(r.standard_error),
            None,
        ),
        Err(why) => (None, None, None, Some(words::no_fit(*why).into())),
    }
}

impl Survey {
    /// Puts a survey into the contract's words.
    pub fn new(s: &study::Survey) -> Self {
        Self {
            schema: SCHEMA.into(),
            infusions: s.infusions,
            hours: s.hours,
            filter_hours: s.at_risk.hours(),
            rates: rates(s),
            filter_survival: s
                .survival
                .iter()
                .chain(&s.expected.survival)
                .map(Survival::from)
                .collect(),
            pause_effect: s
                .effects
                .iter()
                .chain(&s.expected.effects)
                .map(|e| Effect {
                    headline: s.expected.headline().is_some_and(|h| std::ptr::eq(h, e)),
                    ..Effect::from(e)
                })
                .collect(),
            told: s.expected.told.iter().map(Told::from).collect(),
            filters: s.at_risk.filters.len(),
            rate_ratios: s
                .comparisons
                .iter()
                .map(RateRatio::from)
                .chain(s.expected.ratios.iter().map(RateRatio::from))
                .collect(),
            log_rank: s.group_tests.iter().map(LogRank::from).collect(),
            cumulative_incidence: s.incidence.iter().map(Incidence::from).collect(),
            dose_response: s.dose_response.iter().map(Effect::from).collect(),
            case_crossover: CaseCrossover::from(&s.self_controlled),
            sensitivity: s.sensitivity.iter().map(Variant::from).collect(),
            undetermined: Undetermined::from(&s.undetermined),
            over_time: OverTime::from(&s.over_time),
            before_after: s.before_after.as_ref().map(BeforeAfter::from),
            funnels: s.funnels.iter().map(Funnel::from).collect(),
            skipped: s.skipped.iter().map(Skipped::from).collect(),
            suppressed: s.suppressed.iter().map(group).collect(),
            assumptions: words::assumptions(s),
            cautions: words::CAUTIONS.iter().map(|&c| c.into()).collect(),
            program: concat!("patency ", env!("CARGO_PKG_VERSION")).into(),
            version: env!("CARGO_PKG_VERSION").into(),
            priors: Priors::CAUSES
                .iter()
                .zip(s.settings.priors.shares())
                .map(|(&cause, share)| (cause.into(), share))
                .collect(),
            options: Options::from(&s.settings),
        }
    }
}

impl From<&study::Settings> for Options {
    fn from(s: &study::Settings) -> Self {
        Self {
            group: s.groups.clone(),
            adjust: s.adjust.clone(),
            stratify: s.stratify.clone(),
            by: s.every.word().into(),
            change: s.change.map(|day| day.to_string()),
            smallest_group: s.smallest_group,
            imputations: study::DRAWS,
        }
    }
}

/// The rows by verdicts, then the same with the sites as missing data.
fn rates(s: &study::Survey) -> Vec<Rate> {
    let bounds = || {
        let known = s.expected.bounds.iter();
        known.map(|b| b.map(|(low, high)| Bounds { low, high }))
    };
    let hard = s.rates.iter().zip(bounds()).map(|(r, bounds)| Rate {
        site: words::site_word(r.site).into(),
        group: group(&r.group),
        episodes: Count::Whole(r.episodes),
        hours: r.hours,
        per_1000_h: r.per_1000_h.map(Into::into),
        infusions: r.infusions,
        method: words::method(study::Method::Hard).into(),
        bounds,
    });
    let imputed = s
        .expected
        .rates
        .iter()
        .zip(bounds())
        .map(|(r, bounds)| Rate {
            site: words::site_word(r.site).into(),
            group: group(&r.group),
            episodes: Count::Expected(r.episodes),
            hours: r.hours,
            per_1000_h: r.per_1000_h.map(Into::into),
            infusions: r.infusions,
            method: words::method(study::Method::Imputed).into(),
            bounds,
        });
    hard.chain(imputed).collect()
}

impl Count {
    fn of(events: f64, method: study::Method) -> Self {
        match method {
            study::Method::Hard => Count::Whole(events as u64),
            study::Method::Imputed => Count::Expected(events),
        }
    }
}

impl From<&(study::Group, study::Told)> for Told {
    fn from((of, told): &(study::Group, study::Told)) -> Self {
        Self {
            group: group(of),
            episodes: told.episodes,
            told: told.told,
            filter_changed: told.filter_changed,
        }
    }
}

impl From<&study::ExpectedRatio> for RateRatio {
    fn from(c: &study::ExpectedRatio) -> Self {
        let found = c.ratio.as_ref().ok();
        Self {
            site: "filter".into(),
            group: group(&c.group),
            reference: group(&c.reference),
            value: found.map(|r| r.0.value),
            low: found.map(|r| r.0.low),
            high: found.map(|r| r.0.high),
            p: found.map(|r| r.1),
            method: words::method(study::Method::Imputed).into(),
            reason: c.ratio.as_ref().err().map(|&why| words::no_ratio(why)),
        }
    }
}

impl From<&study::Survival> for Survival {
    fn from(s: &study::Survival) -> Self {
        let steps = s.curve.iter().map(|s| [s.time, s.survival, s.low, s.high]);
        Self {
            group: group(&s.group),
            median_h: s.median_h.value,
            curve: std::iter::once([0.0, 1.0, 1.0, 1.0]).chain(steps).collect(),
            median_low_h: s.median_h.low,
            median_high_h: s.median_h.high,
            filters: s.filters,
            events: Count::of(s.expected_events, s.method),
            method: words::method(s.method).into(),
            at_risk: s.at_risk.clone(),
            thin_from_h: s.thin_from_h,
        }
    }
}

impl From<&study::Effect> for Effect {
    fn from(e: &study::Effect) -> Self {
        let (hazard_ratio, p, log_standard_error, reason) = parts(&e.ratio);
        Self {
            exposure: words::exposure_word(e.measure),
            outcome: e.outcome.word().into(),
            hazard_ratio,
            p,
            events: Count::of(e.events, e.method),
            method: words::method(e.method).into(),
            headline: false,
            reason,
            per: words::per(e.measure).into(),
            log_standard_error,
            filters: e.filters,
            adjusted_for: e.adjusted_for.clone(),
            stratified_by: e.stratified_by.clone(),
            clustered_by: e.clustered.then(|| "infusion".into()),
            proportional_hazards_p: e.proportional.map(|t| (t.hours.p, t.log_hours.p)),
            left_out: e.left_out.clone(),
        }
    }
}

impl From<&study::Comparison> for RateRatio {
    fn from(c: &study::Comparison) -> Self {
        Self {
            site: "filter".into(),
            group: group(&c.group),
            reference: group(&c.reference),
            value: c.ratio.and_then(|r| r.value),
            low: c.ratio.map(|r| r.low),
            high: c.ratio.and_then(|r| r.high),
            p: c.ratio.map(|r| r.p),
            method: words::method(study::Method::Hard).into(),
            reason: None,
        }
    }
}

impl From<&study::GroupTest> for LogRank {
    fn from(t: &study::GroupTest) -> Self {
        let test = t.test.as_ref();
        Self {
            column: t.column.clone(),
            chi_squared: test.map(|t| t.chi_squared),
            df: test.map(|t| t.df),
            p: test.map(|t| t.p),
        }
    }
}

impl From<&study::Incidence> for Incidence {
    fn from(i: &study::Incidence) -> Self {
        Self {
            site: words::site_word(i.site).into(),
            events: i.events,
            curve: i
                .curve
                .iter()
                .map(|s| [s.time, s.incidence, s.low, s.high])
                .collect(),
        }
    }
}

impl From<&study::SelfControlled> for CaseCrossover {
    fn from(c: &study::SelfControlled) -> Self {
        let (odds_ratio, p, _, reason) = parts(&c.ratio);
        Self {
            odds_ratio,
            p,
            reason,
            filters: c.sets,
            control_moments: c.controls,
        }
    }
}

impl From<&study::Variant> for Variant {
    fn from(v: &study::Variant) -> Self {
        let (hazard_ratio, p, _, reason) = parts(&v.effect.ratio);
        Self {
            change: words::change_word(v.change),
            says: words::change(v.change),
            wrong: v.change.is_wrong(),
            why: words::change_reason(v.change).into(),
            hazard_ratio,
            p,
            events: Count::of(v.effect.events, v.effect.method),
            reason,
        }
    }
}

impl From<&study::Undetermined> for Undetermined {
    fn from(u: &study::Undetermined) -> Self {
        Self {
            episodes: u.episodes,
            infusions: u.infusions,
            filter_rate_if_none: u.none_filter.per_1000_h.map(Into::into),
            filter_rate_if_all: u.all_filter.per_1000_h.map(Into::into),
        }
    }
}

impl From<&Result<study::OverTime, study::NoChart>> for OverTime {
    fn from(charts: &Result<study::OverTime, study::NoChart>) -> Self {
        match charts {
            Ok(charts) => Self {
                every: Some(charts.every.word().into()),
                centre_per_1000_h: Some(charts.centre_per_1000_h),
                centre_from: Some(
                    if charts.baseline_before_change {
                        "before the change"
                    } else {
                        "all periods"
                    }
                    .into(),
                ),
                periods: charts.periods.iter().map(Period::from).collect(),
                reason: None,
            },
            Err(why) => Self {
                every: None,
                centre_per_1000_h: None,
                centre_from: None,
                periods: Vec::new(),
                reason: Some(words::no_chart(*why).into()),
            },
        }
    }
}

impl From<&study::Period> for Period {
    fn from(p: &study::Period) -> Self {
        Self {
            first_day: p.first_day.to_string(),
            episodes: p.episodes,
            filter_hours: p.filter_hours,
            per_1000_h: p.point.map(|x| x.rate),
            low: p.point.map(|x| x.low),
            high: p.point.map(|x| x.high),
            rules: p
                .rules
                .iter()
                .map(|&r| words::rule_word(r).into())
                .collect(),
            ewma: p.ewma.value,
            ewma_low: p.ewma.low,
            ewma_high: p.ewma.high,
            cusum_high: p.cusum.high,
            cusum_low: p.cusum.low,
        }
    }
}

impl From<&Result<study::BeforeAfter, study::NoComparison>> for BeforeAfter {
    fn from(result: &Result<study::BeforeAfter, study::NoComparison>) -> Self {
        let found = result.as_ref().ok();
        Self {
            change: found.map(|b| b.change.to_string()),
            step_ratio: found.map(|b| b.step.into()),
            step_p: found.map(|b| b.step_p),
            yearly_trend_ratio: found.map(|b| b.trend.into()),
            yearly_trend_p: found.map(|b| b.trend_p),
            dispersion: found.map(|b| b.dispersion),
            dispersion_p: found.map(|b| b.dispersion_p),
            reason: result.as_ref().err().map(|&why| words::no_comparison(why)),
        }
    }
}

impl From<&study::Funnel> for Funnel {
    fn from(f: &study::Funnel) -> Self {
        let point = |p: &study::FunnelPoint| FunnelPoint {
            group: group(&p.group),
            episodes: p.episodes,
            hours: p.hours,
            per_1000_h: p.per_1000_h,
            limits_95: p.limits_95,
            limits_99_8: p.limits_998,
        };
        Self {
            column: f.column.clone(),
            target_per_1000_h: f.target_per_1000_h,
            points: f.points.iter().map(point).collect(),
        }
    }
}

impl From<&study::Skipped> for Skipped {
    fn from(s: &study::Skipped) -> Self {
        Self {
            infusion: s.infusion.clone(),
            reason: s.reason.clone(),
        }
    }
}
