//! Published alarm times and working pressures come out.

use super::*;
use crate::record::{Access, FilterPart, FilterPosition, LineChannel};
use crate::units::{Compliance, Resistance};
use rstest::rstest;

fn pressure(mmhg: f64) -> Pressure {
    Pressure::new(mmhg).unwrap()
}

/// A bench: one pump, a compliance, next to no resistance, no filter.
fn bench(ul_per_mmhg: f64) -> Line {
    Line {
        access: Access {
            resistance: Resistance::new(1e-9),
            ..Access::default()
        },
        filter: FilterPart {
            position: Some(FilterPosition::None),
            ..FilterPart::default()
        },
        channels: vec![LineChannel {
            id: "pump".into(),
            compliance: Compliance::new(ul_per_mmhg),
            resistance: Resistance::new(1e-9),
            ..LineChannel::default()
        }],
        ..Line::default()
    }
}

fn asked<'a>(line: &'a Line, ml_per_h: f64, limit: f64, outlet: f64) -> Question<'a> {
    Question {
        line,
        rates: vec![("pump".into(), Rate::new(ml_per_h).unwrap())],
        limit: pressure(limit),
        outlet: pressure(outlet),
        celsius: 20.0,
        lowered_cm: None,
    }
}

fn minutes(question: &Question) -> f64 {
    let expected = expect(question).unwrap();
    expected.blocks[0].minutes_to_alarm.unwrap().value
}

/// C1, C3, C5: Donmez et al., Paediatr Anaesth 2005;15:293–6: a 50 mL syringe alarmed after 117.3 ± 9.4 min at 0.5 mL/h and
/// after 15.0 ± 7.1 min at 5 mL/h. Compliance: the upper end of Snijder et al., Biomed Tech 2015, 2.1e-8 L/Pa. The limit is
/// not in the abstract; 349 mmHg is what the first figure implies.
#[rstest]
#[case(0.5, 117.3, 9.4)]
#[case(5.0, 15.0, 7.1)]
fn a_syringe_takes_its_published_time_to_the_alarm(
    #[case] ml_per_h: f64,
    #[case] published: f64,
    #[case] spread: f64,
) {
    let line = bench(2.1e-8 * 133_322.387 * 1000.0);
    let found = minutes(&asked(&line, ml_per_h, 349.0, 0.0));
    assert!((found - published).abs() <= spread, "{found}");
}

/// C2, C9: alarm delays reach up to 117 min (Snijder et al.), and up to 2 h at 1 mL/h or less at a threshold of 400 mmHg
/// (BMC Med Inform Decis Mak 2021, 10.1186/s12911-021-01668-7): the range of syringes must reach so far, and no farther.
#[test]
fn the_slowest_syringe_takes_up_to_two_hours() {
    let slowest = minutes(&asked(&bench(2.8), 0.5, 349.0, 0.0));
    assert!((110.0..=120.0).contains(&slowest), "{slowest}");
    for ml_per_h in [1.0, 2.0, 4.0, 8.0, 16.0, 32.0] {
        for ul_per_mmhg in [1.2, 2.8] {
            assert!(minutes(&asked(&bench(ul_per_mmhg), ml_per_h, 400.0, 0.0)) <= 120.0);
        }
    }
}

/// C4: the volume taken up in C3: 0.9775 mL at 0.5 mL/h.
#[test]
fn what_a_syringe_holds_at_the_alarm_is_set_free() {
    let line = bench(2.8);
    let block = expect(&asked(&line, 0.5, 349.0, 0.0)).unwrap().blocks[0].clone();
    assert!((block.release_volume_ml.value - 0.9775).abs() < 0.005);
}

/// C6, C7: Weiss et al., Can J Anaesth 2000 (year from memory): after lowering the pump nothing was delivered at 0.5 mL/h for
/// 29.7 ± 0.6 min (50 mL syringe) and 5.5 ± 0.15 min (10 mL). 130 cm, one of the two heights that the study used, gives
/// compliances of 2.59 and 0.479 µL/mmHg; the first lies in the range of C1.
#[rstest]
#[case(2.59, 29.7, 0.6)]
#[case(0.479, 5.5, 0.15)]
fn a_lowered_pump_delivers_nothing_for_its_published_time(
    #[case] ul_per_mmhg: f64,
    #[case] published: f64,
    #[case] spread: f64,
) {
    let line = bench(ul_per_mmhg);
    let question = Question {
        lowered_cm: Some(130.0),
        ..asked(&line, 0.5, 300.0, 5.0)
    };
    let found = expect(&question).unwrap().lowered.unwrap().minutes;
    assert!((found.value - published).abs() <= spread, "{found:?}");
}

/// C8: atlasofengineering.com, teaching example: 12 mL/h, 15 → 85 kPa, 0.010 mL/kPa: 210 s, 0.70 mL.
#[test]
fn a_worked_engineering_example_comes_out() {
    let kpa = 7.500_616;
    let line = bench(10.0 / kpa);
    let question = asked(&line, 12.0, 85.0 * kpa, 15.0 * kpa);
    assert!((minutes(&question) * 60.0 - 210.0).abs() < 0.1);
    let block = &expect(&question).unwrap().blocks[0];
    assert!((block.release_volume_ml.value - 0.70).abs() < 1e-6);
}

fn one_french(filter: f64) -> Line {
    // K17: vein 5 mmHg, extension 1.0 mm × 1.5 m (0.12754), filter 0.3, catheter 0.17 mm × 20 cm (20.3603), water at 20 °C.
    Line {
        access: Access {
            kind: Some(crate::record::AccessKind::Picc),
            resistance: Resistance::new(20.3603),
            ..Access::default()
        },
        filter: FilterPart {
            position: Some(FilterPosition::BelowJoin),
            resistance: Resistance::new(filter),
            compliance: Compliance::new(0.25),
            ..FilterPart::default()
        },
        tail: crate::record::Tail {
            compliance: Compliance::new(0.2),
        },
        channels: vec![LineChannel {
            id: "pump".into(),
            compliance: Compliance::new(1.3),
            resistance: Resistance::new(0.12754),
            ..LineChannel::default()
        }],
    }
}

#[rstest]
#[case(1.0, 25.788, 0)]
#[case(2.0, 46.576, 0)]
#[case(5.0, 108.939, 0)]
#[case(10.0, 212.878, 1)]
fn a_small_catheter_reaches_a_200_mmhg_limit_with_nothing_blocked(
    #[case] ml_per_h: f64,
    #[case] mmhg: f64,
    #[case] alarms: usize,
) {
    let line = one_french(0.3);
    let expected = expect(&asked(&line, ml_per_h, 200.0, 5.0)).unwrap();
    let found = expected.channels[0].pressure_mmhg.value;
    assert!((found / mmhg - 1.0).abs() < 1e-4, "{found}");
    let warned = Warning::AlarmsUnblocked {
        channel: "pump".into(),
    };
    assert_eq!(
        expected.warnings.iter().filter(|w| **w == warned).count(),
        alarms
    );
    if alarms == 1 {
        assert_eq!(expected.blocks[0].minutes_to_alarm.unwrap().value, 0.0);
        assert_eq!(expected.growth, []);
    }
}

#[test]
fn the_nearer_the_block_the_steeper_the_climb_and_all_add_up() {
    let line = one_french(0.3);
    let expected = expect(&asked(&line, 2.0, 200.0, 5.0)).unwrap();
    let parts: Vec<&BlockedPart> = expected.blocks.iter().map(|b| &b.part).collect();
    assert_eq!(
        parts,
        [
            &BlockedPart::Tubing("pump".into()),
            &BlockedPart::JoinOrFilter,
            &BlockedPart::Tail,
            &BlockedPart::CatheterTip
        ]
    );
    let compliances: Vec<f64> = expected
        .blocks
        .iter()
        .map(|b| b.compliance_ul_per_mmhg.value)
        .collect();
    for (found, sum) in compliances.iter().zip([1.3, 1.3, 1.55, 1.75]) {
        assert!((found - sum).abs() < 1e-12);
    }
    // C (P_lim − P)/Q by hand: 1.75e-3 · (200 − 46.576) / 2 h.
    let last = expected.blocks[3].minutes_to_alarm.unwrap().value;
    assert!((last - 1.75e-3 * (200.0 - 46.576) / 2.0 * 60.0).abs() < 1e-3);
}

#[test]
fn growth_says_when_a_slow_narrowing_alarms() {
    let line = one_french(0.3);
    let question = asked(&line, 2.0, 200.0, 5.0);
    let growth = expect(&question).unwrap().growth;
    let filter = growth
        .iter()
        .find(|g| g.part == BlockedPart::JoinOrFilter)
        .unwrap();
    // The same line with the filter's resistance grown so many times stands at the limit.
    let grown = one_french(0.3 * filter.times);
    let at = expect(&Question {
        line: &grown,
        ..question
    })
    .unwrap();
    assert!((at.channels[0].pressure_mmhg.value - 200.0).abs() < 1e-6);
}

#[test]
fn joined_channels_climb_together_and_the_higher_one_sounds() {
    let mut line = one_french(0.3);
    line.channels.push(LineChannel {
        id: "lipid".into(),
        compliance: Compliance::new(0.7),
        resistance: Resistance::new(0.5),
        ..LineChannel::default()
    });
    let mut question = asked(&line, 2.0, 200.0, 5.0);
    question
        .rates
        .push(("lipid".into(), Rate::new(0.5).unwrap()));
    let expected = expect(&question).unwrap();
    let shared = &expected.blocks[2];
    assert_eq!(shared.part, BlockedPart::JoinOrFilter);
    assert!((shared.compliance_ul_per_mmhg.value - 2.0).abs() < 1e-12);
    let highest = expected
        .channels
        .iter()
        .map(|c| c.pressure_mmhg.value)
        .fold(0.0, f64::max);
    let by_hand = 2.0e-3 * (200.0 - highest) / 2.5 * 60.0;
    assert!((shared.minutes_to_alarm.unwrap().value - by_hand).abs() < 1e-9);
}

#[test]
fn an_empty_line_file_gives_wide_ranges_and_says_so() {
    let line = Line::default();
    let expected = expect(&asked(&line, 4.0, 300.0, 3.5)).unwrap();
    assert!(7 <= expected.taken.len(), "{:?}", expected.taken);
    let p = expected.channels[0].pressure_mmhg;
    assert!(p.low < p.value && p.value < p.high);
}

#[test]
fn a_limit_below_the_vein_gives_no_time() {
    let line = bench(1.0);
    let expected = expect(&asked(&line, 1.0, 2.0, 5.0)).unwrap();
    assert!(expected.blocks.iter().all(|b| b.minutes_to_alarm.is_none()));
    let unknown = Line::default();
    let nothing = Question {
        rates: Vec::new(),
        ..asked(&unknown, 1.0, 2.0, 5.0)
    };
    assert_eq!(expect(&nothing), None);
}
