//! What cells may hold: figures within their range, names, free text.

/// What a column of numbers may hold. The outer limits lie far beyond any line: they keep nonsense out of the sums.
#[derive(Debug, Clone, Copy)]
pub(super) struct Range {
    pub(super) low: f64,
    pub(super) high: f64,
    outside: &'static str,
}

/// Pressure, mmHg, gauge: below zero is possible (a pump below the patient).
pub(super) const PRESSURE: Range = Range {
    low: -1e5,
    high: 1e5,
    outside: "outside -100000 to 100000",
};
/// Rate, mL/h.
pub(super) const RATE: Range = Range {
    low: 0.0,
    high: 1e5,
    outside: "a rate is 0 to 100000 mL/h",
};
/// Volume delivered, mL.
pub(super) const VOLUME: Range = Range {
    low: 0.0,
    high: 1e7,
    outside: "a volume is 0 to 10000000 mL",
};
/// Pressure limit, mmHg.
pub(super) const LIMIT: Range = Range {
    low: f64::MIN_POSITIVE,
    high: 1e5,
    outside: "a limit is above 0, to 100000 mmHg",
};

/// A figure that its column may hold.
pub(super) fn in_range(value: f64, range: Range) -> Result<f64, &'static str> {
    if value < range.low || range.high < value {
        return Err(range.outside);
    }
    Ok(value + 0.0) // `-0` becomes 0
}

/// Reads a name: UTF-8, not empty, nothing that a terminal might obey.
pub(super) fn name(cell: &[u8]) -> Result<&str, &'static str> {
    let text = std::str::from_utf8(cell).map_err(|_| "not UTF-8 text")?;
    if text.is_empty() {
        return Err("empty");
    }
    if text.chars().any(char::is_control) {
        return Err("control characters in a name");
    }
    if 200 < text.len() {
        return Err("a name of more than 200 bytes");
    }
    Ok(text)
}

/// Reads free text, with anything that a terminal might obey written out.
pub(super) fn text(cell: &[u8]) -> String {
    let text = String::from_utf8_lossy(cell);
    if !text.chars().any(char::is_control) {
        return text.into_owned();
    }
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_negative_rate_is_refused_and_minus_zero_is_zero() {
        assert_eq!(in_range(-0.1, RATE), Err(RATE.outside));
        assert_eq!(in_range(-0.0, RATE).unwrap().to_bits(), 0.0_f64.to_bits());
    }

    #[test]
    fn a_name_that_would_command_a_terminal_is_refused() {
        assert!(name(b"pn\x1b[2J").is_err());
        assert!(name(b"pn\0").is_err());
        assert!(name(b"\xff\xfe").is_err());
        assert_eq!(name("Öl-1".as_bytes()), Ok("Öl-1"));
    }
}
