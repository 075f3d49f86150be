//! The text form of HL7 v2: delimiters, segments, fields, escapes.
//!
//! In: lines of a message. Out: [`Segment`], whose parts are found by their numbers as the standard counts them: fields,
//! repetitions, components and subcomponents from 1. What is not there is empty, as in the standard.

use std::borrow::Cow;

/// The signs that divide a message, as its header names them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Delimiters {
    pub(super) field: char,
    pub(super) component: char,
    pub(super) repetition: char,
    pub(super) escape: char,
    pub(super) subcomponent: char,
}

impl Delimiters {
    /// Reads them from a header (`MSH`, `FHS`, `BHS`); signs that it leaves out are the usual ones.
    pub(super) fn of(header: &str) -> Option<Self> {
        let mut rest = header.chars().skip(3);
        let field = rest.next().filter(|c| !c.is_alphanumeric())?;
        let signs: Vec<char> = rest.take_while(|c| *c != field).take(5).collect();
        let sign = |i: usize, usual: char| signs.get(i).copied().unwrap_or(usual);
        let all = Self {
            field,
            component: sign(0, '^'),
            repetition: sign(1, '~'),
            escape: sign(2, '\\'),
            subcomponent: sign(3, '&'),
        };
        let mut each = vec![
            field,
            all.component,
            all.repetition,
            all.escape,
            all.subcomponent,
        ];
        each.sort_unstable();
        let before = each.len();
        each.dedup();
        (each.len() == before && !each.iter().any(|c| c.is_alphanumeric())).then_some(all)
    }
}

/// One segment of a message.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Segment {
    /// Line in the file on which it begins, from 1.
    pub(super) line: u64,
    pub(super) text: String,
    pub(super) signs: Delimiters,
}

impl Segment {
    /// Its name: `OBX`.
    pub(super) fn id(&self) -> &str {
        self.text.get(..3).unwrap_or_default()
    }

    /// A field, as it stands. In a header the first field is the field separator itself.
    pub(super) fn field(&self, number: usize) -> &str {
        let is_header = matches!(self.id(), "MSH" | "FHS" | "BHS");
        let skipped = if is_header { 1 } else { 0 };
        match number.checked_sub(skipped) {
            Some(0) if is_header => self.text.get(3..4).unwrap_or_default(),
            Some(place) => nth(&self.text, self.signs.field, place),
            None => "",
        }
    }

    /// The repetitions of a field; none where it is empty.
    pub(super) fn repetitions(&self, field: usize) -> impl Iterator<Item = &str> {
        let text = self.field(field);
        let parts = text.split(self.signs.repetition);
        parts.take(if text.is_empty() { 0 } else { usize::MAX })
    }

    /// A component of a field's first repetition, as it stands.
    pub(super) fn component(&self, field: usize, component: usize) -> &str {
        let first = nth(self.field(field), self.signs.repetition, 0);
        nth(first, self.signs.component, component.saturating_sub(1))
    }

    /// A component as text, its escapes undone.
    pub(super) fn text(&self, field: usize, component: usize) -> Cow<'_, str> {
        unescape(self.component(field, component), self.signs)
    }
}

fn nth(text: &str, sign: char, place: usize) -> &str {
    text.split(sign).nth(place).unwrap_or_default()
}

/// Undoes escapes: `\F\ \S\ \T\ \R\ \E\` are the delimiters, `\Xhh…\` bytes in hexadecimal, `\.br\` a line end. Marks of
/// highlighting and of character sets are left out; any other escape stays as it stands.
pub(super) fn unescape(text: &str, signs: Delimiters) -> Cow<'_, str> {
    if !text.contains(signs.escape) {
        return Cow::Borrowed(text);
    }
    let mut plain = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, after)) = rest.split_once(signs.escape) {
        plain.push_str(before);
        let Some((inside, behind)) = after.split_once(signs.escape) else {
            plain.push(signs.escape); // never closed: no escape
            rest = after;
            continue;
        };
        match inside {
            "F" => plain.push(signs.field),
            "S" => plain.push(signs.component),
            "T" => plain.push(signs.subcomponent),
            "R" => plain.push(signs.repetition),
            "E" => plain.push(signs.escape),
            "H" | "N" => {}
            ".br" => plain.push('\n'),
            _ => match hexadecimal(inside) {
                Some(text) => plain.push_str(&text),
                None if inside.starts_with(['C', 'M']) => {}
                None => {
                    plain.push(signs.escape);
                    plain.push_str(inside);
                    plain.push(signs.escape);
                }
            },
        }
        rest = behind;
    }
    plain.push_str(rest);
    Cow::Owned(plain)
}

fn hexadecimal(inside: &str) -> Option<String> {
    let digits = inside.strip_prefix('X')?;
    if digits.is_empty() || digits.len() % 2 == 1 || !digits.bytes().all(|b| b.is_ascii_hexdigit())
    {
        return None;
    }
    let pairs = (0..digits.len()).step_by(2);
    let bytes: Vec<u8> = pairs
        .filter_map(|i| u8::from_str_radix(digits.get(i..i + 2)?, 16).ok())
        .collect();
    Some(String::from_utf8_lossy(&bytes).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn segment(text: &str) -> Segment {
        Segment {
            line: 1,
            text: text.into(),
            signs: Delimiters::of("MSH|^~\\&|").unwrap(),
        }
    }

    #[test]
    fn parts_are_counted_as_the_standard_counts_them() {
        let header = segment("MSH|^~\\&|SIM^02AA^EUI-64|HOSP|||20260329");
        assert_eq!(header.field(1), "|");
        assert_eq!(header.field(2), "^~\\&");
        assert_eq!(
            (header.component(3, 2), header.field(7)),
            ("02AA", "20260329")
        );
        let order = segment("OBR|1||A^B|x~y^z|^ALM&GW&02");
        assert_eq!(order.field(1), "1");
        assert_eq!((order.component(3, 2), order.component(4, 2)), ("B", ""));
        assert_eq!(order.repetitions(4).collect::<Vec<_>>(), ["x", "y^z"]);
        assert_eq!(order.component(5, 2), "ALM&GW&02");
        assert_eq!(order.field(99), "");
        assert_eq!(order.repetitions(2).count(), 0);
    }

    #[test]
    fn delimiters_are_those_of_the_header() {
        let signs = Delimiters::of("MSH#*@!%#SIM#").unwrap();
        assert_eq!(
            (
                signs.field,
                signs.component,
                signs.repetition,
                signs.escape,
                signs.subcomponent
            ),
            ('#', '*', '@', '!', '%')
        );
        for bad in ["MSH", "MSHX", "MSH|^^~&|", "MSH||"] {
            let found = Delimiters::of(bad);
            assert_eq!(found.is_some(), bad == "MSH||", "{bad}");
        }
    }

    #[rstest]
    #[case("TESTDRUG \\T\\ SALINE", "TESTDRUG & SALINE")]
    #[case("\\F\\\\S\\\\R\\\\E\\", "|^~\\")]
    #[case("a\\X0D0A\\b", "a\r\nb")]
    #[case("\\H\\bold\\N\\ x\\.br\\y", "bold x\ny")]
    #[case("C:\\dir", "C:\\dir")]
    #[case("\\Zunknown\\", "\\Zunknown\\")]
    #[case("\\X0\\", "\\X0\\")]
    fn escapes_are_undone(#[case] text: &str, #[case] plain: &str) {
        assert_eq!(unescape(text, segment("").signs), plain);
    }
}
