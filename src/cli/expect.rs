//! `patency expect`: what a line should do, before any of it is blocked.

use super::{open, out};
use crate::error::{Error, Result};
use crate::infer::expect::{Question, expect};
use crate::ingest::{Source, read_line};
use crate::record::Line;
use crate::report::{expect_json, expect_text};
use crate::time::Clock;
use crate::units::{Pressure, Rate};
use std::io::Read;
use std::path::{Path, PathBuf};

/// Says what pressures, alarm times and release volumes to expect of a line
///
/// The pressure at each pump with nothing blocked; for a complete block at each part the time to the alarm (the pump's own
/// delay comes on top) and the volume that relief sets free; and what is wrong with the limit. A model, no measurement.
///
/// Example: patency expect --line line.toml --rate pn=4 --rate lipid=0.5 --limit 200
#[derive(clap::Args)]
pub struct Args {
    /// What lies between pump and patient: TOML
    #[arg(long, value_name = "FILE")]
    line: PathBuf,
    /// Rate, mL/h: `4` for a line of one channel, `pn=4` for a channel by its name; may be repeated
    #[arg(long = "rate", value_name = "[CHANNEL=]ML_H", required = true)]
    rates: Vec<String>,
    /// Pressure limit, mmHg
    #[arg(long, value_name = "MMHG", default_value_t = 300.0)]
    limit: f64,
    /// Pressure at the catheter's tip, mmHg: the vein's, less 0.74 for each cm that the pump stands over the heart
    #[arg(
        long,
        value_name = "MMHG",
        default_value_t = 3.5,
        allow_negative_numbers = true
    )]
    outlet: f64,
    /// Temperature of the fluid in the catheter, °C
    #[arg(long, value_name = "CELSIUS", default_value_t = 30.0)]
    temperature: f64,
    /// Also say how long nothing is delivered after the pumps were lowered by so many cm
    #[arg(long, value_name = "CM")]
    lowered: Option<f64>,
    /// Print one JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Columns of the printed text.
const WIDTH: usize = 80;

/// Runs the command.
pub fn run(args: &Args) -> Result<()> {
    let line = line(&args.line)?;
    let number = |name: &str, value: f64| {
        Error::new(format!(
            "expected a usable number for --{name}, found {value}"
        ))
    };
    if !(0.0..=100.0).contains(&args.temperature) {
        return Err(number("temperature", args.temperature).hint("0 to 100 °C"));
    }
    if let Some(cm) = args.lowered.filter(|cm| !(0.0..=1e4).contains(cm)) {
        return Err(number("lowered", cm).hint("centimetres, 0 or more"));
    }
    let question = Question {
        rates: rates(&args.rates, &line)?,
        line: &line,
        limit: Pressure::new(args.limit)
            .filter(|p| 0.0 < p.get())
            .ok_or_else(|| number("limit", args.limit).hint("mmHg, above 0"))?,
        outlet: Pressure::new(args.outlet).ok_or_else(|| number("outlet", args.outlet))?,
        celsius: args.temperature,
        lowered_cm: args.lowered,
    };
    let expected = expect(&question).ok_or_else(|| {
        Error::in_file(
            &args.line,
            "the figures of this line leave the range of numbers",
        )
        .hint("check the sizes in the line file and the rates")
    })?;
    out::print(&if args.json {
        expect_json(&expected)
    } else {
        expect_text(&expected, WIDTH, true)
    })
}

/// Reads the line file. There is no trace here whose way of writing time `placed` would have to follow, so both ways do.
fn line(path: &Path) -> Result<Line> {
    let mut bytes = Vec::new();
    // One byte more than any line file may have: the reader itself refuses a longer one.
    let mut limited = open::file(path)?.take((1 << 20) + 2);
    limited
        .read_to_end(&mut bytes)
        .map_err(|e| Error::in_file(path, format!("cannot be read: {e}")))?;
    let calendar = Clock::Calendar {
        origin_us: 0,
        offsets: vec![(0.0, 0)],
    };
    let read = |clock: &Clock| {
        let mut reader = bytes.as_slice();
        let source = Source {
            name: path,
            reader: &mut reader,
        };
        read_line(source, clock)
    };
    read(&Clock::Seconds).or_else(|_| read(&calendar))
}

fn rates(given: &[String], line: &Line) -> Result<Vec<(String, Rate)>> {
    let names: Vec<&str> = line.channels.iter().map(|c| c.id.as_str()).collect();
    let listed = || match names.as_slice() {
        [] => "write a plain number, as in `--rate 4`".to_string(),
        names => format!("the line has {}", names.join(", ")),
    };
    let mut rates: Vec<(String, Rate)> = Vec::new();
    for text in given {
        let (channel, number) = match text.rsplit_once('=') {
            Some((channel, number)) => (channel.trim(), number.trim()),
            None => match names.as_slice() {
                [] => ("pump", text.trim()),
                [only] => (*only, text.trim()),
                _ => {
                    return Err(Error::new(format!(
                        "--rate {text}: expected a channel, found a number alone"
                    ))
                    .hint(format!("write `--rate CHANNEL={text}`; {}", listed())));
                }
            },
        };
        if !names.is_empty() && !names.contains(&channel) {
            let what = format!("--rate {text}: the line file has no channel `{channel}`");
            return Err(Error::new(what).hint(listed()));
        }
        if rates.iter().any(|(id, _)| id == channel) {
            let what = format!("--rate {text}: the channel `{channel}` has two rates");
            return Err(Error::new(what).hint("give each channel one rate"));
        }
        let rate = number.parse().ok().and_then(Rate::new).ok_or_else(|| {
            Error::new(format!("--rate {text}: expected mL/h, found `{number}`"))
                .hint("a number, 0 or more, with a decimal point: `0.5`")
        })?;
        rates.push((channel.to_string(), rate));
    }
    Ok(rates)
}
