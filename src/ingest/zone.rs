//! Zones by their name.

use jiff::tz::{Offset, TimeZone};

/// The zone of an IANA name (`Europe/Berlin`, from the data built into the program), of an offset (`+01:00`), or `UTC`.
pub(super) fn find(text: &str) -> Option<TimeZone> {
    if text == "UTC" || text == "Z" {
        return Some(TimeZone::UTC);
    }
    if text.starts_with(['+', '-']) {
        return offset(text).map(TimeZone::fixed);
    }
    TimeZone::get(text).ok()
}

fn offset(text: &str) -> Option<Offset> {
    let (sign, digits) = (text.get(..1)?, text.get(1..)?);
    let (hours, minutes) = digits.split_once(':').unwrap_or((digits, "0"));
    if hours.len() != 2 || 2 < minutes.len() {
        return None;
    }
    let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
    if !(0..=14).contains(&hours) || !(0..=59).contains(&minutes) {
        return None;
    }
    let east = hours * 3600 + minutes * 60;
    Offset::from_seconds(if sign == "-" { -east } else { east }).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zones_are_found_by_name_and_by_offset() {
        for good in [
            "Europe/Berlin",
            "America/New_York",
            "Australia/Lord_Howe",
            "UTC",
            "+01:00",
            "-03:30",
            "+05",
        ] {
            assert!(find(good).is_some(), "{good}");
        }
        for bad in ["Berlin", "CET+1", "+1", "+25:00", "+01:60", "", "+-1:00"] {
            assert!(find(bad).is_none(), "{bad}");
        }
    }
}
