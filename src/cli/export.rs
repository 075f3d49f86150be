//! `patency export`: what was read, written out again in the contract's form, with or without identities.

use super::{open, out};
use crate::error::{Error, Result};
use crate::report::export::{self, Dates, How, Names};
use std::hash::{BuildHasher, Hasher};
use std::path::{Path, PathBuf};

/// Writes what was read of a log out again, in one form that every tool reads
///
/// Writes trace.csv, trace.parquet, trace.arrow, events and line where they are given, and datapackage.json, which says what
/// every column means. Reviewing these files gives the same review. With --deidentify they can be given away: names become
/// running ids, times become seconds from each infusion's start, free text goes. Look the result through with
/// `patency inspect --privacy DIR` all the same.
///
/// Example: patency export ward.xlsx --map ward.map.toml --deidentify --out for-others
#[derive(clap::Args)]
pub struct Args {
    /// The trace: time, channel, pressure_mmhg, rate_ml_h and more, as CSV, workbook, Parquet or Arrow
    trace: PathBuf,
    /// The events
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    #[command(flatten)]
    reading: open::Reading,
    /// Folder for the files; made where it is missing
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Take out what may identify somebody: running ids in random order, times from the start, years only
    #[arg(long)]
    deidentify: bool,
    /// Names from a key instead of running ids: the same name gives the same pseudonym again. Pseudonymised data only
    #[arg(long, requires_all = ["deidentify", "key_file"])]
    pseudonyms: bool,
    /// Dates earlier by whole weeks, decided by a key and the infusion's name, instead of times from the start.
    /// Pseudonymised data only
    #[arg(long, requires_all = ["deidentify", "key_file"])]
    shift_dates: bool,
    /// The secret key of both: a file of at least 32 random bytes, to be kept apart from the export
    #[arg(long, value_name = "FILE")]
    key_file: Option<PathBuf>,
}

/// Shortest key, bytes: as long as the code that is made with it (NIST SP 800-107 rev. 1, 5.3.4, from memory).
const SHORTEST_KEY: usize = 32;

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let settings = args.reading.form.settings()?;
    let key = args.key_file.as_deref().map(key).transpose()?;
    let (events, line) = (args.events.as_deref(), args.reading.line.as_deref());
    let mut records = open::records(&args.trace, events, line, &settings)?;
    let stamp = args.deidentify.then(|| {
        let key = key.as_deref();
        let how = How {
            names: match key.filter(|_| args.pseudonyms) {
                Some(key) => Names::Keyed(key),
                None => Names::Running { seed: chance() },
            },
            dates: match key.filter(|_| args.shift_dates) {
                Some(key) => Dates::Shifted(key),
                None => Dates::Relative,
            },
        };
        export::deidentify(&mut records, &how)
    });
    let files = export::export(&records, stamp.as_ref())
        .map_err(|e| Error::new(format!("the tables cannot be written: {e}")))?;
    out::write_files("--out", &args.out, &files)?;
    let names: Vec<&str> = files.iter().map(|(name, _)| *name).collect();
    let mut said = format!("Wrote {} to {}\n", names.join(", "), args.out.display());
    if let Some(stamp) = stamp {
        said += &format!(
            "Identities taken out: {}. Look it through: patency inspect --privacy {}\n",
            stamp.method,
            args.out.display()
        );
    }
    out::print(&said)
}

fn key(path: &Path) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    std::io::Read::read_to_end(&mut open::file(path)?, &mut bytes)
        .map_err(|e| Error::in_file(path, format!("cannot be read: {e}")))?;
    if bytes.len() < SHORTEST_KEY {
        let what = format!(
            "expected a key of at least {SHORTEST_KEY} bytes, found {}",
            bytes.len()
        );
        return Err(Error::in_file(path, what).hint("make one: head -c 32 /dev/urandom > my.key"));
    }
    Ok(bytes)
}

/// A number that nobody knows: hash maps are seeded with such a one by the system.
fn chance() -> u64 {
    std::hash::RandomState::new().build_hasher().finish()
}
