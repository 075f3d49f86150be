//! Which decimal sign the figures of a table have: proved by the cells, or asked.

use super::shape::looks_measured;
use super::sniff::Cell;

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Decimal {
    /// Sign, thousands mark, why.
    Known(char, Option<char>, String),
    /// A cell that may be read in two ways.
    Open(String),
    /// No number is written as text.
    Unneeded,
}

/// The decimal sign, from all cells that look like numbers.
pub(super) fn decimal(rows: &[Vec<Cell>], by_commas: bool) -> Decimal {
    let values = || rows.iter().flatten().filter(|c| c.is_value);
    let words = || rows.iter().flatten().filter(|c| !c.is_value);
    let is_number = |c: &Cell| looks_measured(c) && !c.contains([':', '/']);
    if values().next().is_some() && !words().any(is_number) {
        return Decimal::Unneeded;
    }
    let mut open: Option<&str> = None;
    let (mut point, mut comma) = (0_usize, 0_usize);
    let mut mark = None;
    for cell in words() {
        match reading(cell) {
            Reading::None => {}
            Reading::Sign('.', thousands) => {
                point += 1;
                mark = mark.or(thousands);
            }
            Reading::Sign(_, thousands) => {
                comma += 1;
                mark = mark.or(thousands);
            }
            Reading::Mark(sign) => mark = mark.or(Some(sign)),
            Reading::Open => open = open.or(Some(cell)),
        }
    }
    let proof = |n: usize, sign: &str| {
        format!("{n} cells can only be read so: the {sign} is no mark between thousands")
    };
    match (point, comma, open) {
        (0, 0, Some(cell)) => Decimal::Open(cell.to_string()),
        (0, 0, None) => Decimal::Known(
            '.',
            mark,
            "no cell has a fraction; one that had a comma would be refused".into(),
        ),
        (_, 0, Some(cell)) if cell.contains(',') => {
            Decimal::Known('.', Some(','), proof(point, "point"))
        }
        (_, 0, _) => Decimal::Known('.', mark, proof(point, "point")),
        (0, _, Some(cell)) if cell.contains('.') => {
            Decimal::Known(',', Some('.'), proof(comma, "comma"))
        }
        (0, ..) if !by_commas => Decimal::Known(',', mark, proof(comma, "comma")),
        // Both: dates and version numbers have points too; the sign most cells bear, and the rest is refused on reading.
        _ if point < comma => Decimal::Known(',', mark, proof(comma, "comma")),
        _ => Decimal::Known('.', mark, proof(point, "point")),
    }
}

enum Reading {
    /// No number with a fraction.
    None,
    /// Can only be read with this decimal sign, and this mark between thousands.
    Sign(char, Option<char>),
    /// `1’234`: a mark between thousands, and no fraction.
    Mark(char),
    /// `1,234`: a fraction or a thousand.
    Open,
}

/// The digits and marks of a cell, without what else programs write around a number: `="2,9"`, `(2,9)`, `2,9E+01`, `2,9 mmHg`.
fn bare(cell: &str) -> &str {
    let cell = cell.trim_start_matches(['=', '"', '\'', '(', '-', '+', '\u{2212}']);
    let cell = cell.trim_end_matches(['"', ')', '-']);
    let unit = cell.find(|c: char| c.is_alphabetic() || matches!(c, '[' | '%'));
    cell.get(..unit.unwrap_or(cell.len()))
        .unwrap_or(cell)
        .trim_end()
}

fn reading(cell: &str) -> Reading {
    let digits = bare(cell);
    if digits.is_empty()
        || !digits
            .chars()
            .all(|c| c.is_ascii_digit() || ".,' \u{a0}\u{202f}\u{2009}\u{2019}".contains(c))
    {
        return Reading::None;
    }
    let signs: Vec<char> = digits.chars().filter(|c| !c.is_ascii_digit()).collect();
    let Some(last) = signs.last().copied() else {
        return Reading::None;
    };
    let (whole, part) = digits.rsplit_once(last).unwrap_or((digits, ""));
    let others: Vec<char> = signs.iter().copied().filter(|c| *c != last).collect();
    match (last, signs.len(), others.first()) {
        // 1.234,5: the mark, then the sign.
        ('.' | ',', n, Some(mark)) if others.len() + 1 == n => Reading::Sign(last, Some(*mark)),
        ('.' | ',', 1, None) => {
            let leading = whole.len();
            let may_be_thousands =
                part.len() == 3 && (1..=3).contains(&leading) && !whole.starts_with('0');
            if may_be_thousands {
                Reading::Open
            } else {
                Reading::Sign(last, None)
            }
        }
        (mark, _, None) if !matches!(mark, '.' | ',') => {
            let mut groups = digits.split(mark);
            let first = groups.next().unwrap_or_default().len();
            let marked = (1..=3).contains(&first) && groups.all(|g| g.len() == 3);
            if marked {
                Reading::Mark(mark)
            } else {
                Reading::None
            }
        }
        // 12.03.2031 and 1.234.567 prove nothing.
        _ => Reading::None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case(&["1,5", "2"], Decimal::Known(',', None, String::new()))]
    #[case(&["1.234,5"], Decimal::Known(',', Some('.'), String::new()))]
    #[case(&["1,234.5"], Decimal::Known('.', Some(','), String::new()))]
    #[case(&["0.125", "1.250"], Decimal::Known('.', None, String::new()))]
    #[case(&["1,5", "1.234"], Decimal::Known(',', Some('.'), String::new()))]
    #[case(&["12", "7"], Decimal::Known('.', None, String::new()))]
    #[case(&["3’866", "120"], Decimal::Known('.', Some('’'), String::new()))]
    #[case(&["2,9E+01"], Decimal::Known(',', None, String::new()))]
    #[case(&["29,5 mmHg"], Decimal::Known(',', None, String::new()))]
    #[case(&["1,234", "2,500"], Decimal::Open("1,234".into()))]
    #[case(&["1.234"], Decimal::Open("1.234".into()))]
    fn the_decimal_sign_is_proved_or_asked(#[case] cells: &[&str], #[case] expected: Decimal) {
        let row = |c: &&str| vec![Cell::words(c.to_string())];
        let rows: Vec<Vec<Cell>> = cells.iter().map(row).collect();
        match (decimal(&rows, false), expected) {
            (Decimal::Known(a, m, _), Decimal::Known(b, n, _)) => assert_eq!((a, m), (b, n)),
            (a, b) => assert_eq!(a, b),
        }
    }
}
