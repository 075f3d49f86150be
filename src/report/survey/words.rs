//! The sentences of a survey: what each figure means, and what it does not.

use crate::infer::Site;
use crate::report::words::{bare, count};
use crate::study::{
    Change, Group, Measure, Method, NoChart, NoComparison, NoFit, NoPoissonFit, NoRatio, PauseRule,
    Rule, Survey, Undetermined,
};

/// The contract's word for a rate's site.
pub fn site_word(site: Option<Site>) -> &'static str {
    site.map_or("undetermined", Site::word)
}

/// A group for a table: `unit north, fluid lipid`; `all infusions` for all.
pub fn group(group: &Group) -> String {
    if group.is_all() {
        return "all infusions".into();
    }
    let values = group
        .values
        .iter()
        .map(|(column, value)| match value.as_str() {
            "" => format!("{column} not given"),
            value => format!("{column} {value}"),
        });
    values.collect::<Vec<_>>().join(", ")
}

/// A fixed word for what was measured.
pub fn exposure_word(measure: Measure) -> String {
    match measure {
        Measure::Pauses(rule) => pauses_word(rule),
        Measure::PausesBeforeVisible(rule) => format!("{}_before_visible", pauses_word(rule)),
        Measure::PauseLevel { pauses, or_more } => {
            format!(
                "pauses_in_last_6_h{}{pauses}",
                if or_more { ">=" } else { "=" }
            )
        }
        Measure::PausedHours => "paused_minutes_in_last_6_h".into(),
        Measure::LongestPauseHours => "longest_pause_minutes_in_last_6_h".into(),
        Measure::LastPauseEnded { from_h, to_h } => {
            format!("last_pause_ended_{from_h}_to_{to_h}_h_ago")
        }
    }
}

fn pauses_word(rule: PauseRule) -> String {
    let shortest = match rule.at_least_s {
        s if s == PauseRule::CONTRACT.at_least_s => String::new(),
        s => format!("_of_{}_min", s / 60.0),
    };
    let lag = match rule.lag_h {
        0.0 => String::new(),
        h => format!("_until_{h}_h_before"),
    };
    format!("pauses{shortest}_in_last_{}_h{lag}", rule.window_h)
}

/// What the ratio is for.
pub fn per(measure: Measure) -> &'static str {
    match measure {
        Measure::Pauses(_) | Measure::PausesBeforeVisible(_) => "pause",
        Measure::PausedHours | Measure::LongestPauseHours => "60 minutes",
        Measure::PauseLevel { .. } => "against no pause in the last 6 h",
        Measure::LastPauseEnded { .. } => "against none that ended within 6 h",
    }
}

/// What was measured, for a table.
pub fn exposure(measure: Measure) -> String {
    match measure {
        Measure::Pauses(_) => "each pause in the last 6 h".into(),
        Measure::PausesBeforeVisible(PauseRule { lag_h: 0.0, .. }) => {
            "each pause in the 6 h before the episode was visible".into()
        }
        Measure::PausesBeforeVisible(PauseRule {
            lag_h, window_h, ..
        }) => format!(
            "each pause between {} h and {} h before the episode was visible",
            bare(lag_h + window_h),
            bare(lag_h)
        ),
        Measure::PauseLevel { pauses, or_more } => {
            let more = if or_more { " or more" } else { "" };
            format!("{pauses}{more} in the last 6 h")
        }
        Measure::PausedHours => "each hour paused in the last 6 h".into(),
        Measure::LongestPauseHours => "each hour of the longest pause of the last 6 h".into(),
        Measure::LastPauseEnded { from_h: 0.0, to_h } => {
            format!("paused now, or last pause ended within {to_h} h")
        }
        Measure::LastPauseEnded { from_h, to_h } => {
            format!("last pause ended {from_h} to {to_h} h ago")
        }
    }
}

/// `unit=north` as it reads in a sentence.
pub fn level(coded: &str) -> String {
    match coded.split_once('=') {
        Some((column, "")) => format!("{column} not given"),
        Some((column, value)) => format!("{column} {value}"),
        None => coded.into(),
    }
}

/// Why there is no hazard ratio.
pub fn no_fit(why: NoFit) -> &'static str {
    match why {
        NoFit::NoEvents => "No filter onset was found: there is nothing to explain.",
        NoFit::NoVariation { .. } => {
            "All filters at risk had the same value whenever an onset came: there is nothing to compare."
        }
        NoFit::Separation { .. } => {
            "Every onset came at the highest (or every one at the lowest) value among the filters at risk, so the ratio \
             has no bound; more onsets are needed."
        }
        NoFit::Collinear => "Two of the columns say the same thing; leave one of them out.",
        NoFit::NotConverged => "The estimate could not be found.",
    }
}

/// A fixed word for what counts as a filter's onset.
pub fn method(method: Method) -> &'static str {
    match method {
        Method::Hard => "hard",
        Method::Imputed => "imputed",
    }
}

/// Why two groups are not compared.
pub fn no_ratio(why: NoRatio) -> String {
    let percent = |share: f64| bare((share * 100.0).round());
    match why {
        NoRatio::TooFew => "Too few expected onsets in one of the groups for a ratio.".into(),
        NoRatio::ToldUnlike { told, reference } => format!(
            "Not compared: the site was determined in {} % of the group's episodes and in {} % of the reference's, so the \
             difference may come from how often staff changed filters.",
            percent(told),
            percent(reference)
        ),
    }
}

/// Why there is no Poisson regression.
pub fn no_poisson_fit(why: NoPoissonFit) -> &'static str {
    match why {
        NoPoissonFit::TooFewCounts => "There are too few periods.",
        NoPoissonFit::NoEvents => "No filter onset was found.",
        NoPoissonFit::Separation => "One side has no filter onset, so the ratio has no bound.",
        NoPoissonFit::Collinear => "The periods do not let step and trend be told apart.",
    }
}

/// Why there is no chart over time.
pub fn no_chart(why: NoChart) -> &'static str {
    match why {
        NoChart::NoDates => {
            "Some records have no dates (their times are seconds from the start), so there are no months to chart."
        }
        NoChart::NoEvents => {
            "No filter onset was found: chance has no size to compare months with."
        }
    }
}

/// Why there is no comparison before and after.
pub fn no_comparison(why: NoComparison) -> String {
    match why {
        NoComparison::TooFewPeriods => format!(
            "Fewer than {} whole periods with filters at risk lie on one side of the change.",
            crate::study::LEAST_PERIODS
        ),
        NoComparison::Model(why) => no_poisson_fit(why).into(),
    }
}

/// A run rule, as it reads beside a point.
pub fn rule(rule: Rule) -> &'static str {
    match rule {
        Rule::BeyondThreeSigma => "beyond 3 standard deviations",
        Rule::TwoOfThreeBeyondTwoSigma => "2 of the last 3 beyond 2 standard deviations",
        Rule::FourOfFiveBeyondOneSigma => "4 of the last 5 beyond 1 standard deviation",
        Rule::EightOnOneSide => "8 in a row on one side",
    }
}

/// A fixed word for a run rule.
pub fn rule_word(rule: Rule) -> &'static str {
    match rule {
        Rule::BeyondThreeSigma => "beyond-3-sigma",
        Rule::TwoOfThreeBeyondTwoSigma => "2-of-3-beyond-2-sigma",
        Rule::FourOfFiveBeyondOneSigma => "4-of-5-beyond-1-sigma",
        Rule::EightOnOneSide => "8-on-one-side",
    }
}

/// What a row of the sensitivity table did differently.
pub fn change(change: Change) -> String {
    match change {
        Change::Contract => {
            "as defined: pauses of at least 1 min in the last 6 h, event at the onset".into()
        }
        Change::Window { hours } => format!("pauses of the last {} h", bare(hours)),
        Change::AtLeast { seconds } => {
            format!("only pauses of at least {} min", bare(seconds / 60.0))
        }
        Change::Lag { hours } => {
            format!(
                "pauses of the last {} h before each moment left out",
                bare(hours)
            )
        }
        Change::EarlyOnset => "each onset at the lower end of its interval".into(),
        Change::WholeWindowSeen => "filters from 6 h under observation on".into(),
        Change::UndeterminedCount => "undetermined episodes counted as the filter’s".into(),
        Change::HighConfidenceOnly => "only filter verdicts of high confidence".into(),
        Change::AlarmStopsCount => "WRONG: stops caused by an alarm counted as pauses".into(),
        Change::DatedAtAlarm => {
            "WRONG: event dated at the occlusion alarm, the stop it caused counted as a pause"
                .into()
        }
    }
}

/// The same in few words, for a picture.
pub fn change_short(change: Change) -> String {
    match change {
        Change::Contract => "as defined (6 h, 1 min)".into(),
        Change::Window { hours } => format!("pauses of the last {} h", bare(hours)),
        Change::AtLeast { seconds } => format!("pauses of at least {} min", bare(seconds / 60.0)),
        Change::Lag { hours } => format!("last {} h left out", bare(hours)),
        Change::EarlyOnset => "onset at its earliest".into(),
        Change::WholeWindowSeen => "from 6 h observed on".into(),
        Change::UndeterminedCount => "undetermined counted".into(),
        Change::HighConfidenceOnly => "high confidence only".into(),
        Change::AlarmStopsCount => "WRONG: alarm stops counted".into(),
        Change::DatedAtAlarm => "WRONG: dated at the alarm".into(),
    }
}

/// A fixed word for a row of the sensitivity table.
pub fn change_word(change: Change) -> String {
    match change {
        Change::Contract => "as-defined".into(),
        Change::Window { hours } => format!("window-{hours}-h"),
        Change::AtLeast { seconds } => format!("at-least-{}-min", seconds / 60.0),
        Change::Lag { hours } => format!("lag-{hours}-h"),
        Change::EarlyOnset => "onset-early".into(),
        Change::WholeWindowSeen => "whole-window-seen".into(),
        Change::UndeterminedCount => "undetermined-count".into(),
        Change::HighConfidenceOnly => "high-confidence-only".into(),
        Change::AlarmStopsCount => "alarm-stops-count".into(),
        Change::DatedAtAlarm => "dated-at-alarm".into(),
    }
}

/// Why a row is there, or why it is wrong.
pub fn change_reason(change: Change) -> &'static str {
    match change {
        Change::Contract => "The definition of this report.",
        Change::Window { .. } => "How long a pause matters is not known.",
        Change::AtLeast { .. } => "If what settles in a pause matters, long pauses matter more.",
        Change::Lag { .. } => {
            "Staff may pause because pressure is rising. If the ratio falls towards 1 here, the pauses may be a response."
        }
        Change::EarlyOnset => {
            "A gradual onset has no sharp moment; this shows how much the result depends on it."
        }
        Change::WholeWindowSeen => {
            "Pauses before a record began are not known; here no window reaches back beyond it."
        }
        Change::UndeterminedCount => "Some undetermined episodes will have been the filter’s.",
        Change::HighConfidenceOnly => "Verdicts that are wrong draw the ratio towards 1.",
        Change::AlarmStopsCount => {
            "An alarm stops the pump: such a stop may be the effect of the very obstruction that it is said to cause. \
             Not to be used."
        }
        Change::DatedAtAlarm => {
            "The alarm comes after the onset and stops the pump, so every event is preceded by its own effect. A \
             spreadsheet that lists alarms and stops makes this mistake. Not to be used."
        }
    }
}

/// Two figures that frame what the undetermined episodes leave open.
pub fn undetermined(u: &Undetermined) -> String {
    if u.episodes == 0 {
        return "No episode was left undetermined.".into();
    }
    let rate = |r: &crate::study::Rate| match r.per_1000_h {
        Some(e) => format!(
            "{} per 1,000 h ({} to {})",
            bare(e.value),
            bare(e.low),
            bare(e.high)
        ),
        None => "no rate".into(),
    };
    format!(
        "{} in {} could not be told apart by site. If none of them was the filter’s, the filter rate is {}; if all were, {}.",
        count(u.episodes as u64, "episode", "episodes"),
        count(u.infusions as u64, "infusion", "infusions"),
        rate(&u.none_filter),
        rate(&u.all_filter),
    )
}

/// What was left out of the filters at risk, and what was taken for granted.
pub fn assumptions(survey: &Survey) -> Vec<String> {
    let at_risk = &survey.at_risk;
    let mut said = vec![
        "A filter's clock starts when it was placed, by the line file or a filter change, else when its record starts; \
         pauses count as time."
            .to_string(),
        "A filter placed before its record began counts as at risk from the record's start on only; its pauses before \
         that are not known."
            .to_string(),
    ];
    let infusions = |n: usize| count(n as u64, "infusion", "infusions");
    if 0 < at_risk.without_filter {
        said.push(format!(
            "{} had no filter, by the line file.",
            infusions(at_risk.without_filter)
        ));
    }
    if 0 < at_risk.placed_late {
        said.push(format!(
            "In {} the line file dates the filter after the record's start; what ran before through another filter of \
             unknown age is not counted.",
            infusions(at_risk.placed_late)
        ));
    }
    if 0 < at_risk.blocked_at_entry {
        said.push(format!(
            "{} had its onset before or as it came under observation, and is not counted.",
            count(at_risk.blocked_at_entry as u64, "filter", "filters")
        ));
    }
    if !survey.skipped.is_empty() {
        said.push(format!(
            "{} could not be used (listed with the reason); what is missing may tilt every figure.",
            infusions(survey.skipped.len())
        ));
    }
    let by_line_file = |g: &&Group| g.values.iter().any(|v| v.0.eq_ignore_ascii_case("line"));
    let names: Vec<String> = survey
        .suppressed
        .iter()
        .filter(|g| !by_line_file(g))
        .map(group)
        .collect();
    if !names.is_empty() {
        said.push(format!("Groups left out for being small, or because a small one could be worked out from them: {}.", names.join("; ")));
    }
    said
}

/// To be read with every survey.
pub const CAUTIONS: &[&str] = &[
    "Retrospective analysis of exported logs; not for alarm decisions.",
    "An association is not a cause: wards, fluids and patients differ, and staff may pause because pressure is rising.",
    "Sites are the program’s suggestions, each with its own uncertainty; wrong ones move the rates and draw ratios towards 1.",
    "Never flush against resistance. Relief frees a bolus.",
    "A filter is replaced after the other causes are reviewed; local protocol and licensed practice decide.",
    "Pressure is not a reliable sign of infiltration: a low rate of episodes does not show that none occurred.",
];

/// What each part of the page means, and what it does not.
pub mod meaning {
    /// Rates.
    pub const RATES: &str = "Each episode counts for every site by the probability that it was there; probabilities are updated \
        with the shares in these records. The filter rate counts the first onset of each filter over the hours in which \
        filters were at risk; other rates count all episodes over the infusions’ hours. The 95 % interval holds chance, the \
        uncertainty of the sites, and differences between infusions (multiple imputation). It does not \
        allow for reviews that are wrong in the same direction throughout. “Determined” counts only episodes whose site the \
        record could tell; the last column is the rate if none, or all, of the undetermined ones were of that site.";
    /// Ratios between groups.
    pub const RATIOS: &str = "Where the site was determined much more often in one group than in the other (for instance \
        because its filters are changed more often), the two are not compared. A ratio of 2 means twice the rate of the group with the most hours. Groups differ in more than \
        the column says: a ratio does not show that the column is the reason.";
    /// Survival.
    pub const SURVIVAL: &str = "The curve is the share of filters that had no onset so far, if none were taken out for \
        another reason (Kaplan–Meier; a filter placed before its record counts only from the record’s start). The band is its \
        95 % interval. Where few filters are at risk (hatched: fewer than ten) it says little.";
    /// Groups of survival.
    pub const SURVIVAL_GROUPS: &str = "The log-rank test asks whether chance alone would make curves differ this much. It \
        does not say why they differ.";
    /// Cumulative incidence.
    pub const INCIDENCE: &str = "Each curve is the probability that the first thing to hinder the flow since the filter was \
        placed came at that site (Aalen–Johansen). The first one shuts out the others, so the curves add up to at most 1. In \
        brackets: how many.";
    /// Pauses.
    pub const PAUSES: &str = "Onsets count by the probability that the filter was the site (multiple imputation with pauses in \
        the imputation model, Rubin’s rules). The first result counts pauses before the record showed the episode; in further rows \
        all pauses lie 1, 2, 4 or 6 h earlier. If staff paused because they saw pressure rise before that, no row can correct it. The hazard ratio compares filters of the same age: 1.2 means that with each pause of the line in \
        the last 6 h an onset comes 1.2 times as often. Only pauses of at least a minute count that no alarm caused and that \
        began before the onset, since an alarm’s own stop is an effect, not a cause. A ratio above 1 does not show that pauses \
        block filters, nor one near 1 that they do not.";
    /// Dose and response.
    pub const DOSE: &str = "If pauses mattered, more of them should matter more. Each row compares with filters that had no \
        pause in the last 6 h.";
    /// Self-controlled.
    pub const SELF_CONTROLLED: &str = "Each filter with an onset is compared with itself 6, 12, … hours earlier, so whatever \
        stays the same about patient, line and ward cannot mislead. A hazard that simply rises with the filter’s age can, and \
        so can pauses that become more frequent.";
    /// Sensitivity.
    pub const SENSITIVITY: &str = "The same question with other choices. If the answer depends on one of them, do not \
        rely on it. The last two rows (broken lines) show common mistakes; they are here to be recognised, not used.";
    /// Proportional hazards.
    pub const PROPORTIONAL: &str = "A small p here (below 0.05) says that the ratio changes with the filter’s age, so that one \
        figure does not describe it.";
    /// Charts.
    pub const OVER_TIME: &str = "Each point is a period’s rate, each box what chance makes likely given that period’s hours \
        (3 standard deviations). A circled point breaks one of the run rules (one beyond 3, two of three beyond 2, four of five \
        beyond 1 standard deviation, eight in a row on one side) and is worth a question, not proof of a change. Below, the \
        moving average shows slow shifts. Formulae and rules: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.";
    /// Cumulative sums.
    pub const CUSUM: &str = "What gathers beyond half a standard deviation above the centre (up) and below it (down); beyond \
        the dashed lines at 5 the rate has probably shifted.";
    /// Before and after.
    pub const BEFORE_AFTER: &str = "The step compares the rate just after the change with what the course before leads one to \
        expect (segmented Poisson regression; intervals widened where periods differ more than chance makes them). Anything \
        else that changed at the same time is in it too.";
    /// Funnel.
    pub const FUNNEL: &str = "Small groups vary more by chance: inside the funnel a group’s rate is what chance makes of the \
        overall one. Beyond the outer lines (red, 99.8 %) chance is an unlikely reason; patients, fluids and lines may be one.";
}
