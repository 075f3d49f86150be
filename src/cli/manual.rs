//! `patency manual`: what a cause or a kind of evidence is, its mark, when it misleads, its source.

use super::out;
use crate::error::{Error, Result};
use crate::report::{manual_contents, manual_near, manual_text};

/// Explains a cause or a kind of evidence, in the words that reports use.
///
/// Without a name, lists the pages.
///
/// Example: patency manual filter-loading
#[derive(clap::Args)]
pub struct Args {
    /// The page's name, as the list has it
    #[arg(value_name = "NAME")]
    name: Option<String>,
}

/// Columns of the printed text.
const WIDTH: usize = 80;

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let Some(name) = args.name.as_deref() else {
        return out::print(&manual_contents(WIDTH, true));
    };
    let page = manual_text(name, WIDTH, true).ok_or_else(|| {
        let near = manual_near(name);
        let error = Error::new(format!("the manual has no page `{name}`"));
        match near.is_empty() {
            true => error.hint("`patency manual` lists the pages"),
            false => error.hint(format!("did you mean {}?", near.join(", "))),
        }
    })?;
    out::print(&page)
}
