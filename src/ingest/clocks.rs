//! How far the clock behind the events lies from that of the trace.
//!
//! In: a [`Record`]. Out: [`ClockOffset`], where both tell of the same stops, starts and changes of rate. Shown, never
//! applied: an event that a nurse wrote down late looks like a clock that is wrong.

use crate::record::{Channel, Event, EventKind, Notice, Record};

/// Furthest that clocks are looked for apart, seconds: the budget of clocks that nothing sets (IHE Patient Care Device
/// Technical Framework, revision 9.0, volume 2).
pub(super) const BUDGET_S: f64 = 300.0;

/// Fewest pairs that prove an offset.
const FEWEST: usize = 3;

/// Events of a kind considered, at most: enough to tell, and the search stays short.
const MOST: usize = 500;

/// The events' clock less the trace's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ClockOffset {
    pub(super) offset_s: f64,
    /// Half the width in which the offset lies.
    pub(super) within_s: f64,
    /// Events that found their change in the trace.
    pub(super) pairs: u64,
}

/// What to tell of the clocks: nothing where they agree to a period of the trace, or to ten seconds.
pub(super) fn notice(record: &Record) -> Option<Notice> {
    let found = offset(record)?;
    let periods = record.channels.iter().filter_map(|c| c.period_s);
    let least_s = periods.fold(10.0, f64::max);
    (least_s < found.offset_s.abs() - found.within_s).then_some(Notice::EventsClock {
        offset_s: found.offset_s,
        within_s: found.within_s,
        pairs: found.pairs,
    })
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Change {
    Stop,
    Start,
    Rate,
}

fn of_event(kind: EventKind) -> Option<Change> {
    match kind {
        EventKind::Stop | EventKind::Pause => Some(Change::Stop),
        EventKind::Start | EventKind::Resume => Some(Change::Start),
        EventKind::RateChange => Some(Change::Rate),
        _ => None,
    }
}

/// Changes of a channel's rate, each with the stretch between two samples in which it lies.
fn changes(channel: &Channel) -> Vec<(Change, f64, f64)> {
    let samples = &channel.samples;
    let times = samples.t_s.windows(2).zip(samples.rate_ml_h.windows(2));
    times
        .filter_map(|(t, rate)| {
            let change = match (rate.first()?, rate.get(1)?) {
                (a, b) if a == b => return None,
                (_, b) if *b == 0.0 => Change::Stop,
                (a, _) if *a == 0.0 => Change::Start,
                _ => Change::Rate,
            };
            Some((change, *t.first()?, *t.get(1)?))
        })
        .collect()
}

/// The offset on which the most events agree; `None` where fewer than three or half of them do.
///
/// Each event and each change of its kind within the budget leave a range of offsets that would make them one; the range
/// that most events share is the answer, of several the one nearest to none.
pub(super) fn offset(record: &Record) -> Option<ClockOffset> {
    let mut ranges: Vec<(f64, f64, usize)> = Vec::new();
    let mut asked = 0;
    for channel in &record.channels {
        let changes = changes(channel);
        let of_channel = |e: &&Event| e.channel.as_deref().is_none_or(|c| c == channel.id);
        let told = record.events.iter().filter(of_channel);
        let told = told.filter_map(|e| Some((of_event(e.kind)?, e.t_s)));
        for (change, at_s) in told.take(MOST) {
            let from = changes.partition_point(|c| c.2 < at_s - BUDGET_S);
            let near = changes.iter().skip(from);
            let near = near.take_while(|c| c.1 <= at_s + BUDGET_S).take(100);
            let before = ranges.len();
            // offset = event − change, and the change lies after the sample before it
            ranges.extend(
                near.filter(|c| c.0 == change)
                    .map(|c| (at_s - c.2, at_s - c.1, asked)),
            );
            asked += usize::from(before < ranges.len());
        }
    }
    let (offset_s, within_s, pairs) = most_shared(&ranges)?;
    (FEWEST <= pairs && asked <= 2 * pairs).then_some(ClockOffset {
        offset_s,
        within_s,
        pairs: pairs as u64,
    })
}

/// Middle, half width and number of the ranges of different events that overlap most.
fn most_shared(ranges: &[(f64, f64, usize)]) -> Option<(f64, f64, usize)> {
    // Ends in order; at one place ranges begin before others end.
    let mut ends: Vec<(f64, bool, usize)> = Vec::with_capacity(2 * ranges.len());
    for &(low, high, event) in ranges {
        ends.push((low, false, event));
        ends.push((high, true, event));
    }
    ends.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let events = ranges.iter().map(|r| r.2 + 1).max()?;
    let mut open = vec![0_u32; events];
    let mut shared = 0;
    let mut best: Option<(f64, f64, usize)> = None;
    let mut ends = ends.iter().peekable();
    while let Some(&(at, closes, event)) = ends.next() {
        let count = open.get_mut(event)?;
        if closes {
            *count -= 1;
            shared -= usize::from(*count == 0);
            continue;
        }
        *count += 1;
        shared += usize::from(*count == 1);
        let until = ends.peek().map_or(at, |next| next.0);
        let (middle, half) = (0.5 * (at + until), 0.5 * (until - at));
        let better =
            best.is_none_or(|(m, _, n)| n < shared || (n == shared && middle.abs() < m.abs()));
        if better {
            best = Some((middle, half, shared));
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::{Settings, Source, read_records};

    /// Ten-second samples with stops, starts and changes of rate at odd distances; events by a clock that is `late_s` late.
    fn record(late_s: i64, told: usize) -> Record {
        let turns = [
            (205, 0),
            (455, 4),
            (1105, 6),
            (1345, 0),
            (2225, 6),
            (2915, 5),
            (3605, 0),
        ];
        let mut trace = String::from("time,channel,pressure_mmhg,rate_ml_h\n");
        for t in (0..4000).step_by(10) {
            let rate = turns
                .iter()
                .rev()
                .find(|(at, _)| *at <= t)
                .map_or(4, |(_, r)| *r);
            trace += &format!("{t},pn,30,{rate}\n");
        }
        let mut events = String::from("time,channel,event\n");
        let mut before = 4;
        for (at, rate) in turns.into_iter().take(told) {
            let word = match (before, rate) {
                (_, 0) => "pause",
                (0, _) => "resume",
                _ => "rate_change",
            };
            before = rate;
            events += &format!("{},pn,{word}\n", at + late_s);
        }
        let (mut trace, mut events) = (trace.as_bytes(), events.as_bytes());
        let settings = Settings::default();
        let trace = Source {
            name: "t.csv".as_ref(),
            reader: &mut trace,
        };
        let events = Source {
            name: "e.csv".as_ref(),
            reader: &mut events,
        };
        read_records(trace, Some(events), None, &settings)
            .unwrap()
            .remove(0)
    }

    #[test]
    fn the_offset_is_found_to_half_a_period() {
        for late_s in [0, 97, -140] {
            let found = offset(&record(late_s, 7)).unwrap();
            assert_eq!(found.pairs, 7);
            assert!(
                (found.offset_s - late_s as f64).abs() <= 5.0,
                "{late_s}: {found:?}"
            );
            assert!(found.within_s <= 5.0);
        }
    }

    #[test]
    fn two_events_prove_nothing_and_neither_do_unlike_ones() {
        assert_eq!(offset(&record(97, 2)), None);
        assert_eq!(offset(&record(2000, 7)), None);
    }
}
