//! The time axis: ticks at round times of the record's own clock, days marked, changes of the offset marked.

use super::axis::Scale;
use super::picture::{Anchor, Picture};
use super::{ink, render};
use crate::report::words::{self, Clockwork};
use crate::time::{Clock, Span};

/// Steps between ticks, in seconds.
const STEPS_S: [f64; 19] = [
    1.0,
    2.0,
    5.0,
    10.0,
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
    1800.0,
    3600.0,
    7200.0,
    10_800.0,
    21_600.0,
    43_200.0,
    86_400.0,
    172_800.0,
    604_800.0,
    2_419_200.0,
];

/// A tick.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// Seconds from the record's start.
    pub t_s: f64,
    /// `14:00`, `3 h`.
    pub label: String,
    /// Whether a day begins here.
    pub day_begins: bool,
}

/// Ticks at round times, at most about `at_most` of them.
pub fn ticks(clock: &Clock, span: Span, at_most: usize) -> Vec<Tick> {
    let length = span.seconds();
    let wanted = length / at_most.max(1) as f64;
    let step = STEPS_S
        .iter()
        .copied()
        .find(|&s| wanted <= s)
        .unwrap_or_else(|| {
            let last = 2_419_200.0;
            (wanted / last).ceil() * last
        });
    let mut ticks = Vec::new();
    for part in stretches_of_one_offset(clock, span) {
        let local = local_shift(clock, part.start_s);
        let mut k = ((part.start_s + local) / step).ceil();
        while k * step - local < part.end_s && ticks.len() < 1000 {
            let t_s = k * step - local;
            ticks.push(tick(clock, t_s, step));
            k += 1.0;
        }
    }
    if let Some(last) = ticks
        .last()
        .map(|t| t.t_s)
        .filter(|t| t + step <= span.end_s)
    {
        ticks.push(tick(clock, last + step, step)); // the end itself, where it is round
    }
    ticks
}

fn tick(clock: &Clock, t_s: f64, step: f64) -> Tick {
    let day_begins = clock
        .local(t_s)
        .is_some_and(|l| l.hour() == 0 && l.minute() == 0 && l.second() == 0);
    let label = match clock {
        Clock::Seconds if step < 60.0 => format!("{t_s:.0} s"),
        Clock::Seconds if step < 3600.0 => format!("{:.0} min", t_s / 60.0),
        Clock::Seconds => format!("{:.0} h", t_s / 3600.0),
        Clock::Calendar { .. } => words::time_of_day(clock, t_s, step < 60.0),
    };
    Tick {
        t_s,
        label,
        day_begins,
    }
}

/// Seconds to add to `t_s` so that a local midnight is a multiple of a day.
fn local_shift(clock: &Clock, t_s: f64) -> f64 {
    match clock {
        Clock::Seconds => 0.0,
        Clock::Calendar { origin_us, .. } => {
            (*origin_us as f64 / 1e6).rem_euclid(86_400.0) + f64::from(clock.offset_s(t_s))
        }
    }
}

fn stretches_of_one_offset(clock: &Clock, span: Span) -> Vec<Span> {
    let mut starts = vec![span.start_s];
    starts.extend(offset_changes(clock, span));
    let ends = starts.iter().skip(1).copied().chain([span.end_s]);
    starts
        .iter()
        .zip(ends)
        .map(|(&start_s, end_s)| Span { start_s, end_s })
        .collect()
}

/// When the record's offset from Greenwich changes within the span.
fn offset_changes(clock: &Clock, span: Span) -> Vec<f64> {
    let Clock::Calendar { offsets, .. } = clock else {
        return Vec::new();
    };
    let changes = offsets.windows(2).filter_map(|w| match w {
        [(_, a), (from_s, b)] if a != b => Some(*from_s),
        _ => None,
    });
    changes
        .filter(|t| span.start_s < *t && *t < span.end_s)
        .collect()
}

/// Midnights of the record's clock within the span.
pub fn midnights(clock: &Clock, span: Span) -> Vec<f64> {
    if *clock == Clock::Seconds || 3660.0 * 86_400.0 < span.seconds() {
        return Vec::new();
    }
    stretches_of_one_offset(clock, span)
        .iter()
        .flat_map(|part| {
            let local = local_shift(clock, part.start_s);
            let first = ((part.start_s + local) / 86_400.0).ceil() as i64;
            let last = ((part.end_s + local) / 86_400.0).floor() as i64;
            (first..=last).map(move |k| k as f64 * 86_400.0 - local)
        })
        .filter(|t| span.start_s < *t && *t < span.end_s)
        .collect()
}

/// Rules and labels of the time axis below `bottom`; the rules run up to `top`. Gives the height used.
pub fn draw(
    picture: &mut Picture,
    clock: &Clock,
    span: Span,
    x: &Scale,
    (top, bottom): (f64, f64),
) -> f64 {
    let em = 11.0;
    let room = x.to_px - x.from_px;
    for t_s in midnights(clock, span) {
        let at = x.px(t_s);
        picture.line(vec![(at, top), (at, bottom + 20.0)], ink::DAY, 1.0);
    }
    let mut free_from = f64::NEG_INFINITY;
    let ticks = ticks(clock, span, (room / 62.0) as usize);
    for tick in &ticks {
        let at = x.px(tick.t_s);
        picture.line(vec![(at, bottom), (at, bottom + 4.0)], ink::TEXT, 1.0);
        let half = render::text_width(&tick.label, em) / 2.0;
        let middle = picture.kept_on(at, half);
        if free_from <= middle - half {
            picture.text(
                (middle, bottom + 15.0),
                em,
                Anchor::Middle,
                ink::TEXT,
                tick.label.clone(),
            );
            free_from = middle + half + 6.0;
        }
    }
    days(picture, clock, span, x, bottom + 29.0);
    let what = match clock {
        Clock::Seconds => "time since the record’s start".to_string(),
        Clock::Calendar { .. } => {
            let mut offsets: Vec<String> = vec![words::offset(clock, span.start_s)];
            offsets.extend(
                offset_changes(clock, span)
                    .iter()
                    .map(|&t| words::offset(clock, t)),
            );
            format!("time of day, {}", offsets.join(", then "))
        }
    };
    let title_at = bottom + if *clock == Clock::Seconds { 30.0 } else { 44.0 };
    picture.text(
        ((x.from_px + x.to_px) / 2.0, title_at),
        em,
        Anchor::Middle,
        ink::QUIET,
        what,
    );
    title_at + 6.0 - bottom
}

/// The day's name under its beginning, and the new offset under a change of it, where there is room.
fn days(picture: &mut Picture, clock: &Clock, span: Span, x: &Scale, baseline: f64) {
    let em = 11.0;
    let mut marks: Vec<(f64, String)> = Vec::new();
    let day = |t_s: f64| {
        clock.local(t_s).map_or(String::new(), |l| {
            format!("{} {}", l.day(), words::month_short(l.month()))
        })
    };
    marks.push((span.start_s, day(span.start_s)));
    marks.extend(midnights(clock, span).into_iter().map(|t| (t, day(t))));
    let changes = offset_changes(clock, span);
    for &t_s in &changes {
        let at = x.px(t_s);
        picture.dashed(
            vec![(at, baseline - 29.0), (at, baseline - 8.0)],
            ink::TEXT,
            1.0,
            (2.0, 2.0),
        );
    }
    marks.extend(
        changes
            .into_iter()
            .map(|t| (t, format!("clock to {}", words::offset(clock, t)))),
    );
    marks.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut free_from = f64::NEG_INFINITY;
    for (t_s, text) in marks {
        let width = render::text_width(&text, em);
        let at = x.px(t_s).min(picture.width - width - 1.0);
        if free_from <= at && !text.is_empty() {
            picture.text((at, baseline), em, Anchor::Start, ink::TEXT, text);
            free_from = at + width + 10.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_stand_at_round_local_times_on_both_sides_of_a_change_of_summer_time() {
        let clock = Clock::Calendar {
            origin_us: 1_774_740_600_000_000, // 2026-03-28T23:30:00Z = 00:30 local; 01:00 UTC = 02:00 → 03:00
            offsets: vec![(0.0, 3600), (5400.0, 7200)],
        };
        let labels: Vec<String> = ticks(
            &clock,
            Span {
                start_s: 0.0,
                end_s: 4.0 * 3600.0,
            },
            6,
        )
        .into_iter()
        .map(|t| t.label)
        .collect();
        assert_eq!(labels, ["01:00", "03:00", "04:00", "05:00"]);
    }

    #[test]
    fn plain_seconds_are_labelled_with_their_unit() {
        let labels: Vec<String> = ticks(
            &Clock::Seconds,
            Span {
                start_s: 0.0,
                end_s: 43_200.0,
            },
            6,
        )
        .into_iter()
        .map(|t| t.label)
        .collect();
        assert_eq!(labels, ["0 h", "2 h", "4 h", "6 h", "8 h", "10 h", "12 h"]);
    }

    #[test]
    fn midnights_are_those_of_the_records_clock() {
        let clock = Clock::Calendar {
            origin_us: 1_930_374_000_000_000,
            offsets: vec![(0.0, 3600)],
        };
        let found = midnights(
            &clock,
            Span {
                start_s: 0.0,
                end_s: 48.0 * 3600.0,
            },
        );
        assert_eq!(found, [16.0 * 3600.0, 40.0 * 3600.0]);
    }
}
