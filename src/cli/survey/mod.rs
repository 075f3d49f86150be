//! `patency survey`: many infusions in, rates and effects out.
//!
//! [`gather`] finds each infusion's files, [`reviews`] reviews them in parallel and keeps what was done, [`kept`] is how that is
//! written down, [`fingerprint`] tells whether a record or the program has changed since.

mod fingerprint;
mod gather;
mod handed;
pub(super) mod kept;
mod reviews;

use super::{open, out};
use crate::error::{Error, Result};
use crate::ingest;
use crate::record::Priors;
use crate::report;
use crate::study::periods::Every;
use crate::study::{self, Cohort, Settings, Skipped};
use std::path::{Path, PathBuf};

pub(super) use gather::Shared;

/// Says across many infusions how often, where and after what the flow was hindered.
///
/// DIR holds infusions.csv (`infusion` and any further columns: unit, fluid, line = path of a line file) and either one
/// folder per infusion (trace.csv, events.csv; also xlsx, parquet, hl7 …) or traces/*.csv|parquet|xlsx and events/*.csv|parquet|xlsx with a column `infusion`.
///
/// With --out, reviews are kept there: a run that was stopped goes on where it was, and only what has changed is reviewed
/// again. An infusion that cannot be read is skipped and listed.
///
/// Retrospective: not for alarm decisions. An association is not a cause.
///
/// Example: patency survey cohort --out survey --group unit,fluid
#[derive(clap::Args)]
pub struct Args {
    /// The folder with infusions.csv
    #[arg(value_name = "DIR")]
    dir: PathBuf,
    /// Write survey.html, survey.json and tables (CSV, Parquet) into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print the survey as one JSON object, and nothing else
    #[arg(long)]
    json: bool,
    /// Rates by a combination of columns, besides each by itself; may be given again
    #[arg(long, value_name = "COLUMN,COLUMN")]
    group: Vec<String>,
    /// Adjust the effect of pauses for these columns
    #[arg(long, value_name = "COLUMN,…", value_delimiter = ',')]
    adjust: Vec<String>,
    /// Compare filters only within the values of these columns
    #[arg(long, value_name = "COLUMN,…", value_delimiter = ',')]
    stratify: Vec<String>,
    /// Chart by month or by week
    #[arg(long, value_enum, default_value_t = By::Month)]
    by: By,
    /// The day of a change of practice: compare before and after
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = parse_day)]
    change: Option<jiff::civil::Date>,
    /// Leave out groups of fewer infusions than this, and others as far as a small one could be worked out from them; the
    /// tables keep a row for each infusion
    #[arg(long, value_name = "N")]
    smallest_group: Option<usize>,
    #[command(flatten)]
    form: open::Form,
    /// How likely each cause is before a record is looked at, in place of the published shares: a TOML file with lines like
    /// `tubing-blocked = 0.3` under `[share]`; causes not named share what is left
    #[arg(long, value_name = "FILE")]
    priors: Option<PathBuf>,
    /// Survey reviews that were made elsewhere: a table (or a folder of tables) with infusion, error, facts, as `patency review --arrow`
    /// writes it
    #[arg(long, value_name = "PATH", conflicts_with_all = ["map", "zone", "channel", "priors", "keep_going"])]
    from_reviews: Option<PathBuf>,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum By {
    Month,
    Week,
}

fn parse_day(text: &str) -> std::result::Result<jiff::civil::Date, String> {
    text.parse()
        .map_err(|_| "expected a day such as 2031-06-01".into())
}

impl Args {
    fn settings(&self, priors: &Priors) -> Settings {
        let split = |g: &String| g.split(',').map(|c| c.trim().to_string()).collect();
        Settings {
            groups: self.group.iter().map(split).collect(),
            adjust: self.adjust.clone(),
            stratify: self.stratify.clone(),
            every: match self.by {
                By::Month => Every::Month,
                By::Week => Every::Week,
            },
            change: self.change,
            smallest_group: self.smallest_group,
            priors: priors.clone(),
        }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let list_file = args.dir.join("infusions.csv");
    let mut file = open::file(&list_file)?;
    let list = ingest::read_infusions(ingest::Source {
        name: &list_file,
        reader: &mut file,
    })?;
    let priors = open::priors(args.priors.as_deref())?;
    let settings = args.settings(&priors);
    let unknown = |e: study::UnknownColumn| {
        let known = if e.known.is_empty() {
            "no further column".into()
        } else {
            e.known.join(", ")
        };
        Error::in_file(&list_file, format!("there is no column `{}`", e.column))
            .at_line(1)
            .hint(format!("the header has {known}"))
    };
    // Found out now rather than after an hour of reviews.
    let nobody = Cohort {
        columns: list.columns.clone(),
        ..Cohort::default()
    };
    study::survey(&nobody, &settings).map_err(unknown)?;

    let reading = args.form.settings()?;
    let keep = args.out.as_deref().filter(|_| args.from_reviews.is_none());
    let keep = keep.map(reviews::Keep::open).transpose()?;
    let working = args.out.clone().unwrap_or_else(std::env::temp_dir);
    let cohort = match &args.from_reviews {
        Some(tables) => handed::cohort(tables, &list),
        None => gather::gather(&args.dir, &list, &reading, &working)
            .and_then(|gathered| reviews::review_all(gathered, &list, &priors, keep.as_ref())),
    };
    let reviewed = cohort.and_then(|cohort| match cohort.members.is_empty() {
        true => Err(nothing_usable(&list_file, &cohort.skipped)),
        false => Ok(cohort),
    });
    let cohort = match (reviewed, &keep) {
        (Ok(cohort), _) => cohort,
        (Err(error), keep) => {
            keep.iter().for_each(reviews::Keep::abandon);
            return Err(error);
        }
    };
    out::notices(&skipped(&cohort.skipped));

    let survey = study::survey(&cohort, &settings).map_err(unknown)?;
    let json = report::survey::survey_json(&survey);
    if let Some(dir) = &args.out {
        let mut files = report::survey::tables::tables(&cohort, &survey.at_risk)
            .map_err(|e| Error::new(format!("the tables cannot be written: {e}")))?;
        let page = report::survey::survey_html(&survey, args.change);
        files.push(("survey.html".into(), page.into_bytes()));
        files.push(("survey.json".into(), json.clone().into_bytes()));
        let named: Vec<(&str, Vec<u8>)> =
            files.iter().map(|(n, b)| (n.as_str(), b.clone())).collect();
        out::write_files("--out", dir, &named)?;
        if let Some(keep) = &keep {
            keep.forget_the_unused();
        }
    }
    out::print(&if args.json {
        json
    } else {
        report::survey::survey_text(&survey, 80, true)
    })
}

fn nothing_usable(list: &Path, skipped: &[Skipped]) -> Error {
    let error = Error::in_file(list, "none of its infusions could be used");
    match skipped.first() {
        Some(first) => error.hint(format!("the first, `{}`: {}", first.infusion, first.reason)),
        None => error,
    }
}

/// Most skipped infusions named on the terminal; survey.json has all.
const SKIPPED_SHOWN: usize = 5;

fn skipped(skipped: &[Skipped]) -> Vec<String> {
    let mut said: Vec<String> = skipped
        .iter()
        .take(SKIPPED_SHOWN)
        .map(|s| format!("skipped `{}`: {}", s.infusion, s.reason))
        .collect();
    if SKIPPED_SHOWN < skipped.len() {
        said.push(format!(
            "skipped {} more; survey.json lists all",
            skipped.len() - SKIPPED_SHOWN
        ));
    }
    said
}
