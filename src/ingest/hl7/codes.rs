//! The codes of ISO/IEEE 11073-10101 that pumps speak: what is measured, in which unit, and what happened.
//!
//! In: a coded field. Out: [`Term`], by its number where that is known, else by its name. Numbers count as
//! partition × 65536 + term. Numbers and names: IHE Patient Care Device Technical Framework, revision 9.0 of 2019-12-12,
//! volumes 2 and 3, where it has them; others as transcribed from ISO/IEEE 11073-10101:2004. `197290` (delivery stop) is
//! worked out from its neighbours and was seen in neither: its name decides as well.

use super::er7::Segment;
use crate::ingest::unit::Unit;

/// What a code means here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Term {
    /// A pump, or a part of one, and how deep it lies.
    Device(Level),
    Pressure,
    /// Flow as it is now.
    CurrentRate,
    /// The rate set; in an old model's delivery channel, the flow as it is now.
    SetRate,
    /// Volume delivered since the infusion began.
    TotalVolume,
    /// Whether the pump runs, or whether a source delivers.
    Status,
    Reason,
    Sources,
    Label,
    /// The clock that the pump shows.
    DeviceClock,
    /// Which event a message is about.
    EventCondition,
    /// Where in the tree it happened.
    EventSource,
    /// The alarm that a message is about.
    AlarmCondition,
    Phase,
    AlarmState,
    Priority,
    Start,
    Stop,
    Complete,
    Occlusion,
    /// Another alarm or event, in words.
    Other(&'static str),
}

/// How deep a part of a pump lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Level {
    /// The pump.
    Pump,
    /// A part that delivers by itself.
    Module,
    /// What flows out of it.
    Delivery,
    /// What flows into it.
    Source,
}

/// Number, name, meaning. Of two names with one number the first is the one shown.
const TERMS: &[(u32, &str, Term)] = &[
    (69985, "MDC_DEV_PUMP_INFUS_MDS", Term::Device(Level::Pump)),
    (69986, "MDC_DEV_PUMP_INFUS_VMD", Term::Device(Level::Module)),
    (
        69987,
        "MDC_DEV_PUMP_INFUS_CHAN",
        Term::Device(Level::Delivery),
    ),
    (
        126_977,
        "MDC_DEV_PUMP_INFUS_CHAN_SOURCE",
        Term::Device(Level::Source),
    ),
    (
        126_978,
        "MDC_DEV_PUMP_INFUS_CHAN_DELIVERY",
        Term::Device(Level::Delivery),
    ),
    (
        70049,
        "MDC_DEV_PUMP_INFUS_LVP_MDS",
        Term::Device(Level::Pump),
    ),
    (
        70050,
        "MDC_DEV_PUMP_INFUS_LVP_VMD",
        Term::Device(Level::Module),
    ),
    (
        70053,
        "MDC_DEV_PUMP_INFUS_SYRINGE_MDS",
        Term::Device(Level::Pump),
    ),
    (
        70054,
        "MDC_DEV_PUMP_INFUS_SYRINGE_VMD",
        Term::Device(Level::Module),
    ),
    (
        70067,
        "MDC_DEV_PUMP_DELIVERY_INFO",
        Term::Device(Level::Delivery),
    ),
    (
        70071,
        "MDC_DEV_PUMP_INFUSATE_SOURCE_PRIMARY",
        Term::Device(Level::Source),
    ),
    (
        70091,
        "MDC_DEV_PUMP_SYRINGE_INFO",
        Term::Device(Level::Source),
    ),
    (
        70101,
        "MDC_DEV_PUMP_INFUS_RACK_MDS",
        Term::Device(Level::Pump),
    ),
    (157_836, "MDC_PRESS_FLUID_MEAS", Term::Pressure),
    (157_840, "MDC_PRESS_FLUID_CALC", Term::Pressure),
    (157_896, "MDC_PRESS_FLUID_ACT", Term::Pressure),
    (158_014, "MDC_FLOW_FLUID_PUMP_CURRENT", Term::CurrentRate),
    (157_892, "MDC_FLOW_FLUID_INSTANT", Term::CurrentRate),
    (157_784, "MDC_FLOW_FLUID_PUMP", Term::SetRate),
    (157_784, "MDC_RATE_INFUS", Term::SetRate),
    (157_952, "MDC_RATE_INFUS_PRI", Term::SetRate),
    (157_993, "MDC_VOL_FLUID_DELIV_TOTAL", Term::TotalVolume),
    (157_864, "MDC_VOL_FLUID_DELIV", Term::TotalVolume),
    (157_948, "MDC_VOL_INFUS_ACTUAL_TOTAL", Term::TotalVolume),
    (184_519, "MDC_PUMP_INFUSING_STATUS", Term::Status),
    (
        158_005,
        "MDC_DEV_PUMP_CURRENT_DELIVERY_STATUS",
        Term::Status,
    ),
    (184_508, "MDC_PUMP_STAT", Term::Status),
    (158_006, "MDC_DEV_PUMP_NOT_DELIVERING_REASON", Term::Reason),
    (158_016, "MDC_DEV_PUMP_ACTIVE_SOURCES", Term::Sources),
    (158_012, "MDC_DEV_PUMP_SOURCE_CHANNEL_LABEL", Term::Label),
    (67975, "MDC_ATTR_TIME_ABS", Term::DeviceClock),
    (68487, "MDC_ATTR_EVT_COND", Term::EventCondition),
    (196_616, "MDC_EVT_ALARM", Term::AlarmCondition),
    (68488, "MDC_ATTR_EVT_SOURCE", Term::EventSource),
    (68012, "MDC_ATTR_AL_COND", Term::AlarmCondition),
    (68481, "MDC_ATTR_EVENT_PHASE", Term::Phase),
    (68482, "MDC_ATTR_ALARM_STATE", Term::AlarmState),
    (68484, "MDC_ATTR_ALARM_PRIORITY", Term::Priority),
    (197_288, "MDC_EVT_PUMP_DELIV_START", Term::Start),
    (197_290, "MDC_EVT_PUMP_DELIV_STOP", Term::Stop),
    (197_292, "MDC_EVT_PUMP_DELIV_COMP", Term::Complete),
    (196_940, "MDC_EVT_FLUID_LINE_OCCL", Term::Occlusion),
    (196_688, "MDC_EVT_OCCL", Term::Occlusion),
    (196_688, "MDC_EVT_OBSTRUC", Term::Occlusion),
    (197_184, "MDC_EVT_FLOW_OBSTRUC", Term::Occlusion),
    (197_166, "MDC_EVT_PRESS_FLUID_LINE_EXCESS", Term::Occlusion),
    (
        197_188,
        "MDC_EVT_FLUID_LINE_HI_GT_LIM_PRESSURE",
        Term::Occlusion,
    ),
    (196_976, "MDC_EVT_PRESS_HI_GT_LIM", Term::Occlusion),
    (
        197_190,
        "MDC_EVT_FLOW_FLUID_LINE_RES_WARN",
        Term::Other("resistance of the line rising"),
    ),
    (196_950, "MDC_EVT_FLOW_LO", Term::Other("low flow")),
    (
        197_200,
        "MDC_EVT_FLUID_LINE_AIR",
        Term::Other("air in line"),
    ),
    (
        196_860,
        "MDC_EVT_FLUID_LINE_PROB",
        Term::Other("problem of the line"),
    ),
    (
        196_854,
        "MDC_EVT_FLUID_LINE_INFILT",
        Term::Other("infiltration"),
    ),
    (
        196_954,
        "MDC_EVT_FLUID_LINE_DRIP_MALF",
        Term::Other("drip sensor failed"),
    ),
    (197_206, "MDC_EVT_PUMP_FLOW_FREE", Term::Other("free flow")),
    (
        196_842,
        "MDC_EVT_DOOR_OR_HANDLE_POSN_PROB",
        Term::Other("door or handle not in place"),
    ),
    (
        197_084,
        "MDC_EVT_DOOR_POSN_ERR",
        Term::Other("door not in place"),
    ),
    (
        202_828,
        "MDC_EVT_STAT_DOOR_OPEN",
        Term::Other("door opened"),
    ),
    (
        202_852,
        "MDC_EVT_STAT_DOOR_CLOS",
        Term::Other("door closed"),
    ),
    (196_634, "MDC_EVT_EMPTY", Term::Other("empty")),
    (
        203_320,
        "MDC_EVT_ADVIS_PUMP_SYRINGE_REPLACE_WARN",
        Term::Other("replace syringe"),
    ),
    (196_800, "MDC_EVT_BATT_FAIL", Term::Other("battery failed")),
    (196_802, "MDC_EVT_BATT_LO", Term::Other("battery low")),
    (
        196_804,
        "MDC_EVT_BATT_MALF",
        Term::Other("battery malfunction"),
    ),
    (196_650, "MDC_EVT_HI_GT_LIM", Term::Other("above limit")),
    (196_670, "MDC_EVT_LO", Term::Other("low")),
    (196_772, "MDC_EVT_RANGE_ERR", Term::Other("out of range")),
    (202_752, "MDC_EVT_STAT_AL_OFF", Term::Other("alarms off")),
    (202_754, "MDC_EVT_STAT_AL_ON", Term::Other("alarms on")),
    (
        202_822,
        "MDC_EVT_STAT_AL_SILENCE",
        Term::Other("alarm silenced"),
    ),
    (202_774, "MDC_EVT_STAT_STANDBY_MODE", Term::Other("standby")),
    (196_678, "MDC_EVT_MALF", Term::Other("malfunction")),
    (196_660, "MDC_EVT_INOP", Term::Other("inoperable")),
    (197_192, "MDC_EVT_TIMEOUT", Term::Other("timeout")),
    (
        197_194,
        "MDC_EVT_PUMP_VOL_TBI_COMP",
        Term::Other("volume delivered"),
    ),
    (
        197_332,
        "MDC_EVT_VOL_INFUS_COMP",
        Term::Other("volume delivered"),
    ),
    (
        197_334,
        "MDC_EVT_VOL_INFUS_NEAR_COMP",
        Term::Other("near end of infusion"),
    ),
];

/// Units, by number; the UCUM code says what they are.
const UNITS: &[(u32, &str)] = &[
    (266_016, "mm[Hg]"),
    (265_984, "Pa"),
    (265_986, "hPa"),
    (265_987, "kPa"),
    (266_080, "bar"),
    (266_098, "mbar"),
    (266_048, "cm[H2O]"),
    (268_736, "[psi]"),
    (265_266, "mL/h"),
    (265_248, "L/h"),
    (265_267, "uL/h"),
    (265_234, "mL/min"),
    (265_235, "uL/min"),
    (263_762, "mL"),
    (263_763, "uL"),
];

/// A coded field as read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Coded {
    pub(super) term: Option<Term>,
    /// The name that was sent, or the number where there is none: never free text.
    pub(super) shown: String,
    /// Whether number and name are known and mean different things.
    pub(super) mismatch: bool,
}

/// Reads the code that begins at a component of a field (the first, or the fourth for its alternative).
pub(super) fn coded(segment: &Segment, field: usize) -> Coded {
    let first = code_at(segment, field, 1);
    if first.term.is_some() {
        return first;
    }
    let other = code_at(segment, field, 4);
    if other.term.is_some() { other } else { first }
}

fn code_at(segment: &Segment, field: usize, from: usize) -> Coded {
    let number: Option<u32> = segment.component(field, from).trim().parse().ok();
    let name = segment.component(field, from + 1).trim();
    let is_name = !name.is_empty()
        && name.len() <= 80
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
    let name = if is_name { name } else { "" };
    let by_number = number.and_then(by_number);
    let by_name = by_name(name);
    Coded {
        term: by_number.or(by_name),
        shown: match (name, number) {
            ("", Some(number)) => number.to_string(),
            ("", None) => String::new(),
            (name, _) => name.to_string(),
        },
        mismatch: matches!((by_number, by_name), (Some(a), Some(b)) if a != b)
            || (by_name.is_some() && by_number.is_none() && number.is_some_and(|n| n != 0)),
    }
}

fn by_number(number: u32) -> Option<Term> {
    // An odd code of an event is its even neighbour with something added (nomenclature of events, 10101b).
    let number = match number >> 16 {
        3 => number & !1,
        _ => number,
    };
    let mut terms = TERMS.iter();
    terms
        .find(|(n, _, _)| *n == number)
        .map(|(_, _, term)| *term)
}

fn by_name(name: &str) -> Option<Term> {
    // A term that waits for its number is sent as 0 and with a name of its own.
    let provisional = name.strip_prefix("MDCX_").map(|rest| format!("MDC_{rest}"));
    let name = provisional.as_deref().unwrap_or(name);
    let known = TERMS.iter().find(|(_, n, _)| *n == name).map(|t| t.2);
    known.or_else(|| {
        if name.starts_with("MDC_EVT_FLUID_LINE_OCCL_") {
            return Some(Term::Occlusion);
        }
        if name == "MDC_PUMP_CURRENT_DELIVERY_STATUS" {
            return Some(Term::Status);
        }
        let device = name.strip_prefix("MDC_DEV_PUMP_")?;
        let level = match device {
            d if d.ends_with("_MDS") => Level::Pump,
            d if d.ends_with("_VMD") => Level::Module,
            d if d.contains("SOURCE") => Level::Source,
            d if d.contains("DELIVERY_INFO") || d.ends_with("_CHAN") => Level::Delivery,
            _ => return None,
        };
        Some(Term::Device(level))
    })
}

/// The unit of an observation: by number, by UCUM code, or both where they agree.
pub(super) fn unit(segment: &Segment, field: usize) -> Result<Unit, &'static str> {
    if segment.field(field).is_empty() {
        return Err("no unit");
    }
    let number: Option<u32> = segment.component(field, 1).trim().parse().ok();
    let by_number = UNITS
        .iter()
        .find(|(n, _)| Some(*n) == number)
        .and_then(|(_, code)| Unit::find(code));
    let texts = [1, 2, 4, 5].map(|c| segment.text(field, c));
    let by_text = texts
        .iter()
        .filter(|t| !t.is_empty())
        .find_map(|t| Unit::find(t));
    match (by_number, by_text) {
        (Some(a), Some(b)) if a.code != b.code => Err("two units that disagree"),
        (Some(unit), _) | (None, Some(unit)) => Ok(unit),
        (None, None) => Err("a unit that is not known"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::hl7::er7::Delimiters;
    use rstest::rstest;

    fn segment(field: &str) -> Segment {
        Segment {
            line: 1,
            text: format!("OBX|{field}"),
            signs: Delimiters::of("MSH|^~\\&|").unwrap(),
        }
    }

    #[rstest]
    #[case::plain("196940^MDC_EVT_FLUID_LINE_OCCL^MDC", Some(Term::Occlusion), false)]
    #[case::odd_event("196941^MDC_EVT_FLUID_LINE_OCCL^MDC", Some(Term::Occlusion), false)]
    #[case::one_number_two_names("196688^MDC_EVT_OBSTRUC^MDC", Some(Term::Occlusion), false)]
    #[case::set_rate_by_its_other_name("157784^MDC_RATE_INFUS^MDC", Some(Term::SetRate), false)]
    #[case::a_digit_too_many("684810^MDC_ATTR_EVENT_PHASE^MDC", Some(Term::Phase), true)]
    #[case::provisional("0^MDCX_EVT_PUMP_DELIV_STOP^MDC", Some(Term::Stop), false)]
    #[case::number_decides("196670^MDC_EVT_FLUID_LINE_OCCL^MDC", Some(Term::Other("low")), true)]
    #[case::name_alone("^MDC_EVT_PUMP_DELIV_STOP^MDC", Some(Term::Stop), false)]
    #[case::alternative(
        "17^LOCAL^99X^196940^MDC_EVT_FLUID_LINE_OCCL^MDC",
        Some(Term::Occlusion),
        false
    )]
    #[case::another_spelling(
        "0^MDC_DEV_PUMP_INFUSATE_SOURCE_SECONDARY^MDC",
        Some(Term::Device(Level::Source)),
        false
    )]
    #[case::unknown("61441^OWN^99X", None, false)]
    fn a_code_is_known_by_its_number_else_by_its_name(
        #[case] field: &str,
        #[case] term: Option<Term>,
        #[case] mismatch: bool,
    ) {
        let read = coded(&segment(field), 1);
        assert_eq!((read.term, read.mismatch), (term, mismatch), "{read:?}");
    }

    #[test]
    fn free_text_in_the_place_of_a_name_is_not_shown() {
        assert_eq!(coded(&segment("9^Call Sister Wvut now^99X"), 1).shown, "9");
    }

    #[rstest]
    #[case("266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM", Ok("mm[Hg]"))]
    #[case("265987^MDC_DIM_KILO_PASCAL^MDC", Ok("kPa"))]
    #[case("kPa^kPa^UCUM", Ok("kPa"))]
    #[case("cm[H2O]", Ok("cm[H2O]"))]
    #[case("266016^MDC_DIM_MMHG^MDC^kPa^kPa^UCUM", Err("two units that disagree"))]
    #[case("", Err("no unit"))]
    #[case("1^furlong^99X", Err("a unit that is not known"))]
    fn a_unit_is_known_by_number_or_ucum(#[case] field: &str, #[case] code: Result<&str, &str>) {
        assert_eq!(unit(&segment(field), 1).map(|u| u.code), code);
    }
}
