//! The causes of a scenario's episodes: what goes wrong, where, and how strongly.

use super::{Answer, yes};
use serde::Deserialize;

/// One thing that goes wrong.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Episode {
    /// When it begins, h from the start. A gradual one is felt later.
    pub at_h: f64,
    /// When it ends by itself, h; left out = staff end it, or the record does.
    #[serde(default)]
    pub until_h: Option<f64>,
    /// The channel that it concerns, where its cause concerns one.
    #[serde(default)]
    pub channel: Option<String>,
    /// What it is.
    pub cause: Cause,
    /// What staff do about it.
    #[serde(default, rename = "answer")]
    pub answers: Vec<Answer>,
}

/// How a filter blocks per mL that passes it: the general blocking model of four mechanisms at once.
///
/// With open area `a`, constriction `s`, cake `c` (start 1, 0, 0): `da/dv = -complete - intermediate a`,
/// `ds/dv = standard / a`, `dc/dv = cake / a`, resistance over clean `((1 - s/2)^-2 + c) / a`.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Blocking {
    /// Pore area sealed per mL.
    pub complete_per_ml: f64,
    /// Constriction of pores per mL.
    pub standard_per_ml: f64,
    /// Pore area landed on per mL, on open or covered area alike.
    pub intermediate_per_ml: f64,
    /// Cake per mL, in clean resistances.
    pub cake_per_ml: f64,
}

/// Why a filter loads: the physics is the same, the circumstances differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum FilterVariant {
    /// Particles and droplets of the fluid.
    #[default]
    Loading,
    /// A pore too fine for lipid.
    PoreTooFine,
    /// Lipid came first into a filter that was not primed well.
    BadlyPrimed,
}

/// Where below the filter, or where in a channel's tubing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// The upper end: at the pump's outlet, or at the filter's.
    #[default]
    Near,
    /// The lower end: at the join, or at the hub.
    Far,
}

/// What goes wrong.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(
    tag = "kind",
    rename_all = "kebab-case",
    deny_unknown_fields,
    rename_all_fields = "snake_case"
)]
pub enum Cause {
    /// Nothing reaches the pump of `channel`.
    SupplyStopped {
        /// Seconds in which the flow dies away; default 20.
        #[serde(default = "twenty")]
        fade_s: f64,
        /// Whether the pump counts on; default true.
        #[serde(default = "yes")]
        counter_runs_on: bool,
        /// After so many minutes the pump alarms (`alarm`, by air or an empty container); left out = it does not.
        #[serde(default)]
        alarm_after_min: Option<f64>,
    },
    /// A kink or a closed clamp on the tubing of `channel`.
    TubingBlocked {
        /// Added resistance, mmHg·h/mL; left out = closed.
        #[serde(default)]
        resistance_mmhg_h_per_ml: Option<f64>,
        /// Where; default near the pump.
        #[serde(default)]
        place: Place,
    },
    /// The filter loads.
    FilterLoading {
        /// How.
        blocking: Blocking,
        /// Why; default `loading`.
        #[serde(default)]
        variant: FilterVariant,
        /// Spread of the loading per mL (standard deviation of its logarithm); default 0.
        #[serde(default)]
        unevenness: f64,
        /// The factor that it comes to rest at; left out = it does not rest.
        #[serde(default)]
        ceiling: Option<f64>,
        /// Whether a new filter loads as well; default false.
        #[serde(default)]
        loads_again: bool,
    },
    /// What settles in pauses blocks pores at the restart.
    FilterSettling {
        /// Logarithm of the open area lost per hour of pause.
        per_pause_hour: f64,
        /// Pauses shorter than this do nothing, min; default 5.
        #[serde(default = "five")]
        least_pause_min: f64,
        /// The volume after the restart in which it is felt, mL; default 0.2.
        #[serde(default = "fifth")]
        over_ml: f64,
        /// Loading besides.
        #[serde(default)]
        blocking: Blocking,
        /// Spread of the loading per mL; default 0.
        #[serde(default)]
        unevenness: f64,
    },
    /// A precipitate loads the filter.
    FilterPrecipitate {
        /// How.
        blocking: Blocking,
        /// Spread of the loading per mL; default 0.
        #[serde(default)]
        unevenness: f64,
        /// The loading stops after so many minutes, and what has loaded stays; left out = it goes on.
        #[serde(default)]
        loads_for_min: Option<f64>,
    },
    /// The lumen narrows: radius `1 - u (1 - reaches^(-1/4))`, `u = (time/over)^shape`, by the fourth power.
    CatheterNarrowing {
        /// Factor of the catheter's resistance reached after `over_h`.
        reaches: f64,
        /// Hours.
        over_h: f64,
        /// Power of time; default 1.
        #[serde(default = "one")]
        shape: f64,
        /// How unevenly (standard deviation of the logarithm of its speed, memory half an hour); default 0.
        #[serde(default)]
        unevenness: f64,
        /// Its speed while nothing flows, against while something does; default 1.
        #[serde(default = "one")]
        pause_speed: f64,
    },
    /// A closed clamp or a kink below the filter.
    CatheterBlocked {
        /// Added resistance, mmHg·h/mL; left out = closed.
        #[serde(default)]
        resistance_mmhg_h_per_ml: Option<f64>,
        /// Where; default near the filter.
        #[serde(default)]
        place: Place,
    },
    /// The tip lies against the wall, or a kink under the dressing comes and goes.
    CatheterPositional {
        /// Added resistance while it is there, mmHg·h/mL; left out = closed.
        #[serde(default)]
        resistance_mmhg_h_per_ml: Option<f64>,
        /// Usual length of a stretch, min.
        on_min: f64,
        /// Usual length between two, min.
        off_min: f64,
        /// Share of the changes at which somebody notes that the patient was moved, 0 to 1; default 0.
        #[serde(default)]
        moves_logged: f64,
    },
    /// The limit is too low for the rate that is set now on `channel`.
    LimitTooLow {
        /// The new rate, mL/h; left out = the rate stays.
        #[serde(default)]
        rate_ml_h: Option<f64>,
        /// The new limit, mmHg; left out = the limit stays.
        #[serde(default)]
        limit_mmhg: Option<f64>,
    },
    /// The pump of `channel` (or all, or the patient) is raised or lowered.
    HeightChange {
        /// So much higher over the heart, cm; negative = lower.
        by_cm: f64,
        /// Whether somebody notes it; default false.
        #[serde(default)]
        logged: bool,
    },
    /// A knock, a squeeze of the line, a glitch of the sensor of `channel` (or of all).
    Artefact {
        /// Height, mmHg.
        mmhg: f64,
        /// Length, s.
        seconds: f64,
    },
}

fn twenty() -> f64 {
    20.0
}
fn five() -> f64 {
    5.0
}
fn fifth() -> f64 {
    0.2
}
fn one() -> f64 {
    1.0
}

impl Cause {
    /// Site, cause and variant, in the words of the contract and of the truth file.
    pub fn words(&self) -> (&'static str, &'static str, Option<&'static str>) {
        match self {
            Cause::SupplyStopped { .. } => ("supply", "supply-stopped", None),
            Cause::TubingBlocked { .. } => ("tubing", "tubing-blocked", None),
            Cause::FilterLoading { variant, .. } => {
                let variant = match variant {
                    FilterVariant::Loading => None,
                    FilterVariant::PoreTooFine => Some("pore-too-fine"),
                    FilterVariant::BadlyPrimed => Some("badly-primed"),
                };
                ("filter", "filter-loading", variant)
            }
            Cause::FilterSettling { .. } => ("filter", "filter-settling", None),
            Cause::FilterPrecipitate { .. } => ("filter", "filter-precipitate", None),
            Cause::CatheterNarrowing { .. } => ("catheter", "catheter-narrowing", None),
            Cause::CatheterBlocked { .. } => ("catheter", "catheter-blocked", None),
            Cause::CatheterPositional { .. } => ("catheter", "catheter-positional", None),
            Cause::LimitTooLow { .. } => ("settings", "limit-too-low", None),
            Cause::HeightChange { .. } => ("none", "height-change", None),
            Cause::Artefact { .. } => ("none", "artefact", None),
        }
    }

    /// Whether it concerns one channel alone and must name it.
    pub(in super::super) fn names_a_channel(&self) -> bool {
        matches!(
            self,
            Cause::SupplyStopped { .. } | Cause::TubingBlocked { .. } | Cause::LimitTooLow { .. }
        )
    }

    /// Whether it is a loading of the filter.
    pub(in super::super) fn is_filter(&self) -> bool {
        matches!(
            self,
            Cause::FilterLoading { .. }
                | Cause::FilterSettling { .. }
                | Cause::FilterPrecipitate { .. }
        )
    }

    /// Whether it grows rather than comes.
    pub(in super::super) fn is_gradual(&self) -> bool {
        self.is_filter() || matches!(self, Cause::CatheterNarrowing { .. })
    }
}
