//! Text in CSV for people: what a spreadsheet would take for a formula and run is kept a text.

use std::borrow::Cow;

/// The text, with an apostrophe before it where a spreadsheet would run it: a log's free text may be anybody's. Numbers stay numbers,
/// negative ones too. (The first characters are those of OWASP's page on CSV injection, from memory.)
pub(super) fn no_formula(text: &str) -> Cow<'_, str> {
    let begins = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    if begins && text.trim().parse::<f64>().is_err() {
        format!("'{text}").into()
    } else {
        text.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_would_be_run_is_a_text_and_a_number_stays_a_number() {
        for run in ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1"] {
            assert_eq!(no_formula(run), format!("'{run}"));
        }
        for kept in ["", "-30", "+4.5", "-1e3", "pn", "limit = 200", "a-b"] {
            assert_eq!(no_formula(kept), kept);
        }
    }
}
