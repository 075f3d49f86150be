//! Location by compliance, in words: which stretch of the line holds as much elastic line as the climb says lies between pump and
//! block.
//!
//! In: the line file's parts and the compliance found from the ramp, with its interval. Out: one sentence. Elastic line adds up
//! from the pumps on; a block has the part above it between itself and the pump:
//!
//! ```text
//! pump ── own tubing ──┐
//!                    join ── filter ── tail ── hub, catheter
//! pump ── own tubing ──┘
//! 0 … own            sum … + filter … + tail   (the catheter is stiff and adds nothing)
//! ```

use super::number::{bare, compliance, with_interval};
use super::{clip, list};
use crate::infer::{Episode, Site};
use crate::record::{FilterPosition, Line, Record};
use crate::units::Estimate;

/// A part of the line, and the elastic line that a block in it may have above itself, µL/mmHg.
struct Stretch {
    name: String,
    from: f64,
    to: f64,
}

/// The sentence for an episode; `None` where nothing in the line between pump and vein is suspected.
pub fn stretch(record: &Record, e: &Episode) -> Option<String> {
    if matches!(
        e.suggested,
        Some(Site::Supply | Site::Settings | Site::None)
    ) {
        return None;
    }
    let Some(found) = e.block_compliance_ul_per_mmhg else {
        return Some(NO_RAMP.into());
    };
    let channels: Vec<&str> = record.channels.iter().map(|c| c.id.as_str()).collect();
    // A pump whose own tubing it may be: the one it was found at, or the only one that felt it. Else it lies below the join.
    let own = match (&e.at_channel, e.channels.as_slice()) {
        (Some(channel), _) | (None, [channel]) => Some(channel.as_str()),
        _ => None,
    };
    Some(sentence(record.line.as_ref(), &channels, own, found))
}

/// Said where the climb has no ramp to tell a compliance from.
const NO_RAMP: &str = "The pressure rise does not show how far along the line the obstruction was.";

fn sentence(line: Option<&Line>, channels: &[&str], own: Option<&str>, found: Estimate) -> String {
    let amount = with_interval(found, compliance, "95 %");
    let begin =
        format!("The pressure rise shows {amount} of elastic line between pump and obstruction");
    let parts = match stretches(line, channels, own) {
        Ok(parts) => parts,
        Err(why) => return format!("{begin}; {why}, so which stretch that is cannot be told."),
    };
    let whole = parts.iter().map(|p| p.to).fold(0.0, f64::max);
    let fits: Vec<&Stretch> = parts
        .iter()
        .filter(|p| p.from <= found.high && found.low <= p.to)
        .collect();
    let (Some(first), Some(last)) = (fits.first(), fits.last()) else {
        return format!(
            "{begin}; no stretch of the line file fits that (the whole line has {}). Does the file describe this line?",
            compliance(whole)
        );
    };
    let names: Vec<String> = fits.iter().map(|p| p.name.clone()).collect();
    let range = match bare(first.from) == bare(last.to) {
        true => compliance(last.to),
        false => format!("{} to {}", bare(first.from), compliance(last.to)),
    };
    if fits.len() == parts.len() && 1 < parts.len() {
        return format!(
            "{begin}; by the line file every stretch fits that, from {} on ({range}), so which one it is cannot be told.",
            first.name
        );
    }
    let more = match fits.len() {
        1 => "",
        _ => " Between these it cannot be told.",
    };
    format!(
        "{begin}; by the line file that fits {} ({range}).{more}",
        list(&names)
    )
}

/// The stretches from the pumps to the catheter, or what is missing to know them.
fn stretches(
    line: Option<&Line>,
    channels: &[&str],
    at: Option<&str>,
) -> Result<Vec<Stretch>, String> {
    let line = line.ok_or("there is no line file")?;
    let lacks = |part: &str| format!("the line file gives no compliance of {part}");
    let mut parts = Vec::new();
    let mut sum = 0.0;
    for &id in channels {
        let own = line.channel(id).and_then(|c| c.compliance);
        let own = own.ok_or_else(|| lacks(&format!("channel “{}”", clip(id))))?;
        sum += own.get();
        if at == Some(id) {
            let name = match channels.len() {
                1 => "the tubing".to_string(),
                _ => format!("the tubing of channel “{}”", clip(id)),
            };
            parts.push(Stretch {
                name,
                from: 0.0,
                to: own.get(),
            });
        }
    }
    match line.filter.position {
        Some(FilterPosition::None) => {}
        Some(FilterPosition::AboveJoin { .. }) => {
            return Err(
                "the filter stands above the join, and what lies above it is not in the line file"
                    .into(),
            );
        }
        Some(FilterPosition::BelowJoin) | None => {
            let housing = line.filter.compliance.ok_or_else(|| lacks("the filter"))?;
            parts.push(Stretch {
                name: "the in-line filter".into(),
                from: sum,
                to: sum + housing.get(),
            });
            sum += housing.get();
        }
    }
    let tail = line.tail.compliance.ok_or_else(|| lacks("the tail"))?;
    let above = match line.filter.position {
        Some(FilterPosition::None) if channels.len() == 1 => "pump",
        Some(FilterPosition::None) => "join",
        _ => "filter",
    };
    parts.push(Stretch {
        name: format!("the stretch from the {above} to the catheter’s tip"),
        from: sum,
        to: sum + tail.get(),
    });
    Ok(parts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{FilterPart, LineChannel, Tail};
    use crate::units::Compliance;
    use rstest::rstest;

    fn line() -> Line {
        let channel = |id: &str, ul_per_mmhg| LineChannel {
            id: id.into(),
            compliance: Compliance::new(ul_per_mmhg),
            ..LineChannel::default()
        };
        Line {
            filter: FilterPart {
                position: Some(FilterPosition::BelowJoin),
                compliance: Compliance::new(0.25),
                ..FilterPart::default()
            },
            tail: Tail {
                compliance: Compliance::new(0.2),
            },
            channels: vec![channel("pn", 1.3), channel("lipid", 0.9)],
            ..Line::default()
        }
    }

    fn said(line: Option<&Line>, at: Option<&str>, (value, low, high): (f64, f64, f64)) -> String {
        sentence(line, &["pn", "lipid"], at, Estimate { value, low, high })
    }

    // Elastic line above each part: pn 0 to 1.3; filter 2.2 to 2.45; tail 2.45 to 2.65.
    #[rstest]
    #[case::one_channel(Some("pn"), (1.1, 0.9, 1.3), "that fits the tubing of channel “pn” (0 to 1.3 µL/mmHg).")]
    #[case::the_filter(None, (2.3, 2.25, 2.4), "that fits the in-line filter (2.2 to 2.5 µL/mmHg).")]
    #[case::the_tail(None, (2.6, 2.5, 2.9), "that fits the stretch from the filter to the catheter’s tip (2.5 to 2.7 µL/mmHg).")]
    #[case::all_below_the_join(None, (2.4, 2.0, 2.9), "every stretch fits that, from the in-line filter on (2.2 to 2.7 µL/mmHg), so which one it is cannot be told.")]
    #[case::two_of_three(Some("pn"), (2.4, 2.0, 2.9), "that fits the in-line filter and the stretch from the filter to the catheter’s tip (2.2 to 2.7 µL/mmHg). Between these it cannot be told.")]
    #[case::more_than_there_is(Some("pn"), (4.0, 3.0, 5.0), "no stretch of the line file fits that (the whole line has 2.7 µL/mmHg). Does the file describe this line?")]
    #[case::between_own_tubing_and_join(Some("pn"), (1.7, 1.5, 1.9), "no stretch of the line file fits that (the whole line has 2.7 µL/mmHg). Does the file describe this line?")]
    fn the_stretch_is_named_that_holds_as_much_elastic_line(
        #[case] at: Option<&str>,
        #[case] found: (f64, f64, f64),
        #[case] expected: &str,
    ) {
        let text = said(Some(&line()), at, found);
        assert!(text.ends_with(expected), "{text}");
        assert!(
            text.starts_with("The pressure rise shows ") && text.contains("95 % interval"),
            "{text}"
        );
    }

    #[test]
    fn what_the_line_file_lacks_is_said() {
        let found = (1.1, 0.9, 1.3);
        let mut bare = line();
        bare.tail.compliance = None;
        bare.channels[1].compliance = None;
        let end = |line: Option<&Line>| said(line, Some("pn"), found);
        assert_eq!(
            end(None),
            "The pressure rise shows 1.1 µL/mmHg (95 % interval 0.9 to 1.3) of elastic line between pump and obstruction; there is no line \
             file, so which stretch that is cannot be told."
        );
        let lacks = |part: &str| {
            format!(
                "the line file gives no compliance of {part}, so which stretch that is cannot be told."
            )
        };
        assert!(end(Some(&bare)).ends_with(&lacks("channel “lipid”")));
        bare.channels[1].compliance = Compliance::new(0.9);
        assert!(end(Some(&bare)).ends_with(&lacks("the tail")));
        bare.filter.compliance = None;
        assert!(end(Some(&bare)).ends_with(&lacks("the filter")));
        bare.filter.position = Some(FilterPosition::AboveJoin {
            channel: "pn".into(),
        });
        assert!(end(Some(&bare)).contains("the filter stands above the join"));
    }

    #[test]
    fn without_a_filter_the_tail_begins_at_the_join() {
        let mut line = line();
        line.filter.position = Some(FilterPosition::None);
        let text = said(Some(&line), None, (2.3, 2.25, 2.35));
        assert!(
            text.ends_with(
                "that fits the stretch from the join to the catheter’s tip (2.2 to 2.4 µL/mmHg)."
            ),
            "{text}"
        );
    }
}
