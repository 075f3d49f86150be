//! A site's own shares of causes, in TOML: `[share]`, then a line for each cause that is to have another share than the
//! published one.
//!
//! In: its bytes. Out: [`Priors`]. Every error has its line and key.

use super::Source;
use super::toml_text::{Part, TomlKind, TomlText};
use crate::error::{Error, Result};
use crate::record::{Priors, Unfit};

const PRIORS_FILE: TomlKind = TomlKind {
    name: "a file of priors",
    example: "a file of priors has lines like `tubing-blocked = 0.3` under the heading `[share]`",
};

/// Reads a file of priors.
///
/// # Errors
/// No TOML, an unknown cause, a share that is not between [`Priors::LEAST`] and 1, shares that leave nothing for the causes
/// that are not named, or, where all are named, do not sum to 1.
///
/// ```
/// use patency::ingest::{Source, read_priors};
/// let mut text = "[share]\ntubing-blocked = 0.3\n".as_bytes();
/// let priors = read_priors(Source { name: "priors.toml".as_ref(), reader: &mut text }).unwrap();
/// assert!((priors.shares()[1] - 0.3).abs() < 1e-12);
/// ```
pub fn read_priors(source: Source) -> Result<Priors> {
    let text = TomlText::read(source, &PRIORS_FILE)?;
    let document = text.document()?;
    let root = Part::root(&text, &document);
    root.check_keys(&["share"])?;
    let Some(part) = root.part("share")? else {
        return Err(Error::in_file(&text.name, "there is no heading `[share]`")
            .at_line(1)
            .hint(PRIORS_FILE.example));
    };
    part.check_keys(&Priors::CAUSES)?;
    let share = |x: f64| (Priors::LEAST..1.0).contains(&x).then_some(x);
    let mut named = [None; 11];
    for (cause, slot) in Priors::CAUSES.iter().zip(&mut named) {
        *slot = part.number(cause, "a share of 0.001 to less than 1", share)?;
    }
    Priors::with(named).map_err(|unfit| {
        let (what, hint) = match unfit {
            Unfit::LeaveTooLittle(sum) => (
                format!("the shares sum to {sum:.4}, which leaves too little for the causes not named"),
                "lower them: each cause needs 0.001 at least, or the record could never speak for it",
            ),
            Unfit::NotOne(sum) => (
                format!("all causes are named, and their shares sum to {sum:.4}, not to 1"),
                "leave one out and it gets the rest, or divide each by the sum",
            ),
        };
        Error::in_file(&text.name, what)
            .at_line(part.line)
            .hint(hint)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Priors> {
        let mut bytes = text.as_bytes();
        read_priors(Source {
            name: "p.toml".as_ref(),
            reader: &mut bytes,
        })
    }

    #[test]
    fn what_is_named_holds() {
        let priors = read("[share]\nfilter-loading = 0.40\nartefact = 0.02\n").unwrap();
        assert!((priors.shares()[2] - 0.4).abs() < 1e-12);
        assert!((priors.shares()[10] - 0.02).abs() < 1e-12);
    }

    #[test]
    fn every_error_names_its_line_and_what_to_do() {
        let cases = [
            (
                "[share]\n\nfilter-loding = 0.4\n",
                "p.toml:3",
                "did you mean `filter-loading`?",
            ),
            (
                "[share]\nartefact = 0\n",
                "p.toml:2",
                "a share of 0.001 to less than 1, found `0`",
            ),
            (
                "[share]\nartefact = \"much\"\n",
                "p.toml:2",
                "a share of 0.001",
            ),
            ("[share]\nartefact = nan\n", "p.toml:2", "found `nan`"),
            (
                "# ours\n[share]\ntubing-blocked = 0.7\nfilter-loading = 0.6\n",
                "p.toml:2",
                "sum to 1.3000",
            ),
            ("tubing-blocked = 0.7\n", "p.toml:1", "unknown key"),
            ("", "p.toml:1", "no heading `[share]`"),
            ("[share\n", "p.toml:1", "no TOML"),
        ];
        for (text, place, says) in cases {
            let error = read(text).unwrap_err();
            let shown = format!("{error}");
            assert!(shown.contains(place), "{text:?}: {shown}");
            let all = format!("{shown} {}", error.hint.as_deref().unwrap_or_default());
            assert!(all.contains(says), "{text:?}: {all}");
        }
    }
}
