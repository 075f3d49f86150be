//! Figures with their units and no more digits than they deserve.

use crate::units::Estimate;

/// A number with so many decimals at most; trailing zeros are dropped, and `-0` is 0.
fn decimals(x: f64, places: usize) -> String {
    let text = format!("{x:.places$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    if text == "-0" {
        "0".into()
    } else {
        text.replace('-', "−")
    }
}

/// A number with so many significant digits, never in powers of ten.
pub fn significant(x: f64, digits: i32) -> String {
    if x == 0.0 || !x.is_finite() {
        return decimals(x, 0);
    }
    let places = digits - 1 - x.abs().log10().floor() as i32;
    decimals(x, places.clamp(0, 6) as usize)
}

/// mmHg: whole numbers from 10 on, one decimal below.
pub fn pressure(mmhg: f64) -> String {
    format!("{} mmHg", bare_pressure(mmhg))
}

fn bare_pressure(mmhg: f64) -> String {
    decimals(mmhg, if mmhg.abs() < 9.95 { 1 } else { 0 })
}

/// mL/h, two decimals at most.
pub fn rate(ml_per_h: f64) -> String {
    format!("{} mL/h", rate_bare(ml_per_h))
}

/// mL/h without the unit, for an axis that names it.
pub fn rate_bare(ml_per_h: f64) -> String {
    decimals(ml_per_h, 2)
}

/// mmHg for each mL/h, two significant digits (three from 100 on).
pub fn resistance(mmhg_h_per_ml: f64) -> String {
    format!("{} mmHg per mL/h", bare(mmhg_h_per_ml))
}

/// A figure without its unit: two significant digits, and whole from 10 on.
pub fn bare(x: f64) -> String {
    if 9.95 <= x.abs() {
        decimals(x, 0)
    } else {
        significant(x, 2)
    }
}

/// µL for each mmHg, two significant digits.
pub fn compliance(ul_per_mmhg: f64) -> String {
    format!("{} µL/mmHg", bare(ul_per_mmhg))
}

/// mL, two decimals; what is smaller than that says so.
pub fn volume(ml: f64) -> String {
    if 0.0 < ml && ml < 0.005 {
        "less than 0.01 mL".into()
    } else if 9.95 <= ml {
        format!("{} mL", decimals(ml, 0))
    } else {
        format!("{ml:.2} mL")
    }
}

/// A figure with its limits: `2.3 mmHg per mL/h (95 % interval 2.1 to 2.5)`.
pub fn with_interval(e: Estimate, in_words: fn(f64) -> String, share: &str) -> String {
    let value = in_words(e.value);
    let number = |x: f64| {
        let text = in_words(x);
        text.split_once(' ')
            .filter(|(n, _)| n.starts_with(|c: char| c.is_ascii_digit() || c == '−'))
            .map_or(text.clone(), |(n, _)| n.to_string())
    };
    format!(
        "{value} ({share} interval {} to {})",
        number(e.low),
        number(e.high)
    )
}

/// A probability in whole per cent; never 0 or 100, for nothing here is certain. The
/// space does not break.
pub fn percent(share: f64) -> String {
    let whole = (share * 100.0).round();
    if whole < 1.0 {
        "under 1\u{a0}%".into()
    } else if 99.0 < whole {
        "over 99\u{a0}%".into()
    } else {
        format!("{whole:.0}\u{a0}%")
    }
}

/// A length of time in its two largest fitting units: `45 s`, `12 min`, `3 h 20 min`, `2 d 4 h`.
pub fn duration(seconds: f64) -> String {
    let s = seconds.abs().round();
    let two = |big: f64, unit: &str, rest: f64, small: &str| {
        if rest < 1.0 {
            format!("{big:.0} {unit}")
        } else {
            format!("{big:.0} {unit} {rest:.0} {small}")
        }
    };
    if s < 100.0 {
        format!("{s:.0} s")
    } else if s < 3570.0 {
        format!("{:.0} min", s / 60.0)
    } else if s < 47.5 * 3600.0 {
        let minutes = (s / 60.0).round();
        two((minutes / 60.0).floor(), "h", minutes % 60.0, "min")
    } else {
        let hours = (s / 3600.0).round();
        two((hours / 24.0).floor(), "d", hours % 24.0, "h")
    }
}

/// A count with its noun: `1 pause`, `1,204 rows`.
pub fn count(n: u64, one: &str, many: &str) -> String {
    let digits = n.to_string();
    let mut grouped = String::new();
    for (i, c) in digits.chars().enumerate() {
        if 0 < i && (digits.len() - i).is_multiple_of(3) {
            grouped.push(',');
        }
        grouped.push(c);
    }
    format!("{grouped} {}", if n == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case(pressure(31.4), "31 mmHg")]
    #[case(pressure(-4.26), "−4.3 mmHg")]
    #[case(pressure(-0.01), "0 mmHg")]
    #[case(rate(12.5), "12.5 mL/h")]
    #[case(rate(0.456), "0.46 mL/h")]
    #[case(resistance(2.345), "2.3 mmHg per mL/h")]
    #[case(resistance(20.4), "20 mmHg per mL/h")]
    #[case(resistance(123.4), "123 mmHg per mL/h")]
    #[case(compliance(0.0123), "0.012 µL/mmHg")]
    #[case(volume(0.313), "0.31 mL")]
    #[case(volume(0.001), "less than 0.01 mL")]
    #[case(percent(0.004), "under 1\u{a0}%")]
    #[case(percent(0.997), "over 99\u{a0}%")]
    #[case(percent(0.884), "88\u{a0}%")]
    #[case(duration(45.0), "45 s")]
    #[case(duration(720.0), "12 min")]
    #[case(duration(12_000.0), "3 h 20 min")]
    #[case(duration(7200.0), "2 h")]
    #[case(duration(187_200.0), "2 d 4 h")]
    #[case(count(1, "row", "rows"), "1 row")]
    #[case(count(1_204_567, "row", "rows"), "1,204,567 rows")]
    fn figures_carry_a_unit_and_sensible_digits(#[case] shown: String, #[case] expected: &str) {
        assert_eq!(shown, expected);
    }

    #[test]
    fn an_interval_names_the_unit_once() {
        let e = Estimate::new(0.31, 0.25, 0.38).unwrap();
        assert_eq!(
            with_interval(e, volume, "95 %"),
            "0.31 mL (95 % interval 0.25 to 0.38)"
        );
        let small = Estimate::new(0.02, 0.001, 0.1).unwrap();
        assert_eq!(
            with_interval(small, volume, "95 %"),
            "0.02 mL (95 % interval less than 0.01 mL to 0.10)"
        );
    }
}
