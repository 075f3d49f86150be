//! The survey as one page, in the look of the review's: self-contained, readable without scripts, the answer first.

use super::text::{headline, interval, p_value, pauses};
use super::words::{self, meaning};
use crate::infer::Site;
use crate::report::draw::survey as pictures;
use crate::report::page::{Figure, figure};
use crate::report::words::survey_page as w;
use crate::report::words::{bare, count, list, significant};
use crate::study::{
    Effect, ExpectedRate, ExpectedRatio, Group, Method, NoFit, NoRatio, Rate, Survey, Survival,
};
use askama::Template;
use jiff::civil::Date;

/// Most rows of a table on the page; survey.json and the tables have all.
const MOST_ROWS: usize = 60;

#[derive(Template)]
#[template(path = "page.html", config = "src/report/survey/askama.toml")]
struct Page<'a> {
    style: &'static str,
    headline: String,
    pauses: String,
    counted: String,
    cautions: &'static [&'static str],
    sites: Vec<[String; 5]>,
    undetermined: String,
    not_compared: Vec<String>,
    groups: Vec<GroupView>,
    groups_left: usize,
    survival: Option<Figure>,
    median: String,
    survival_groups: Vec<(String, Figure, String)>,
    incidence: Option<Figure>,
    effects: Vec<[String; 4]>,
    proportional: Option<String>,
    dose: Option<Figure>,
    self_controlled: String,
    sensitivity: Option<Figure>,
    variants: Vec<[String; 3]>,
    charts: Option<(Figure, Figure)>,
    centre: String,
    no_charts: Option<&'static str>,
    signals: Vec<[String; 3]>,
    before_after: Option<Vec<String>>,
    funnels: Vec<(String, Figure)>,
    skipped: &'a [crate::study::Skipped],
    assumptions: Vec<String>,
    version: &'static str,
}

/// Rates of one column's groups.
struct GroupView {
    column: String,
    picture: Option<Figure>,
    rows: Vec<[String; 6]>,
}

/// The page, as one HTML document. `change` is the day of the change of practice, if one was asked about.
pub fn survey_html(survey: &Survey, change: Option<Date>) -> String {
    let all = survey.expected.survival.first();
    let (groups, groups_left) = group_views(survey);
    let charts = survey.over_time.as_ref().ok();
    let page = Page {
        style: include_str!("../page/page.css"),
        headline: headline(survey),
        pauses: pauses(survey),
        counted: counted(survey),
        cautions: words::CAUTIONS,
        sites: rows(survey)
            .filter(|r| r.0.group.is_all())
            .map(site_row)
            .collect(),
        undetermined: words::undetermined(&survey.undetermined),
        not_compared: not_compared(survey),
        groups,
        groups_left,
        survival: figure(
            "survival",
            "Share of filters without an onset by hours since they were placed",
            |w| pictures::survival(&[all?], w),
        ),
        median: all.map(median).unwrap_or_default(),
        survival_groups: survival_groups(survey),
        incidence: figure(
            "incidence",
            "Probability of the first hindrance by site and hours since the filter was placed",
            |w| pictures::incidence(&survey.incidence, w),
        ),
        effects: survey
            .expected
            .effects
            .iter()
            .chain(survey.effects.first())
            .map(effect_row)
            .collect(),
        proportional: survey.effects.first().and_then(proportional),
        dose: figure(
            "dose",
            "Hazard ratio by number of pauses in the last 6 hours",
            |w| {
                pictures::ratios(
                    &effect_bars(&survey.dose_response),
                    "hazard ratio against no pause in the last 6 h",
                    w,
                )
            },
        ),
        self_controlled: self_controlled(survey),
        sensitivity: figure(
            "sensitivity",
            "Hazard ratio per pause under other choices",
            |w| pictures::ratios(&variant_bars(survey), "hazard ratio for each pause", w),
        ),
        variants: survey
            .sensitivity
            .iter()
            .map(|v| {
                [
                    words::change(v.change),
                    ratio_text(&v.effect),
                    words::change_reason(v.change).into(),
                ]
            })
            .collect(),
        charts: charts.and_then(|c| {
            let monthly = figure(
                "monthly",
                "Filter onsets per 1,000 filter hours by period",
                |w| Some(pictures::monthly(c, change, w)),
            );
            let cusum = figure("cusum", "Cumulative sums by period", |w| {
                Some(pictures::cumulative(c, change, w))
            });
            monthly.zip(cusum)
        }),
        centre: charts.map(centre).unwrap_or_default(),
        no_charts: survey
            .over_time
            .as_ref()
            .err()
            .map(|&why| words::no_chart(why)),
        signals: charts.map(signals).unwrap_or_default(),
        before_after: survey.before_after.as_ref().map(before_after),
        funnels: survey
            .funnels
            .iter()
            .enumerate()
            .filter_map(|(i, f)| {
                let title = format!("Filter onset rate of each {} against its hours", f.column);
                Some((
                    f.column.clone(),
                    figure(&format!("funnel-{i}"), &title, |w| {
                        Some(pictures::funnel(f, w))
                    })?,
                ))
            })
            .collect(),
        skipped: &survey.skipped,
        assumptions: words::assumptions(survey),
        version: env!("CARGO_PKG_VERSION"),
    };
    // Writing into a string cannot fail.
    page.render().unwrap_or_default()
}

fn counted(survey: &Survey) -> String {
    format!(
        "{}, {} at risk for {} h.",
        count(survey.infusions as u64, "infusion", "infusions"),
        count(survey.at_risk.filters.len() as u64, "filter", "filters"),
        significant(survey.at_risk.hours(), 4)
    )
}

/// Comparisons of groups that are refused since sites were told in unlike shares: said before any figure.
fn not_compared(survey: &Survey) -> Vec<String> {
    let refused = survey.expected.ratios.iter().filter(|r| !is_line(&r.group));
    let says = |r: &ExpectedRatio| match r.ratio {
        Err(why @ NoRatio::ToldUnlike { .. }) => Some(format!(
            "{} and {}: {}",
            words::group(&r.group),
            words::group(&r.reference),
            words::no_ratio(why)
        )),
        _ => None,
    };
    refused.filter_map(says).take(MOST_ROWS).collect()
}

fn per_1000(rate: &ExpectedRate) -> String {
    match rate.per_1000_h {
        Some(e) => format!("{} ({} to {})", bare(e.value), bare(e.low), bare(e.high)),
        None => "no time at risk".into(),
    }
}

/// A rate by verdicts, with its sites as missing data, and its bounds.
type RateRow<'a> = (&'a Rate, &'a ExpectedRate, Option<(f64, f64)>);

fn rows(survey: &Survey) -> impl Iterator<Item = RateRow<'_>> {
    let known = survey.rates.iter().zip(&survey.expected.rates);
    known
        .zip(&survey.expected.bounds)
        .map(|((hard, expected), &bounds)| (hard, expected, bounds))
}

fn site_row((hard, expected, bounds): RateRow) -> [String; 5] {
    let (likely, rate) = match hard.site {
        Some(_) => (significant(expected.episodes, 3), per_1000(expected)),
        None => ("counted above".into(), String::new()),
    };
    [
        words::site_word(hard.site).into(),
        hard.episodes.to_string(),
        format!("{likely} in {} h", significant(expected.hours, 4)),
        rate,
        bounds.map_or_else(String::new, |(low, high)| {
            format!("{} to {}", bare(low), bare(high))
        }),
    ]
}

/// The columns of a group, as one name.
fn columns_of(group: &Group) -> String {
    group
        .values
        .iter()
        .map(|v| v.0.as_str())
        .collect::<Vec<_>>()
        .join(", ")
}

fn is_line(group: &Group) -> bool {
    group
        .values
        .iter()
        .any(|v| v.0.eq_ignore_ascii_case("line"))
}

fn group_views(survey: &Survey) -> (Vec<GroupView>, usize) {
    let rates: Vec<RateRow> = rows(survey)
        .filter(|(r, ..)| r.site == Some(Site::Filter) && !r.group.is_all() && !is_line(&r.group))
        .collect();
    let ratio = |r: &Rate| {
        let found = survey.expected.ratios.iter().find(|c| c.group == r.group);
        match found.map(|f| f.ratio) {
            None => ("reference".to_string(), String::new()),
            Some(Ok((ratio, p))) => (interval(ratio), p_value(p)),
            Some(Err(why)) => (words::no_ratio(why), String::new()),
        }
    };
    let told = |r: &Rate| {
        let found = survey.expected.told.iter().find(|t| t.0 == r.group);
        found
            .and_then(|t| t.1.share())
            .map_or("no episode".into(), |share| {
                format!("{} %", bare((share * 100.0).round()))
            })
    };
    let mut views: Vec<GroupView> = Vec::new();
    for same in rates.chunk_by(|a, b| columns_of(&a.0.group) == columns_of(&b.0.group)) {
        let Some(column) = same.first().map(|r| columns_of(&r.0.group)) else {
            continue;
        };
        let bars: Vec<pictures::Bar> = same
            .iter()
            .take(24)
            .map(|(hard, expected, _)| pictures::Bar {
                label: words::group(&hard.group),
                estimate: expected.per_1000_h,
                says: per_1000(expected),
                wrong: false,
            })
            .collect();
        let title = format!("Filter onset rate by {column}");
        let row = |(hard, expected, _): &RateRow| {
            let (ratio, p) = ratio(hard);
            let seen = format!(
                "{} in {} h, {} determined",
                significant(expected.episodes, 3),
                significant(expected.hours, 4),
                hard.episodes
            );
            [
                words::group(&hard.group),
                seen,
                per_1000(expected),
                told(hard),
                ratio,
                p,
            ]
        };
        views.push(GroupView {
            picture: figure(&format!("groups-{}", views.len()), &title, |w| {
                pictures::rates(&bars, "filter onsets per 1,000 filter hours", w)
            }),
            rows: same.iter().take(MOST_ROWS).map(row).collect(),
            column,
        });
    }
    let shown: usize = views.iter().map(|v| v.rows.len()).sum();
    (views, rates.len() - shown)
}

fn median(curve: &Survival) -> String {
    let hours =
        |h: Option<f64>| h.map_or("not reached".into(), |h| format!("{} h", significant(h, 3)));
    match curve.median_h.value {
        Some(m) => format!(
            "Half of the filters had an onset within {} h (95 % interval {} to {}).",
            significant(m, 3),
            hours(curve.median_h.low),
            hours(curve.median_h.high)
        ),
        None => "Fewer than half of the filters had an onset while they were observed: the median is not reached.".into(),
    }
}

fn survival_groups(survey: &Survey) -> Vec<(String, Figure, String)> {
    let by_column = |column: &str| -> Vec<&Survival> {
        survey
            .expected
            .survival
            .iter()
            .filter(|s| columns_of(&s.group) == column && 0 < s.filters)
            .collect()
    };
    let view = |(i, test): (usize, &crate::study::GroupTest)| {
        let curves = by_column(&test.column);
        let title = format!("Filters without an onset, by {}", test.column);
        let says = match &test.test {
            Some(t) => format!(
                "Log-rank test: {} (chi-squared {}, {} df).",
                p_value(t.p),
                significant(t.chi_squared, 3),
                t.df
            ),
            None => "The groups cannot be compared: no onset, or never at risk together.".into(),
        };
        let drawn = figure(&format!("survival-{i}"), &title, |w| {
            pictures::survival(&curves, w)
        })?;
        (1 < curves.len()).then_some((test.column.clone(), drawn, says))
    };
    survey
        .group_tests
        .iter()
        .enumerate()
        .filter_map(view)
        .collect()
}

fn ratio_text(effect: &Effect) -> String {
    match &effect.ratio {
        Ok(r) => interval(r.ratio),
        Err(why) => no_ratio(*why).into(),
    }
}

/// Why there is no ratio, in a few words.
fn no_ratio(why: NoFit) -> &'static str {
    match why {
        NoFit::NoEvents => "no onset",
        NoFit::NoVariation { .. } => "all alike",
        NoFit::Separation { .. } => "no bound",
        NoFit::Collinear => "columns say the same",
        NoFit::NotConverged => "not found",
    }
}

fn effect_row(effect: &Effect) -> [String; 4] {
    let mut how = Vec::new();
    if effect.method == Method::Hard {
        how.push("only episodes determined as the filter’s".into());
    }
    if effect.outcome != Site::Filter {
        how.push(format!(
            "control: episodes of the site {}",
            effect.outcome.word()
        ));
    }
    if !effect.adjusted_for.is_empty() {
        how.push(format!("adjusted for {}", in_words(&effect.adjusted_for)));
    }
    if !effect.stratified_by.is_empty() {
        how.push(format!("within {}", list(&effect.stratified_by)));
    }
    if effect.clustered {
        how.push("allowing for several filters of one infusion".into());
    }
    if !effect.left_out.is_empty() {
        how.push(format!(
            "without {} (no onset or no value there)",
            in_words(&effect.left_out)
        ));
    }
    let p = effect
        .ratio
        .as_ref()
        .map_or_else(|_| String::new(), |r| p_value(r.p));
    let ratio = match &effect.ratio {
        Ok(r) => interval(r.ratio),
        Err(why) => words::no_fit(*why).into(),
    };
    [words::exposure(effect.measure), how.join("; "), ratio, p]
}

/// Coded levels as a list to read.
fn in_words(coded: &[String]) -> String {
    list(&coded.iter().map(|c| words::level(c)).collect::<Vec<_>>())
}

fn proportional(effect: &Effect) -> Option<String> {
    let checked = effect.proportional?;
    Some(format!(
        "Does the ratio stay the same as the filter ages? {} against hours, {} against their logarithm.",
        p_value(checked.hours.p),
        p_value(checked.log_hours.p)
    ))
}

fn effect_bars(effects: &[Effect]) -> Vec<pictures::Bar> {
    let bar = |e: &Effect| pictures::Bar {
        label: words::exposure(e.measure),
        estimate: e.ratio.as_ref().ok().map(|r| r.ratio),
        says: ratio_text(e),
        wrong: false,
    };
    effects.iter().map(bar).collect()
}

fn variant_bars(survey: &Survey) -> Vec<pictures::Bar> {
    let bar = |v: &crate::study::Variant| pictures::Bar {
        label: words::change_short(v.change),
        estimate: v.effect.ratio.as_ref().ok().map(|r| r.ratio),
        says: ratio_text(&v.effect),
        wrong: v.change.is_wrong(),
    };
    survey.sensitivity.iter().map(bar).collect()
}

fn self_controlled(survey: &Survey) -> String {
    let found = &survey.self_controlled;
    let behind = format!(
        "{} with an onset, {}",
        count(found.sets as u64, "filter", "filters"),
        count(found.controls as u64, "earlier moment", "earlier moments")
    );
    match &found.ratio {
        Ok(r) => format!(
            "Odds ratio {} for each pause, {}, from {behind}.",
            interval(r.ratio),
            p_value(r.p)
        ),
        Err(why) => format!("No odds ratio: {} ({behind}).", no_ratio(*why)),
    }
}

fn centre(charts: &crate::study::OverTime) -> String {
    let from = if charts.baseline_before_change {
        "the periods before the change"
    } else {
        "all periods"
    };
    format!(
        "Centre line: {} per 1,000 h, from {from}.",
        bare(charts.centre_per_1000_h)
    )
}

fn signals(charts: &crate::study::OverTime) -> Vec<[String; 3]> {
    let broken = charts.periods.iter().filter(|p| !p.rules.is_empty());
    broken
        .map(|p| {
            let rules: Vec<String> = p.rules.iter().map(|&r| words::rule(r).into()).collect();
            let rate = p.point.map_or(String::new(), |u| bare(u.rate));
            [p.first_day.to_string(), rate, rules.join("; ")]
        })
        .collect()
}

/// A trend whose limits lie further apart than this is not worth its figures.
const TREND_KNOWN: f64 = 1e4;

fn trend(b: &crate::study::BeforeAfter) -> String {
    if b.trend.high <= TREND_KNOWN * b.trend.low {
        let (ratio, p) = (interval(b.trend), p_value(b.trend_p));
        format!("Yearly trend × {ratio} after the change, {p}.")
    } else {
        "How the rate went on after the change cannot be told from so few or so short periods."
            .into()
    }
}

fn before_after(
    result: &Result<crate::study::BeforeAfter, crate::study::NoComparison>,
) -> Vec<String> {
    match result {
        Err(why) => vec![words::no_comparison(*why)],
        Ok(b) => {
            let spread = if b.dispersion_p < 0.05 {
                "Periods differ more than chance makes them; the intervals are widened for it."
            } else {
                "Periods differ no more than chance makes them."
            };
            vec![
                format!(
                    "Change on {}: rate just after it × {}, {}.",
                    b.change,
                    interval(b.step),
                    p_value(b.step_p)
                ),
                trend(b),
                format!(
                    "Dispersion {} ({}). {spread}",
                    significant(b.dispersion, 2),
                    p_value(b.dispersion_p)
                ),
            ]
        }
    }
}
