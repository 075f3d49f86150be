//! The line file.

use super::*;
use crate::record::{AccessKind, FilterPosition, Fluid, Notice};
use rstest::rstest;

/// The contract's example, with the channels of [`TRACE`].
const LINE: &str = r#"
[access]                      # the catheter
kind = "picc"                 # picc | cvc | umbilical | midline | peripheral
inner_diameter_mm = 0.30
length_cm = 20
resistance_mmhg_h_per_ml = 2.1    # when measured; else worked out from the size

[filter]
pore_um = 1.2
position = "below-join"       # below-join | above-join (then `channel = "..."`) | none
placed = "2031-03-04T07:00:00+01:00"
resistance_mmhg_h_per_ml = 0.15
compliance_ul_per_mmhg = 0.25     # filter housing

[tail]                        # from the filter (or the join) to the catheter hub
compliance_ul_per_mmhg = 0.20

[[channel]]                   # from one pump to the join (Y-site); joins all channels named here
id = "pn"
fluid = "pn-2in1"             # pn-2in1 | pn-3in1 | lipid | crystalloid | medication
compliance_ul_per_mmhg = 1.30     # pump or syringe and tubing, up to the join
resistance_mmhg_h_per_ml = 0.05
"#;

#[test]
fn the_contracts_line_file_is_read_whole() {
    let record = read_with(TRACE, None, Some(LINE)).unwrap();
    let line = record.line.unwrap();
    assert_eq!(line.access.kind, Some(AccessKind::Picc));
    assert_eq!(line.access.inner_diameter_mm, Some(0.30));
    assert_eq!(line.access.length_cm, Some(20.0));
    assert_eq!(line.access.resistance.unwrap().get(), 2.1);
    assert_eq!(line.filter.pore_um, Some(1.2));
    assert_eq!(line.filter.position, Some(FilterPosition::BelowJoin));
    assert_eq!(line.filter.placed_s, Some(-3600.0));
    assert_eq!(line.filter.resistance.unwrap().get(), 0.15);
    assert_eq!(line.filter.compliance.unwrap().get(), 0.25);
    assert_eq!(line.tail.compliance.unwrap().get(), 0.20);
    let channel = line.channel("pn").unwrap();
    assert_eq!(channel.fluid, Some(Fluid::Pn2in1));
    assert_eq!(channel.compliance.unwrap().get(), 1.30);
    assert_eq!(channel.resistance.unwrap().get(), 0.05);
    assert!(record.intake.notices.is_empty());
}

#[rstest]
#[case("", TRACE, None)]
#[case("[filter]\nplaced = 2031-03-04T07:00:00+01:00", TRACE, Some(-3600.0))]
#[case("[filter]\nplaced = -90", "time,pressure_mmhg,rate_ml_h\n0,30,4\n", Some(-90.0))]
#[case(
    "[filter]\nplaced = 12.5",
    "time,pressure_mmhg,rate_ml_h\n0,30,4\n",
    Some(12.5)
)]
fn every_key_may_be_missing_and_placed_is_written_as_the_trace_writes_time(
    #[case] line: &str,
    #[case] trace: &str,
    #[case] placed_s: Option<f64>,
) {
    let record = read_with(trace, None, Some(line)).unwrap();
    assert_eq!(record.line.unwrap().filter.placed_s, placed_s);
}

#[test]
fn a_single_channel_without_a_name_is_the_traces_only_one() {
    let record = read_with(TRACE, None, Some("[[channel]]\nfluid = \"lipid\"")).unwrap();
    assert_eq!(
        record.line.unwrap().channel("pn").unwrap().fluid,
        Some(Fluid::Lipid)
    );
}

#[rstest]
#[case("[[channel]]\nid = \"pm\"", "pm")]
#[case("[filter]\nposition = \"above-join\"\nchannel = \"lipid\"", "lipid")]
fn a_channel_that_the_trace_does_not_have_is_told(#[case] line: &str, #[case] channel: &str) {
    let record = read_with(TRACE, None, Some(line)).unwrap();
    let unknown = Notice::UnknownChannel {
        file: "line",
        channel: channel.into(),
    };
    assert_eq!(record.intake.notices, [unknown]);
}

#[rstest]
#[case(
    "[access]\n\ninner_diamter_mm = 0.3",
    3,
    "unknown key `access.inner_diamter_mm`",
    "did you mean `inner_diameter_mm`?"
)]
#[case("[acess]\n", 1, "unknown key `acess`", "did you mean `access`?")]
#[case(
    "[[channel]]\nid = \"pn\"\nfluids = \"lipid\"",
    3,
    "unknown key `channel.fluids`",
    "did you mean `fluid`?"
)]
#[case(
    "[access]\ncolour = \"blue\"",
    2,
    "unknown key `access.colour`",
    "known here: kind, inner_diameter_mm"
)]
#[case(
    "[access]\nkind = \"pic\"",
    2,
    "expected picc | cvc | umbilical | midline | peripheral, found `pic`",
    "did you mean `picc`?"
)]
#[case(
    "[access]\nlength_cm = \"20\"",
    2,
    "expected a length of 0.5 to 150 cm, found a string",
    ""
)]
#[case(
    "[access]\nlength_cm = 2000",
    2,
    "expected a length of 0.5 to 150 cm, found `2000`",
    ""
)]
#[case(
    "[access]\nresistance_mmhg_h_per_ml = 0",
    2,
    "expected a resistance above 0 mmHg·h/mL, found `0`",
    ""
)]
#[case(
    "[tail]\ncompliance_ul_per_mmhg = nan",
    2,
    "expected a compliance above 0 µL/mmHg, found `nan`",
    ""
)]
#[case(
    "[filter]\npore_um = -1.2",
    2,
    "expected a pore size above 0 µm, found `-1.2`",
    ""
)]
#[case(
    "[filter]\nposition = \"above-join\"",
    2,
    "expected `channel` beside `above-join`, found none",
    "in whose tubing"
)]
#[case(
    "[filter]\nchannel = \"pn\"",
    2,
    "expected it beside `position = \"above-join\"` only",
    "leave `channel` out"
)]
#[case(
    "[filter]\nplaced = -60",
    2,
    "expected a date and time, as in the trace, found a number",
    "2031-03-04T08:00:00+01:00"
)]
#[case(
    "[filter]\nplaced = 2031-03-04T08:00:00",
    2,
    "expected a time, found a time without its offset",
    "with the offset"
)]
#[case("access = 3", 1, "expected a heading `[access]`, found `3`", "")]
#[case(
    "[[channel]]\nid = \"a\"\n[[channel]]\nfluid = \"lipid\"",
    3,
    "expected the channel's name, found none",
    "each needs its `id`"
)]
#[case(
    "[[channel]]\nid = \"a\"\n[[channel]]\nid = \"a\"",
    4,
    "expected each channel once, found `a` again",
    ""
)]
#[case("[access]\nkind = picc", 2, "this is no TOML", "length_cm = 20")]
fn a_line_file_with_a_slip_is_refused_at_its_line_with_what_was_probably_meant(
    #[case] line: &str,
    #[case] at: u64,
    #[case] what: &str,
    #[case] hint: &str,
) {
    let error = read_with(TRACE, None, Some(line)).unwrap_err();
    assert_eq!(place(&error).0, Some(at), "{error}");
    assert!(error.what.starts_with(what), "{error}");
    assert!(
        error.hint.as_deref().unwrap_or_default().contains(hint),
        "{error}"
    );
}

#[test]
fn a_date_in_the_line_file_of_a_trace_of_seconds_is_refused() {
    let line = "[filter]\nplaced = \"2031-03-04T08:00:00+01:00\"";
    let error = read_with("time,pressure_mmhg,rate_ml_h\n0,30,4\n", None, Some(line)).unwrap_err();
    assert_eq!(place(&error), (Some(2), Some("filter.placed")));
    assert!(error.hint.unwrap().contains("placed = -3600"));
}

#[test]
fn a_line_file_nested_without_end_is_an_error_and_no_overflow() {
    let deep = format!("a = {}", "[".repeat(200_000));
    assert!(read_with(TRACE, None, Some(&deep)).is_err());
    let dotted = format!("{}x = 1", "a.".repeat(200_000));
    assert!(read_with(TRACE, None, Some(&dotted)).is_err());
}

#[test]
fn a_trace_given_as_the_line_file_is_refused() {
    let error = read_with(TRACE, None, Some(TRACE)).unwrap_err();
    assert!(error.what.starts_with("this is no TOML"), "{error}");
    let long = "x".repeat(2 << 20);
    let error = read_with(TRACE, None, Some(&long)).unwrap_err();
    assert!(error.hint.unwrap().contains("was the trace given instead?"));
}
