//! A drawing of the line from the containers to the vein, with the suspected stretch marked.

use super::ink;
use super::picture::{Anchor, Picture};
use crate::infer::{Episode, Site};
use crate::record::{FilterPosition, Record};
use crate::report::words;

/// Channels drawn, those of the episode first.
const SHOWN: usize = 6;
/// From this probability on a stretch is marked where the site is undetermined.
const POSSIBLE_FROM: f64 = 0.2;

/// The drawing for one episode.
pub fn line_map(record: &Record, e: &Episode, width: f64) -> Picture {
    let mut picture = Picture::new(width);
    let mut names: Vec<&str> = record.channels.iter().map(|c| c.id.as_str()).collect();
    names.sort_by_key(|n| !e.channels.iter().any(|c| c == n));
    names.truncate(SHOWN);
    names.sort_unstable();
    let plan = Plan::new(width, names.len());
    let where_filter = record.line.as_ref().and_then(|l| l.filter.position.clone());
    let sites = marked(e);
    for &(site, _) in &sites {
        halo(&mut picture, &plan, e, &names, site, &where_filter);
    }
    parts(&mut picture, &plan, &names, &where_filter);
    picture.height = captions(&mut picture, &plan, e, &sites);
    picture
}

/// The sites to mark: the suggested one, or all that are possible.
fn marked(e: &Episode) -> Vec<(Site, f64)> {
    let all = Site::ALL.iter().copied().zip(e.sites);
    match e.suggested {
        Some(site) => all.filter(|(s, _)| *s == site).collect(),
        None => all.filter(|(_, p)| POSSIBLE_FROM <= *p).collect(),
    }
}

/// Where the parts stand.
struct Plan {
    em: f64,
    container: f64,
    pump: f64,
    half_pump: f64,
    join: f64,
    filter: f64,
    half_filter: f64,
    hub: f64,
    vein: f64,
    rows: Vec<f64>,
    middle: f64,
    top: f64,
    bottom: f64,
}

impl Plan {
    fn new(width: f64, channels: usize) -> Self {
        let row = 46.0;
        let top = 30.0;
        let rows: Vec<f64> = (0..channels).map(|i| top + 24.0 + row * i as f64).collect();
        let middle = top + 24.0 + row * (channels.max(1) - 1) as f64 / 2.0;
        let at = |share: f64| (width * share).round();
        let narrow = width < 600.0;
        Self {
            em: if narrow { 10.5 } else { 12.0 },
            container: at(0.06),
            pump: at(if narrow { 0.26 } else { 0.24 }),
            half_pump: if narrow { 28.0 } else { 52.0 },
            join: at(if narrow { 0.47 } else { 0.44 }),
            filter: at(if narrow { 0.61 } else { 0.58 }),
            half_filter: if narrow { 17.0 } else { 26.0 },
            hub: at(if narrow { 0.77 } else { 0.76 }),
            vein: at(0.955),
            rows,
            middle,
            top,
            bottom: top + 48.0 + row * (channels.max(1) - 1) as f64,
        }
    }
}

/// Marks the stretch of a site: shaded, hatched and framed, so that it shows in grey too.
fn halo(
    picture: &mut Picture,
    plan: &Plan,
    e: &Episode,
    names: &[&str],
    site: Site,
    filter: &Option<FilterPosition>,
) {
    let rows = names
        .iter()
        .zip(&plan.rows)
        .filter(|(n, _)| match &e.at_channel {
            Some(channel) => channel == *n,
            None => e.channels.iter().any(|c| c == *n),
        })
        .map(|(_, y)| *y);
    let boxes: Vec<(f64, f64, f64, f64)> = match site {
        Site::Supply => rows
            .map(|y| {
                (
                    plan.container - 16.0,
                    y - 20.0,
                    plan.pump - plan.half_pump - 3.0,
                    y + 20.0,
                )
            })
            .collect(),
        Site::Tubing => rows
            .map(|y| {
                (
                    plan.pump + plan.half_pump + 3.0,
                    y - 13.0,
                    plan.join - 4.0,
                    y + 13.0,
                )
            })
            .collect(),
        Site::Settings => rows
            .map(|y| {
                (
                    plan.pump - plan.half_pump - 6.0,
                    y - 20.0,
                    plan.pump + plan.half_pump + 6.0,
                    y + 20.0,
                )
            })
            .collect(),
        Site::Filter => {
            let y = filter_row(plan, names, filter);
            let x = filter_x(plan, filter);
            vec![(
                x - plan.half_filter - 7.0,
                y - 23.0,
                x + plan.half_filter + 7.0,
                y + 23.0,
            )]
        }
        Site::Catheter => {
            vec![(
                plan.filter + plan.half_filter + 10.0,
                plan.middle - 17.0,
                plan.vein - 10.0,
                plan.middle + 17.0,
            )]
        }
        Site::None => Vec::new(),
    };
    for bounds in boxes {
        picture.rect(bounds, ink::EPISODE);
        picture.hatch(bounds, 1.0, 6.0, ink::EPISODE_HATCH);
        picture.frame(bounds, ink::EPISODE_EDGE, 2.0);
    }
}

fn filter_x(plan: &Plan, filter: &Option<FilterPosition>) -> f64 {
    match filter {
        Some(FilterPosition::AboveJoin { .. }) => (plan.pump + plan.half_pump + plan.join) / 2.0,
        _ => plan.filter,
    }
}

fn filter_row(plan: &Plan, names: &[&str], filter: &Option<FilterPosition>) -> f64 {
    match filter {
        Some(FilterPosition::AboveJoin { channel }) => names
            .iter()
            .position(|n| n == channel)
            .and_then(|i| plan.rows.get(i).copied())
            .unwrap_or(plan.middle),
        _ => plan.middle,
    }
}

/// The parts themselves.
fn parts(picture: &mut Picture, plan: &Plan, names: &[&str], filter: &Option<FilterPosition>) {
    let tube = |picture: &mut Picture, points: Vec<(f64, f64)>| {
        picture.line(points.clone(), ink::TEXT, 5.0);
        picture.line(points, ink::PAPER, 2.4);
    };
    for (name, &y) in names.iter().zip(&plan.rows) {
        tube(picture, vec![(plan.container, y), (plan.pump, y)]);
        let bend = plan.join - 26.0;
        tube(
            picture,
            vec![(plan.pump, y), (bend, y), (plan.join, plan.middle)],
        );
        // Container: a bag.
        let (x, w, h) = (plan.container, 11.0, 15.0);
        let bag = vec![
            (x - w, y - h),
            (x + w, y - h),
            (x + w, y + h - 5.0),
            (x + 4.0, y + h),
            (x - 4.0, y + h),
            (x - w, y + h - 5.0),
            (x - w, y - h),
        ];
        picture.area(bag.clone(), ink::PART);
        picture.line(bag, ink::TEXT, 1.4);
        // Pump: a box with the channel's name.
        let bounds = (
            plan.pump - plan.half_pump,
            y - 14.0,
            plan.pump + plan.half_pump,
            y + 14.0,
        );
        picture.rect(bounds, ink::PAPER);
        picture.frame(bounds, ink::TEXT, 1.6);
        let name = Picture::fitting(&words::clip(name), plan.em, 2.0 * plan.half_pump - 6.0);
        picture.text(
            (plan.pump, y + 4.0),
            plan.em,
            Anchor::Middle,
            ink::TEXT,
            name,
        );
    }
    tube(
        picture,
        vec![(plan.join, plan.middle), (plan.hub, plan.middle)],
    );
    // The catheter is thinner than the line.
    picture.line(
        vec![(plan.hub, plan.middle), (plan.vein - 8.0, plan.middle)],
        ink::TEXT,
        2.4,
    );
    picture.dot((plan.join, plan.middle), 5.0, ink::TEXT);
    picture.rect(
        (
            plan.hub - 4.0,
            plan.middle - 7.0,
            plan.hub + 4.0,
            plan.middle + 7.0,
        ),
        ink::TEXT,
    );
    // The vein: two walls.
    for x in [plan.vein - 8.0, plan.vein + 8.0] {
        picture.line(
            vec![(x, plan.top + 4.0), (x, plan.bottom - 4.0)],
            ink::TEXT,
            1.4,
        );
    }
    if *filter != Some(FilterPosition::None) {
        let (x, y) = (filter_x(plan, filter), filter_row(plan, names, filter));
        let (w, h) = (plan.half_filter, 16.0);
        let body = vec![
            (x - w, y),
            (x - w + 9.0, y - h),
            (x + w - 9.0, y - h),
            (x + w, y),
            (x + w - 9.0, y + h),
            (x - w + 9.0, y + h),
            (x - w, y),
        ];
        picture.area(body.clone(), ink::PAPER);
        picture.line(body, ink::TEXT, 1.6);
        picture.dashed(vec![(x, y - h), (x, y + h)], ink::TEXT, 1.6, (2.0, 2.0));
    }
    let title = |picture: &mut Picture, x: f64, text: &str| {
        let half = Picture::text_width(text, plan.em) / 2.0;
        let x = picture.kept_on(x, half + 1.0);
        picture.text(
            (x, plan.top - 10.0),
            plan.em,
            Anchor::Middle,
            ink::QUIET,
            text,
        );
    };
    title(
        picture,
        plan.container,
        if picture.is_narrow() {
            "bag"
        } else {
            "container"
        },
    );
    title(
        picture,
        plan.pump,
        if names.len() == 1 { "pump" } else { "pumps" },
    );
    title(picture, plan.join, "join");
    match filter {
        None => title(
            picture,
            plan.filter,
            if picture.is_narrow() {
                "filter"
            } else {
                "filter (assumed here)"
            },
        ),
        Some(FilterPosition::None) => {}
        Some(FilterPosition::BelowJoin) => title(picture, plan.filter, "filter"),
        Some(FilterPosition::AboveJoin { .. }) => title(picture, filter_x(plan, filter), "filter"),
    }
    title(picture, (plan.hub + plan.vein) / 2.0 - 12.0, "catheter");
    title(picture, plan.vein, "vein");
}

/// The probability of each stretch below it, and of the two sites that are nowhere in the line.
fn captions(picture: &mut Picture, plan: &Plan, e: &Episode, marked: &[(Site, f64)]) -> f64 {
    let y = plan.bottom + 16.0;
    let stretch = |site: Site| match site {
        Site::Supply => Some((plan.container + plan.pump - plan.half_pump) / 2.0),
        Site::Tubing => Some((plan.pump + plan.half_pump + plan.join) / 2.0),
        Site::Filter => Some(plan.filter),
        Site::Catheter => Some((plan.filter + plan.half_filter + plan.vein) / 2.0),
        Site::Settings | Site::None => None,
    };
    let mut elsewhere = Vec::new();
    for (site, p) in Site::ALL.iter().copied().zip(e.sites) {
        let name = words::site_short(site);
        let share = words::percent(p);
        let Some(x) = stretch(site) else {
            elsewhere.push(format!("{} {share}", name.to_lowercase()));
            continue;
        };
        let suspected = marked.iter().any(|(s, _)| *s == site);
        for (line, text) in [name, share.as_str()].into_iter().enumerate() {
            let y = y + 15.0 * line as f64;
            if suspected {
                picture.bold((x, y), plan.em, Anchor::Middle, ink::EPISODE_EDGE, text);
            } else {
                picture.text((x, y), plan.em, Anchor::Middle, ink::TEXT, text);
            }
        }
        if suspected {
            let text = if e.suggested.is_some() {
                "suspected"
            } else {
                "possible"
            };
            picture.bold(
                (x, y + 30.0),
                plan.em,
                Anchor::Middle,
                ink::EPISODE_EDGE,
                text,
            );
        }
    }
    // Beside each other where there is room, else below.
    let whole = format!("Not an obstruction: {}", elsewhere.join(", "));
    let mut lines = vec![whole];
    if picture.width - 8.0 < 1.1 * Picture::text_width(&lines.concat(), plan.em) {
        lines = vec!["Not an obstruction:".to_string()];
        lines.extend(elsewhere);
    }
    let mut y = y + 52.0;
    for text in lines {
        picture.text((4.0, y), plan.em, Anchor::Start, ink::TEXT, text);
        y += 15.0;
    }
    y - 7.0
}
