//! Has anything changed since a review was kept? A digest of the record and of the program.

use crate::record::Record;
use sha2::{Digest, Sha256};

/// SHA-256 over the program and all that a review depends on in the record, as hex.
///
/// Every number goes in bit by bit. How the reading went does not: a review does not look at it.
pub fn fingerprint(program: &[u8], record: &Record) -> String {
    let mut hash = Sha256::new();
    hash.update(program);
    let mut text = |text: &str| {
        hash.update((text.len() as u64).to_le_bytes());
        hash.update(text.as_bytes());
    };
    // The `Debug` form of a float is the shortest that reads back the same, so these are exact too.
    text(&format!(
        "{:?} {:?} {:?}",
        record.infusion, record.clock, record.line
    ));
    text(&format!("{} {:?}", record.events_given, record.events));
    text(&format!("{:?}", record.priors));
    for channel in &record.channels {
        text(&format!(
            "{} {:?} {} {:?}",
            channel.id, channel.period_s, channel.on_change, channel.gaps
        ));
    }
    for channel in &record.channels {
        let s = &channel.samples;
        for column in [
            &s.t_s,
            &s.pressure_mmhg,
            &s.rate_ml_h,
            &s.volume_ml,
            &s.limit_mmhg,
        ] {
            hash.update((column.len() as u64).to_le_bytes());
            let mut bytes = Vec::with_capacity(8 * column.len());
            for x in column {
                // Every NaN says the same.
                let bits = if x.is_nan() {
                    f64::NAN.to_bits()
                } else {
                    x.to_bits()
                };
                bytes.extend_from_slice(&bits.to_le_bytes());
            }
            hash.update(&bytes);
        }
    }
    hex(&hash.finalize())
}

/// The version and a digest of the program's own file: a rebuilt program trusts no older review.
pub fn program() -> Vec<u8> {
    let mut hash = Sha256::new();
    hash.update(env!("CARGO_PKG_VERSION").as_bytes());
    // A program that cannot read itself goes by its version alone.
    if let Ok(own) = std::env::current_exe().and_then(std::fs::read) {
        hash.update(&own);
    }
    hash.finalize().to_vec()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::{Settings, Source, read_records};

    fn record(rows: &str) -> Record {
        let text = format!("time,channel,pressure_mmhg,rate_ml_h\n{rows}");
        let mut bytes = text.as_bytes();
        let source = Source {
            name: "t.csv".as_ref(),
            reader: &mut bytes,
        };
        read_records(source, None, None, &Settings::default())
            .unwrap()
            .remove(0)
    }

    #[test]
    fn it_moves_with_any_cell_and_with_the_program_and_not_otherwise() {
        let base = fingerprint(b"1", &record("0,pn,30,4\n10,pn,31,4\n"));
        assert_eq!(base, fingerprint(b"1", &record("10,pn,31,4\n0,pn,30,4\n")));
        assert_ne!(base, fingerprint(b"2", &record("0,pn,30,4\n10,pn,31,4\n")));
        for other in [
            "0,pn,30,4\n10,pn,31.5,4\n",
            "0,pn,30,4\n10,pn,31,5\n",
            "0,pn,30,4\n11,pn,31,4\n",
            "0,li,30,4\n10,li,31,4\n",
            "0,pn,30,4\n10,pn,,4\n",
        ] {
            assert_ne!(base, fingerprint(b"1", &record(other)));
        }
    }
}
