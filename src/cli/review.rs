//! `patency review`: one log in, one review out.

use super::{open, out, pdf, stream};
use crate::error::{Error, Result};
use crate::infer::Review;
use crate::record::Record;
use crate::report::{About, Input};
use crate::{report, run};
use indicatif::ProgressBar;
use sha2::{Digest, Sha256};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Reviews one log: what was blocked, where, and how sure that is.
///
/// Retrospective: not for alarm decisions.
///
/// Example: patency review trace.csv --events events.csv --line line.toml --out review
#[derive(clap::Args)]
pub struct Args {
    /// The trace: time, channel, pressure_mmhg, rate_ml_h and more, as CSV, workbook, Parquet or Arrow, or HL7 v2 messages.
    /// Several exports of the same pumps are put together, and nothing counts twice
    #[arg(required_unless_present = "arrow")]
    trace: Vec<PathBuf>,
    /// What people and pumps did: a CSV of time, channel, event, detail, or HL7 v2 messages; may be given again
    #[arg(long, value_name = "FILE")]
    events: Vec<PathBuf>,
    #[command(flatten)]
    reading: open::Reading,
    /// How likely each cause is before the record is looked at, in place of the published shares: a TOML file with lines like
    /// `tubing-blocked = 0.3` under `[share]`; causes not named share what is left
    #[arg(long, value_name = "FILE")]
    priors: Option<PathBuf>,
    /// Write report.html, its picture, review.json and tables into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write the report as PDF too; needs a Chromium on this machine
    #[arg(long, value_name = "FILE")]
    pdf: Option<PathBuf>,
    /// Size of the PDF's sheets
    #[arg(long, value_enum, default_value_t = pdf::Paper::A4, requires = "pdf")]
    paper: pdf::Paper,
    /// Print the review as one JSON object, and nothing else
    #[arg(long)]
    json: bool,
    /// The infusion to review, where the trace holds several
    #[arg(long, value_name = "NAME")]
    infusion: Option<String>,
    /// Review many infusions: an Arrow IPC stream of trace rows on standard input, one of a row per infusion (infusion, error,
    /// review, facts) on standard output
    #[arg(long, conflicts_with_all = ["trace", "line", "out", "json", "pdf", "infusion"])]
    arrow: bool,
    /// With --arrow: a survey's infusions.csv, which names the line file of each infusion
    #[arg(long, value_name = "FILE", requires = "arrow")]
    infusions: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let settings = args.reading.form.settings()?;
    let priors = open::priors(args.priors.as_deref())?;
    if args.trace.is_empty() {
        if let [_, other, ..] = args.events.as_slice() {
            return Err(Error::in_file(
                other,
                "expected one file of events beside a stream, found another",
            )
            .hint("put the events of all infusions into one file, with a column `infusion`"));
        }
        let events = args.events.first().map(PathBuf::as_path);
        return stream::run(events, args.infusions.as_deref(), &priors, &settings);
    }
    let browser = args.pdf.as_ref().map(|_| pdf::browser()).transpose()?;
    let busy = busy();
    busy.set_message("reading");
    let records = args.reading.exports(&args.trace, &args.events, &settings)?;
    let mut record = choose(records, args.infusion.as_deref(), &args.trace)?;
    record.priors = priors;
    busy.set_message("reviewing");
    let review = run::review(&record);
    let text = if args.json {
        report::review_json(&record, &review)
    } else {
        report::review_text(&record, &review, WIDTH, true)
    };
    if let Some(dir) = &args.out {
        busy.set_message("drawing");
        out::write_files("--out", dir, &files(args, &record, &review)?)?;
    }
    if let Some((file, browser)) = args.pdf.as_deref().zip(browser.as_deref()) {
        busy.set_message("printing");
        let page = report::review_html(&record, &review, &about(args)?);
        pdf::print(browser, &page, args.paper, file)?;
    }
    busy.finish_and_clear();
    out::print(&text)?;
    if let Some(dir) = args.out.as_deref().filter(|_| !args.json) {
        out::print(&format!("\nThe report: {}\n", dir.join(PAGE).display()))?;
    }
    Ok(())
}

/// Width of the summary, characters.
const WIDTH: usize = 80;
const PAGE: &str = "report.html";

/// Says on a terminal what is going on; silent elsewhere.
fn busy() -> ProgressBar {
    let bar = ProgressBar::new_spinner();
    bar.enable_steady_tick(Duration::from_millis(120));
    bar
}

/// What a reader needs to get the result again.
fn about(args: &Args) -> Result<About> {
    let role = |role: &'static str| move |path| (role, path);
    let traces = args.trace.iter().map(role("trace"));
    let events = args.events.iter().map(role("events"));
    let inputs = traces
        .chain(events)
        .chain(args.reading.line.iter().map(role("line")))
        .chain(args.priors.iter().map(role("priors")))
        .map(|(role, path)| input(role, path))
        .collect::<Result<Vec<Input>>>()?;
    let mut settings = Vec::new();
    if args.reading.form.keep_going {
        settings.push(("keep going".to_string(), "yes".to_string()));
    }
    if let Some(name) = &args.infusion {
        settings.push(("infusion".to_string(), name.clone()));
    }
    let version = env!("CARGO_PKG_VERSION").to_string();
    Ok(About {
        version,
        reviewed_on: Some(jiff::ZonedDateTime::now().date()),
        inputs,
        settings,
    })
}

/// All that `--out` writes.
fn files(args: &Args, record: &Record, review: &Review) -> Result<Vec<(&'static str, Vec<u8>)>> {
    let about = about(args)?;
    let table = |made: std::result::Result<Vec<u8>, String>| {
        made.map_err(|e| Error::new(format!("a table could not be made: {e}")))
    };
    Ok(vec![
        (
            PAGE,
            report::review_html(record, review, &about).into_bytes(),
        ),
        ("trace.svg", report::review_svg(record, review).into_bytes()),
        ("trace.png", report::review_png(record, review)),
        (
            "review.json",
            report::review_json(record, review).into_bytes(),
        ),
        (
            "trace.parquet",
            table(report::tables::trace_parquet(record))?,
        ),
        (
            "regimes.parquet",
            table(report::tables::regimes_parquet(record, review))?,
        ),
    ])
}

/// A file that was read, with its digest: so that a report can be matched with its log.
fn input(role: &str, path: &Path) -> Result<Input> {
    let mut file = open::file(path)?;
    let mut hash = Sha256::new();
    let mut bytes = [0; 1 << 16];
    loop {
        let read = file
            .read(&mut bytes)
            .map_err(|e| Error::in_file(path, format!("cannot be read: {e}")))?;
        if read == 0 {
            break;
        }
        hash.update(&bytes[..read]);
    }
    let sha256 = hash.finalize().iter().map(|b| format!("{b:02x}")).collect();
    let name = path
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    Ok(Input {
        role: role.into(),
        name,
        sha256,
    })
}

/// The one record that is meant.
fn choose(records: Vec<Record>, wanted: Option<&str>, traces: &[PathBuf]) -> Result<Record> {
    let trace = traces.first().map_or(Path::new(""), PathBuf::as_path);
    let names: Vec<String> = records.iter().filter_map(|r| r.infusion.clone()).collect();
    let listed = names.iter().take(5).cloned().collect::<Vec<_>>().join(", ");
    let mut chosen = match wanted {
        Some(name) => records
            .into_iter()
            .filter(|r| r.infusion.as_deref() == Some(name))
            .collect::<Vec<_>>(),
        None => records,
    };
    match (chosen.pop(), chosen.is_empty()) {
        (Some(record), true) => Ok(record),
        (Some(_), false) => Err(Error::in_file(
            trace,
            format!("expected one infusion, found {}: {listed}", names.len()),
        )
        .hint("name one with --infusion, or review a folder of many with `patency survey`")),
        (None, _) => Err(Error::in_file(trace, "there is no infusion of that name")
            .hint(format!("the trace has: {listed}"))),
    }
}
