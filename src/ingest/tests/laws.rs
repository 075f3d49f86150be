//! What holds for every file.

use super::*;
use crate::record::Notice;
use proptest::prelude::*;

/// Rows counted by the `csv` crate alone: everything after the header.
fn rows_given(bytes: &[u8]) -> u64 {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
    reader.byte_records().count() as u64
}

fn rows_accounted_for(records: &[Record]) -> u64 {
    let mut sum = 0;
    for record in records {
        let samples: u64 = record.channels.iter().map(|c| c.samples.len() as u64).sum();
        let intake = &record.intake;
        assert_eq!(samples + intake.repeats + intake.rows_rejected, intake.rows);
        sum += intake.rows;
        for notice in &intake.notices {
            if let Notice::InfusionUnread { rows, .. } = notice {
                sum += rows;
            }
        }
        for channel in &record.channels {
            assert!(!channel.samples.is_empty());
            assert!(channel.samples.t_s.windows(2).all(|w| w[0] < w[1]));
            assert!(
                channel
                    .samples
                    .rate_ml_h
                    .iter()
                    .all(|r| r.is_finite() && 0.0 <= *r)
            );
        }
    }
    sum
}

fn cell() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => "[0-9]{1,3}",
        2 => "-?[0-9]{1,2}\\.[0-9]",
        1 => Just("2031-03-04T08:00:00+01:00".to_string()),
        1 => prop_oneof![Just("NaN"), Just("a"), Just("b"), Just(""), Just("\"x,y\""), Just("\u{0}")].prop_map(String::from),
        1 => "\\PC{0,4}",
    ]
}

proptest! {
    #[test]
    fn rows_kept_and_rows_rejected_are_the_rows_given(
        rows in proptest::collection::vec((prop_oneof![Just("a"), Just("b"), Just("")], proptest::collection::vec(cell(), 3..6)), 1..40)
    ) {
        let mut text = String::from("infusion,time,channel,pressure_mmhg,rate_ml_h\n");
        for (infusion, cells) in &rows {
            text += &format!("{infusion},{}\n", cells.join(","));
        }
        if let Ok(records) = keep_going(&text) {
            prop_assert_eq!(rows_accounted_for(&records), rows_given(text.as_bytes()));
        }
    }

    #[test]
    fn any_bytes_are_read_or_refused_without_panic(
        header in any::<bool>(),
        bytes in proptest::collection::vec(any::<u8>(), 0..400),
    ) {
        let mut file = if header { b"time,channel,pressure_mmhg,rate_ml_h\n".to_vec() } else { Vec::new() };
        file.extend(&bytes);
        if let Ok(records) = read_all(&file, None, None, &going()) {
            prop_assert_eq!(rows_accounted_for(&records), rows_given(&file));
        }
        let text = String::from_utf8_lossy(&bytes);
        let _ = read_with(TRACE, Some(&text), None);
        let _ = read_with(TRACE, None, Some(&text));
    }

    #[test]
    fn the_order_of_rows_does_not_matter(order in Just((0..30).collect::<Vec<u32>>()).prop_shuffle()) {
        let rows = |order: &[u32]| order.iter().map(|i| format!("{},pn,{},4,{}\n", i * 7, 30 + i % 5, i)).collect::<String>();
        let sorted: Vec<u32> = (0..30).collect();
        let a = read(&trace(&rows(&sorted))).unwrap();
        let b = read(&trace(&rows(&order))).unwrap();
        prop_assert_eq!(a.channels.len(), 1);
        prop_assert_eq!(&a.channels[0].samples.t_s, &b.channels[0].samples.t_s);
        prop_assert_eq!(&a.channels[0].samples.pressure_mmhg, &b.channels[0].samples.pressure_mmhg);
    }
}
