//! Charts over months or weeks: each period's rate with its limits, and what gathers slowly.

use super::super::axis::Scale;
use super::super::ink;
use super::super::panel::Panel;
use super::super::picture::{Anchor, Picture};
use crate::report::words::month_short;
use crate::study::{OverTime, Period};
use jiff::civil::Date;

/// The u-chart, and the moving average below it.
pub fn monthly(charts: &OverTime, change: Option<Date>, width: f64) -> Picture {
    let mut picture = Picture::new(width);
    let periods = &charts.periods;
    let x = (-0.6, periods.len() as f64 - 0.4);
    let points = || periods.iter().filter_map(|p| p.point);
    let highest = points()
        .flat_map(|p| [p.rate, p.high])
        .fold(charts.centre_per_1000_h, f64::max);
    let rates = Panel::new(&picture, 26.0, 220.0, x, (0.0, 1.08 * highest));
    rates.ground(&mut picture, "filter onsets per 1,000 filter hours", 5);
    limits(&mut picture, &rates, periods);
    mark_change(&mut picture, &rates, charts, change);
    let (left, _, right, _) = rates.bounds();
    let y = rates.y.px(charts.centre_per_1000_h);
    picture.dashed(vec![(left, y), (right, y)], ink::QUIET, 1.4, (6.0, 3.0));
    let line = periods
        .iter()
        .enumerate()
        .map(|(i, p)| (i as f64, p.point.map_or(f64::NAN, |u| u.rate)));
    rates.curve(&mut picture, line, ink::PRESSURE, 1.4);
    for (i, period) in periods.iter().enumerate() {
        let Some(point) = period.point else { continue };
        let at = (rates.x.px(i as f64), rates.y.px(point.rate));
        picture.dot(at, 3.4, ink::PRESSURE);
        if !period.rules.is_empty() {
            ring(&mut picture, at);
        }
    }
    rates.close(&mut picture);

    let ewma_range = |pick: fn(&Period) -> f64| periods.iter().map(pick);
    let low = ewma_range(|p| p.ewma.low.min(p.ewma.value))
        .fold(f64::INFINITY, f64::min)
        .max(0.0);
    let high = ewma_range(|p| p.ewma.high.max(p.ewma.value)).fold(0.0, f64::max);
    let average = Panel::new(&picture, 290.0, 120.0, x, (0.95 * low, 1.05 * high));
    average.ground(&mut picture, "moving average (newest weighs 0.2)", 3);
    mark_change(&mut picture, &average, charts, change);
    for pick in [|p: &Period| p.ewma.low.max(0.0), |p: &Period| p.ewma.high] {
        let limit = periods
            .iter()
            .enumerate()
            .map(|(i, p)| (average.x.px(i as f64), average.y.px_within(pick(p))));
        picture.dashed(limit.collect(), ink::EPISODE_EDGE, 1.2, (3.0, 3.0));
    }
    let line = periods
        .iter()
        .enumerate()
        .map(|(i, p)| (i as f64, p.ewma.value));
    average.curve(&mut picture, line, ink::PRESSURE, 1.6);
    for (i, period) in periods.iter().enumerate().filter(|(_, p)| p.ewma.is_out()) {
        ring(
            &mut picture,
            (average.x.px(i as f64), average.y.px(period.ewma.value)),
        );
    }
    average.close(&mut picture);
    days_below(&mut picture, &average.x, periods, 410.0);
    let y = key(&mut picture, 440.0);
    picture.height = y + 6.0;
    picture
}

/// The cumulative sums, in standard deviations.
pub fn cumulative(charts: &OverTime, change: Option<Date>, width: f64) -> Picture {
    let mut picture = Picture::new(width);
    let periods = &charts.periods;
    let limit = crate::study::CUSUM_LIMIT;
    let highest = periods
        .iter()
        .flat_map(|p| [p.cusum.high, p.cusum.low])
        .fold(limit, f64::max);
    let x = (-0.6, periods.len() as f64 - 0.4);
    let panel = Panel::new(&picture, 26.0, 150.0, x, (-1.1 * highest, 1.1 * highest));
    panel.ground(&mut picture, "cumulative sum (CUSUM)", 5);
    mark_change(&mut picture, &panel, charts, change);
    let (left, _, right, _) = panel.bounds();
    for level in [limit, -limit] {
        let y = panel.y.px(level);
        picture.dashed(
            vec![(left, y), (right, y)],
            ink::EPISODE_EDGE,
            1.2,
            (3.0, 3.0),
        );
    }
    let sums = |pick: fn(&Period) -> f64| {
        periods
            .iter()
            .enumerate()
            .map(move |(i, p)| (i as f64, pick(p)))
    };
    panel.curve(&mut picture, sums(|p| p.cusum.high), ink::PRESSURE, 1.6);
    panel.curve(&mut picture, sums(|p| -p.cusum.low), ink::RIVAL, 1.6);
    panel.close(&mut picture);
    days_below(&mut picture, &panel.x, periods, 176.0);
    picture.height = 206.0;
    picture
}

/// Limits of each period: they are wider where there was less time at risk.
fn limits(picture: &mut Picture, panel: &Panel, periods: &[Period]) {
    for (i, point) in periods
        .iter()
        .enumerate()
        .filter_map(|(i, p)| Some((i as f64, p.point?)))
    {
        let (a, b) = (panel.x.px(i - 0.5), panel.x.px(i + 0.5));
        let (low, high) = (panel.y.px(point.low), panel.y.px_within(point.high));
        picture.rect((a, high, b, low), ink::PART);
        for y in [low, high] {
            picture.line(vec![(a, y), (b, y)], ink::EPISODE_EDGE, 1.2);
        }
    }
}

/// An open circle about a point that breaks a rule.
fn ring(picture: &mut Picture, (x, y): (f64, f64)) {
    let circle = (0..=24).map(|i| {
        let angle = f64::from(i) / 24.0 * std::f64::consts::TAU;
        (x + 7.5 * angle.cos(), y + 7.5 * angle.sin())
    });
    picture.line(circle.collect(), ink::ALARM, 1.8);
}

fn mark_change(picture: &mut Picture, panel: &Panel, charts: &OverTime, change: Option<Date>) {
    let Some(at) = change.and_then(|c| {
        charts
            .periods
            .iter()
            .position(|p| c < charts.every.next(p.first_day))
    }) else {
        return;
    };
    let (_, top, _, bottom) = panel.bounds();
    let x = panel.x.px(at as f64 - 0.5);
    picture.dashed(vec![(x, top), (x, bottom)], ink::TEXT, 1.4, (8.0, 3.0));
}

/// Names of months below; each year once.
fn days_below(picture: &mut Picture, x: &Scale, periods: &[Period], top: f64) {
    let mut taken = f64::NEG_INFINITY;
    let mut year = None;
    for (i, day) in periods.iter().enumerate().map(|(i, p)| (i, p.first_day)) {
        let label = match day.day() {
            1 => month_short(day.month()).to_string(),
            d => format!("{d} {}", month_short(day.month())),
        };
        let (at, half) = (x.px(i as f64), Picture::text_width(&label, 10.5) / 2.0);
        if taken < at - half && at + half < picture.width {
            picture.text((at, top + 13.0), 10.5, Anchor::Middle, ink::TEXT, label);
            let year_half = Picture::text_width("0000", 10.5) / 2.0;
            taken = at + half.max(year_half) + 5.0;
            if year != Some(day.year()) && year_half <= at && at + year_half < picture.width {
                picture.text(
                    (at, top + 26.0),
                    10.5,
                    Anchor::Middle,
                    ink::QUIET,
                    day.year().to_string(),
                );
                year = Some(day.year());
            }
        }
    }
}

/// What the marks mean; gives where it ends.
fn key(picture: &mut Picture, top: f64) -> f64 {
    let entries = [
        "circled: breaks a run rule or a limit",
        "box: limits at 3 standard deviations",
        "dashed: centre line",
    ];
    let (mut x, mut y) = (4.0, top + 12.0);
    for entry in entries {
        let room = Picture::text_width(entry, 11.0) + 22.0;
        if picture.width < x + room && 4.0 < x {
            (x, y) = (4.0, y + 17.0);
        }
        picture.text((x, y), 11.0, Anchor::Start, ink::QUIET, entry);
        x += room;
    }
    y + 4.0
}
