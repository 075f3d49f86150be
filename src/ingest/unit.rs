//! Units as exports write them, and their factors to the contract's.
//!
//! In: a unit's text, as it stands in a header, a cell or a mapping file. Out: [`Unit`], or none where the text is no
//! unit that is known. Scales without a fixed size (percent, levels, drops) are known as such and refused.

use crate::units::PASCAL_PER_MMHG;

/// What a number measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quantity {
    /// Pressure, read as mmHg.
    Pressure,
    /// Rate, read as mL/h.
    Rate,
    /// Volume, read as mL.
    Volume,
    /// Time, read as seconds.
    Time,
}

/// A known unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// Its UCUM code.
    pub code: &'static str,
    /// What it measures.
    pub quantity: Quantity,
    /// Times this gives the contract's unit; `None` for a scale that has no fixed size.
    pub factor: Option<f64>,
}

const fn unit(code: &'static str, quantity: Quantity, factor: f64) -> Unit {
    Unit {
        code,
        quantity,
        factor: Some(factor),
    }
}

const fn scale(code: &'static str, quantity: Quantity) -> Unit {
    Unit {
        code,
        quantity,
        factor: None,
    }
}

/// Code, quantity, factor; and the other ways of writing it, in lower case without blanks and brackets.
///
/// Factors: SI, and UCUM 2.2 (`ucum-essence.xml`, 2024-06-17) for `bar`, `cm[H2O]` (98.0665 Pa) and `[psi]`
/// (6894.757293168 Pa = 1 lbf/in²); NIST SP 811 (2008), appendix B.8, for inches of mercury (3.386389e3 Pa); 1 mmHg as in [`PASCAL_PER_MMHG`]. UCUM's own 133.322 differs by 3 in a million.
const UNITS: &[(Unit, &[&str])] = {
    use Quantity::{Pressure, Rate, Time, Volume};
    &[
        (unit("mm[Hg]", Pressure, 1.0), &["mmhg"]),
        (
            unit("Torr", Pressure, 101_325.0 / 760.0 / PASCAL_PER_MMHG),
            &["torr"],
        ),
        (unit("Pa", Pressure, 1.0 / PASCAL_PER_MMHG), &["pa"]),
        (unit("hPa", Pressure, 100.0 / PASCAL_PER_MMHG), &["hpa"]),
        (unit("kPa", Pressure, 1000.0 / PASCAL_PER_MMHG), &["kpa"]),
        (unit("mbar", Pressure, 100.0 / PASCAL_PER_MMHG), &["mbar"]),
        (unit("bar", Pressure, 1e5 / PASCAL_PER_MMHG), &["bar"]),
        (
            unit("cm[H2O]", Pressure, 98.0665 / PASCAL_PER_MMHG),
            &["cmh2o", "cmh₂o"],
        ),
        (
            unit("[psi]", Pressure, 6_894.757_293_168 / PASCAL_PER_MMHG),
            &["psi", "psig"],
        ),
        (unit("MPa", Pressure, 1e6 / PASCAL_PER_MMHG), &["mpa"]),
        (
            unit("mm[H2O]", Pressure, 9.80665 / PASCAL_PER_MMHG),
            &["mmh2o", "mmh₂o"],
        ),
        (
            unit("[in_i'Hg]", Pressure, 3_386.389 / PASCAL_PER_MMHG),
            &["inhg"],
        ),
        (scale("%", Pressure), &["percent", "prozent", "%limit"]),
        (scale("{level}", Pressure), &["level", "stufe"]),
        (
            unit("mL/h", Rate, 1.0),
            &[
                "ml/h",
                "ml/hr",
                "ml/hour",
                "ml/std",
                "ml/stunde",
                "cc/h",
                "cc/hr",
                "ml·h⁻¹",
                "mlh⁻¹",
                "mlh-1",
                "ml·h-1",
                "ml.h-1",
                "mlperhour",
            ],
        ),
        (unit("L/h", Rate, 1000.0), &["l/h", "l/hr"]),
        (unit("uL/h", Rate, 1e-3), &["ul/h", "mcl/h", "ul/hr"]),
        (unit("mL/min", Rate, 60.0), &["ml/min", "cc/min"]),
        (unit("uL/min", Rate, 0.06), &["ul/min", "mcl/min"]),
        (
            unit("mL/d", Rate, 1.0 / 24.0),
            &["ml/d", "ml/24h", "ml/day"],
        ),
        (
            scale("[drp]/min", Rate),
            &["drops/min", "gtt/min", "drp/min"],
        ),
        (unit("mL", Volume, 1.0), &["ml", "cc", "cm3", "cm³"]),
        (unit("L", Volume, 1000.0), &["l"]),
        (unit("uL", Volume, 1e-3), &["ul", "mcl"]),
        (unit("s", Time, 1.0), &["sec", "secs", "second", "seconds"]),
        (
            unit("ms", Time, 1e-3),
            &["msec", "millisecond", "milliseconds"],
        ),
        (unit("min", Time, 60.0), &["mins", "minute", "minutes"]),
        (unit("h", Time, 3600.0), &["hr", "hrs", "hour", "hours"]),
        (unit("d", Time, 86_400.0), &["day", "days"]),
    ]
};

impl Unit {
    /// Knows a unit by its UCUM code or a usual spelling.
    ///
    /// ```
    /// use patency::ingest::Unit;
    /// assert_eq!(Unit::find("mm Hg").unwrap().code, "mm[Hg]");
    /// assert_eq!(Unit::find("µL/min").unwrap().factor, Some(0.06)); // mL/h for each
    /// assert_eq!(Unit::find("%").unwrap().factor, None); // no fixed size
    /// assert!(Unit::find("furlong").is_none());
    /// ```
    pub fn find(text: &str) -> Option<Unit> {
        let text = text.trim();
        if let Some((unit, _)) = UNITS.iter().find(|(unit, _)| unit.code == text) {
            return Some(*unit);
        }
        let plain: String = text
            .chars()
            .filter(|c| !c.is_whitespace() && !matches!(c, '[' | ']' | '(' | ')' | '{' | '}'))
            .map(|c| if matches!(c, 'µ' | 'μ') { 'u' } else { c })
            .collect::<String>()
            .to_lowercase();
        UNITS
            .iter()
            .find(|(unit, other)| unit.code == plain || other.contains(&plain.as_str()))
            .map(|(unit, _)| *unit)
    }

    /// The unit that a cell below or above a header states, with or without brackets.
    pub(super) fn in_cell(cell: &str) -> Option<Unit> {
        Unit::find(cell.trim_matches(['[', ']', '(', ')']))
    }

    /// The unit that a column's name states, and how it is written there.
    pub(super) fn in_header(header: &str) -> Option<(Unit, &str)> {
        let within = |open: char, close: char| {
            let (_, rest) = header.rsplit_once(open)?;
            rest.split_once(close).map(|(inner, _)| inner)
        };
        let brackets = [within('[', ']'), within('(', ')')].into_iter().flatten();
        // mm[Hg] and cm[H2O] have brackets of their own; a last word like `kPa` or `_mmhg` counts too.
        let last = header.rsplit([' ', '_', ',', '/']).next().into_iter();
        let mut ends = header.rmatch_indices([' ', '_', ',']);
        let two = ends.next().and_then(|(i, _)| header.get(i + 1..));
        let underscored = header.rmatch_indices('_').nth(1);
        let underscored = underscored.and_then(|(i, _)| header.get(i + 1..));
        // A lone letter is too little: `Phase L`, `Zone h`.
        let stated = |text: &str| text.chars().count() > 1 || header.contains(['[', '(']);
        let mut tried = brackets.chain(two).chain(last);
        let found =
            tried.find_map(|text| Unit::find(text).filter(|_| stated(text)).map(|u| (u, text)));
        found.or_else(|| {
            let text = underscored?;
            Unit::find(&text.replacen('_', "/", 1)).map(|unit| (unit, text))
        })
    }

    /// The units of one quantity, for hints.
    pub fn known(quantity: Quantity) -> String {
        let of_it = UNITS.iter().map(|(unit, _)| unit);
        let codes: Vec<&str> = of_it
            .filter(|u| u.quantity == quantity && u.factor.is_some())
            .map(|u| u.code)
            .collect();
        codes.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // Expected numbers: NIST SP 811 (2008), appendix B.8, in Pa: bar 1e5, psi 6.894757e3, cmH2O (conventional)
    // 9.80665e1, mmHg (conventional) 1.333224e2, torr 1.333224e2.
    #[rstest]
    #[case("kPa", 1000.0 / 133.3224)]
    #[case("bar", 1e5 / 133.3224)]
    #[case("mbar", 100.0 / 133.3224)]
    #[case("[psi]", 6894.757 / 133.3224)]
    #[case("cm[H2O]", 98.0665 / 133.3224)]
    #[case("cmH2O", 98.0665 / 133.3224)]
    #[case("mmHg", 1.0)]
    #[case("Torr", 1.0)]
    #[case("mmH2O", 9.80665 / 133.3224)]
    #[case("inHg", 3386.389 / 133.3224)]
    #[case("MPa", 1e6 / 133.3224)]
    fn pressures_turn_into_mmhg_as_the_handbook_has_it(#[case] text: &str, #[case] mmhg: f64) {
        let unit = Unit::find(text).unwrap();
        assert_eq!(unit.quantity, Quantity::Pressure);
        assert!((unit.factor.unwrap() / mmhg - 1.0).abs() < 1e-6, "{unit:?}");
    }

    #[rstest]
    #[case("ml/hr", "mL/h", 1.0)]
    #[case("µL/min", "uL/min", 0.06)] // U+00B5
    #[case("μL/min", "uL/min", 0.06)] // U+03BC
    #[case("mcL/h", "uL/h", 1e-3)]
    #[case("mL/min", "mL/min", 60.0)]
    #[case("L/h", "L/h", 1000.0)]
    #[case("cc/h", "mL/h", 1.0)]
    #[case("ml h-1", "mL/h", 1.0)]
    #[case("mL/hour", "mL/h", 1.0)]
    fn rates_turn_into_millilitres_an_hour(
        #[case] text: &str,
        #[case] code: &str,
        #[case] factor: f64,
    ) {
        let unit = Unit::find(text).unwrap();
        assert_eq!((unit.code, unit.factor), (code, Some(factor)));
    }

    #[test]
    fn scales_without_a_fixed_size_have_no_factor() {
        for text in ["%", "level", "gtt/min", "[drp]/min"] {
            assert_eq!(Unit::find(text).unwrap().factor, None, "{text}");
        }
    }
}
