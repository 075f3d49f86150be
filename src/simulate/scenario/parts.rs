//! The parts of a scenario: line, pumps, sensor, sampling. Units are in the names; defaults at the fields.

use serde::Deserialize;

/// How rows are written.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Sampling {
    /// Distance between rows of a channel, s; 1 to 3600; default 10. For a trace on change: how often the logger looks.
    pub period_s: f64,
    /// Write a row only where something changed (or after 15 min); default false.
    pub on_change: bool,
    /// The change of pressure that makes a row, mmHg; default 2.
    pub change_mmhg: f64,
    /// Each next channel is read so much later, s; default 0.
    pub stagger_s: f64,
    /// Pressure is rounded to a multiple of this, mmHg; 0 = to hundredths; default 1.
    pub rounding_mmhg: f64,
    /// Whether the trace has the volume column; default true.
    pub volume: bool,
    /// Whether the trace has the limit column; default true.
    pub limit: bool,
    /// Share of rows with the pressure missing, 0 to 1; default 0.
    pub missing: f64,
    /// Stretches without rows.
    pub gaps: Vec<Gap>,
    /// What comes with the trace.
    pub given: Given,
}

impl Default for Sampling {
    fn default() -> Self {
        Self {
            period_s: 10.0,
            on_change: false,
            change_mmhg: 2.0,
            stagger_s: 0.0,
            rounding_mmhg: 1.0,
            volume: true,
            limit: true,
            missing: 0.0,
            gaps: Vec::new(),
            given: Given::default(),
        }
    }
}

/// A stretch without rows.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gap {
    /// From, h.
    pub at_h: f64,
    /// Length, min.
    pub minutes: f64,
    /// The channel; left out = all.
    #[serde(default)]
    pub channel: Option<String>,
}

/// How well the line file knows the line.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Given {
    /// Relative error (standard deviation) of each figure in the line file against the line; default 0.
    pub line_error: f64,
    /// Whether the line file has measured compliances and resistances, or sizes alone; default true.
    pub measured: bool,
}

impl Default for Given {
    fn default() -> Self {
        Self {
            line_error: 0.0,
            measured: true,
        }
    }
}

/// How pressure is read at the pump's outlet.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Sensor {
    /// White noise, standard deviation, mmHg; default 1.
    pub noise_mmhg: f64,
    /// Error of the zero at the start, mmHg; default 0.
    pub zero_mmhg: f64,
    /// Drift of the zero, mmHg per day; default 0.
    pub drift_mmhg_per_day: f64,
}

impl Default for Sensor {
    fn default() -> Self {
        Self {
            noise_mmhg: 1.0,
            zero_mmhg: 0.0,
            drift_mmhg_per_day: 0.0,
        }
    }
}

/// The vein at the catheter's tip.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Vein {
    /// Mean pressure, mmHg; default 4.
    pub pressure_mmhg: f64,
    /// Slow wander, standard deviation, mmHg; default 0.5. Its memory is half an hour.
    pub wander_mmhg: f64,
    /// Breathing, half swing, mmHg, at 40 per minute; default 0.5.
    pub breathing_mmhg: f64,
}

impl Default for Vein {
    fn default() -> Self {
        Self {
            pressure_mmhg: 4.0,
            wander_mmhg: 0.5,
            breathing_mmhg: 0.5,
        }
    }
}

/// Short disturbances all through the record.
#[derive(Debug, Clone, PartialEq, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Artefacts {
    /// Coughs and cries per hour, felt at the catheter's tip; default 0.
    pub coughs_per_h: f64,
    /// Their usual height, mmHg; default 0.
    pub cough_mmhg: f64,
    /// Touches of the line per hour, felt at the sensor; default 0.
    pub touches_per_h: f64,
    /// Their usual height, mmHg; default 0.
    pub touch_mmhg: f64,
}

/// What lies between the join and the vein.
#[derive(Debug, Clone, PartialEq, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Line {
    /// The catheter.
    pub access: Access,
    /// The in-line filter.
    pub filter: Filter,
    /// From the filter (or the join) to the hub.
    pub tail: Tail,
}

/// The catheter.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Access {
    /// `picc`, `cvc`, `umbilical`, `midline` or `peripheral`; default `picc`.
    pub kind: String,
    /// Inner diameter, mm, for the line file; default 0.30.
    pub inner_diameter_mm: f64,
    /// Length, cm, for the line file; default 20.
    pub length_cm: f64,
    /// Resistance with the fluids that run, mmHg·h/mL; default 3.
    pub resistance_mmhg_h_per_ml: f64,
}

impl Default for Access {
    fn default() -> Self {
        Self {
            kind: "picc".into(),
            inner_diameter_mm: 0.30,
            length_cm: 20.0,
            resistance_mmhg_h_per_ml: 3.0,
        }
    }
}

/// Where the filter sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Position {
    /// Below the join.
    BelowJoin,
    /// Above the join, in the channel that [`Filter::channel`] names.
    AboveJoin,
    /// There is none.
    None,
}

/// The in-line filter.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Filter {
    /// Where; default below the join.
    pub position: Position,
    /// The channel of a filter above the join.
    pub channel: Option<String>,
    /// Pore, µm, for the line file; default 1.2.
    pub pore_um: f64,
    /// When it was placed, h from the start; default 0.
    pub placed_h: f64,
    /// Resistance when clean, mmHg·h/mL; default 0.3.
    pub resistance_mmhg_h_per_ml: f64,
    /// Elastic storage of its housing, µL/mmHg; default 0.2.
    pub compliance_ul_per_mmhg: f64,
}

impl Default for Filter {
    fn default() -> Self {
        Self {
            position: Position::BelowJoin,
            channel: None,
            pore_um: 1.2,
            placed_h: 0.0,
            resistance_mmhg_h_per_ml: 0.3,
            compliance_ul_per_mmhg: 0.2,
        }
    }
}

/// From the filter (or the join) to the hub.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Tail {
    /// Elastic storage, µL/mmHg; default 0.1.
    pub compliance_ul_per_mmhg: f64,
}

impl Default for Tail {
    fn default() -> Self {
        Self {
            compliance_ul_per_mmhg: 0.1,
        }
    }
}

/// One pump and its tubing down to the join.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Channel {
    /// Name in the trace.
    pub id: String,
    /// `pn-2in1`, `pn-3in1`, `lipid`, `crystalloid` or `medication`; default `pn-2in1`.
    #[serde(default = "pn")]
    pub fluid: String,
    /// Rate at the start, mL/h; 0 = not started yet.
    pub rate_ml_h: f64,
    /// Pressure limit, mmHg; default 300.
    #[serde(default = "limit")]
    pub limit_mmhg: f64,
    /// Elastic storage of pump and tubing, averaged over 0 to 200 mmHg, µL/mmHg; default 1.3.
    #[serde(default = "compliance")]
    pub compliance_ul_per_mmhg: f64,
    /// Share of it that lies in the tubing, downstream of a kink near the pump, 0 to 1; default 0.2.
    #[serde(default = "tube_share")]
    pub tube_share: f64,
    /// How much more it yields at low pressure: `C(P) = C (1 + s (e^(-P/80) - 0.367))`, s from 0 to 1; default 0.
    #[serde(default)]
    pub softening: f64,
    /// Resistance from the pump to the join, mmHg·h/mL; default 0.05.
    #[serde(default = "resistance")]
    pub resistance_mmhg_h_per_ml: f64,
    /// Height of the pump over the heart, cm; default 0.
    #[serde(default)]
    pub height_cm: f64,
    /// How the pump moves the fluid.
    #[serde(default)]
    pub pump: Pump,
}

fn pn() -> String {
    "pn-2in1".into()
}
fn limit() -> f64 {
    300.0
}
fn compliance() -> f64 {
    1.3
}
fn tube_share() -> f64 {
    0.2
}
fn resistance() -> f64 {
    0.05
}

/// How the pump moves the fluid.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Pump {
    /// Half swing of the pressure with each stroke of a peristaltic drive, mmHg; default 0.
    pub ripple_mmhg: f64,
    /// Volume of a stroke, mL; default 0.05.
    pub stroke_ml: f64,
    /// Volume after which a sticking plunger slips, mL; 0 = it does not stick; default 0.
    pub stick_ml: f64,
    /// Share of the flow that is held back while it sticks, 0 to 1; default 0.8.
    pub stick_share: f64,
    /// Volume of play to be taken up after a start or a change of set, mL; default 0.
    pub play_ml: f64,
    /// How long the pressure must stand at the limit before the alarm, s; default 3.
    pub alarm_latency_s: f64,
}

impl Default for Pump {
    fn default() -> Self {
        Self {
            ripple_mmhg: 0.0,
            stroke_ml: 0.05,
            stick_ml: 0.0,
            stick_share: 0.8,
            play_ml: 0.0,
            alarm_latency_s: 3.0,
        }
    }
}
