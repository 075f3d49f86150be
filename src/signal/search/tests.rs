//! The search against slow twins that try every split, and every start for every end; against a library by the same cost.

use super::*;
use crate::signal::cost::{Spread, Terms};
use crate::signal::sums::Sums;
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rstest::rstest;

const OWN_SPREAD: Terms = Terms {
    spread: Spread::Own { floor: 1e-6 },
    weight: 1.0,
    extra: [0.0, 5.0],
    short: 12.0,
};

fn sums(values: &[f64]) -> Sums {
    let samples: Vec<(u64, f64)> = values
        .iter()
        .enumerate()
        .map(|(i, y)| (i as u64, *y))
        .collect();
    Sums::new(&samples)
}

/// The slow twin for short series: every split there is.
fn every_split(cost: &Cost, penalty: f64, min_len: usize) -> f64 {
    let n = cost.len();
    (0..1u32 << (n - 1))
        .filter_map(|cuts| {
            let mut total = 0.0;
            let mut start = 0;
            for end in 1..=n {
                if end < n && cuts & (1 << (end - 1)) == 0 {
                    continue;
                }
                if end - start < min_len {
                    return None;
                }
                total += cost.of(start, end) + if end < n { penalty } else { 0.0 };
                start = end;
            }
            Some(total)
        })
        .fold(f64::INFINITY, f64::min)
}

/// The slow twin for longer series: every start for every end.
fn every_start(cost: &Cost, penalty: f64, min_len: usize) -> f64 {
    let n = cost.len();
    let mut best = vec![f64::INFINITY; n + 1];
    best[0] = -penalty;
    for t in min_len..=n {
        best[t] = (0..=t - min_len)
            .map(|s| best[s] + penalty + cost.of(s, t))
            .fold(f64::INFINITY, f64::min);
    }
    best[n]
}

fn total_of(cost: &Cost, penalty: f64, split: &Split) -> f64 {
    let mut edges = vec![0];
    edges.extend(&split.change_points);
    edges.push(cost.len());
    edges.windows(2).map(|w| cost.of(w[0], w[1])).sum::<f64>()
        + penalty * split.change_points.len() as f64
}

proptest! {
    #[test]
    fn the_fast_search_is_never_beaten_by_trying_every_split(
        y in proptest::collection::vec(-50.0..50.0f64, 1..=10),
        penalty in 0.0..500.0f64,
        min_len in 1..4usize,
        known in any::<bool>(),
        trend in any::<bool>(),
    ) {
        let terms = Terms {
            spread: if known { Spread::Known } else { Spread::Own { floor: 1e-3 } },
            extra: [0.0, if trend { 3.0 } else { f64::INFINITY }],
            ..OWN_SPREAD
        };
        let sums = sums(&y);
        let cost = Cost::new(&sums, terms);
        let found = cheapest_split(&cost, penalty, min_len);
        let slow = every_split(&cost, penalty, min_len);
        prop_assume!(slow < f64::INFINITY);
        prop_assert!((found.total - slow).abs() <= 1e-7 * (1.0 + penalty), "{} not {slow}", found.total);
        prop_assert!((total_of(&cost, penalty, &found) - slow).abs() <= 1e-7 * (1.0 + penalty));
    }
}

/// Steps, ramps, quiet and loud stretches, rounded or not, from a fixed random state.
fn made(seed: u64, n: usize, changes: usize, step: f64) -> Vec<f64> {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let (mut level, mut slope, mut spread) = (0.0, 0.0, 1.0);
    (0..n)
        .map(|_| {
            if random.random::<f64>() < changes as f64 / n as f64 {
                match random.random_range(0..3) {
                    0 => level += 20.0 * (random.random::<f64>() - 0.5),
                    1 => slope = 0.2 * (random.random::<f64>() - 0.5),
                    _ => spread = (4.0 * (random.random::<f64>() - 0.5)).exp(),
                }
            }
            level += slope;
            let noise = (0..6).map(|_| random.random::<f64>() - 0.5).sum::<f64>();
            let y = level + spread * noise * std::f64::consts::SQRT_2;
            if 0.0 < step {
                (y / step).round() * step
            } else {
                y
            }
        })
        .collect()
}

/// What defeats bounds by parts: slow bends, alone and with steps, with much noise, with hardly any and with none.
#[rstest]
fn on_bent_series_too_the_fast_search_agrees_with_trying_every_start_for_every_end(
    #[values(60.0, 300.0, 3000.0)] wave: f64,
    #[values(1.0, 0.01, 0.0)] noise: f64,
    #[values(0, 6)] steps: usize,
    #[values([0.0, 10.0], [0.0, f64::INFINITY])] extra: [f64; 2],
    #[values(Spread::Known, Spread::Own { floor: 1e-6 })] spread: Spread,
) {
    let n = 1200;
    let made = made(3, n, steps, 0.0);
    let bent: Vec<f64> = (0..n)
        .map(|i| 8.0 * (i as f64 / wave).sin() + noise * made[i])
        .collect();
    let sums = sums(&bent);
    for penalty in [4.0, 21.0] {
        let terms = Terms {
            spread,
            weight: 1.0,
            extra,
            short: 20.0,
        };
        let cost = Cost::new(&sums, terms);
        let found = cheapest_split(&cost, penalty, 5);
        let slow = every_start(&cost, penalty, 5);
        assert!(
            (found.total - slow).abs() <= 1e-9 * (1.0 + slow.abs()),
            "{}, not {slow}",
            found.total
        );
    }
}

#[rstest]
fn the_fast_search_agrees_with_trying_every_start_for_every_end(
    #[values(1, 2)] seed: u64,
    #[values(0, 3, 40)] changes: usize,
    #[values(0.0, 1.0)] step: f64,
    #[values(1, 5)] min_len: usize,
    #[values(Spread::Known, Spread::Own { floor: 1e-8 }, Spread::Own { floor: 0.08 })]
    spread: Spread,
    #[values([0.0, f64::INFINITY], [0.0, 10.0], [f64::INFINITY, 0.0])] extra: [f64; 2],
) {
    let sums = sums(&made(seed, 700, changes, step));
    for (penalty, short) in [(2.0, 0.0), (25.0, 60.0)] {
        let terms = Terms {
            spread,
            weight: 0.8,
            extra,
            short,
        };
        let cost = Cost::new(&sums, terms);
        let found = cheapest_split(&cost, penalty, min_len);
        let slow = every_start(&cost, penalty, min_len);
        assert!(
            (found.total - slow).abs() <= 1e-9 * (1.0 + slow.abs()),
            "{}, not {slow}",
            found.total
        );
        let again = total_of(&cost, penalty, &found);
        assert!((again - slow).abs() <= 1e-9 * (1.0 + slow.abs()));
    }
}

fn series(name: &str) -> Vec<f64> {
    let csv = match name {
        "nile" => include_str!("../../../tests/it/data/segments/nile.csv"),
        "steps" => include_str!("../../../tests/it/data/segments/steps.csv"),
        "slopes" => include_str!("../../../tests/it/data/segments/slopes.csv"),
        _ => include_str!("../../../tests/it/data/segments/spreads.csv"),
    };
    csv.lines()
        .skip(1)
        .map(|line| line.rsplit(',').next().unwrap().parse().unwrap())
        .collect()
}

/// `scripts/reference/run --write` made the expected values: ruptures 1.1.10, exact PELT, every sample a candidate.
#[test]
fn change_points_agree_with_ruptures_on_the_same_cost_and_penalty() {
    let expected = include_str!("../../../tests/it/data/segments/ruptures.csv");
    let mut compared = 0;
    for line in expected.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let [name, scale, cost, min_len, penalty, points, total] = cells[..] else {
            panic!("{line}");
        };
        let number = |cell: &str| cell.parse::<f64>().unwrap();
        let own = Spread::Own { floor: 0.01 };
        let (spread, extra) = match cost {
            "known level" => (Spread::Known, [0.0, f64::INFINITY]),
            "known line" => (Spread::Known, [f64::INFINITY, 0.0]),
            "own level" => (own, [0.0, f64::INFINITY]),
            _ => (own, [0.0, 6.0]),
        };
        let terms = Terms {
            spread,
            weight: 1.0,
            extra,
            short: 0.0,
        };
        let values: Vec<f64> = series(name).iter().map(|v| v * number(scale)).collect();
        let sums = sums(&values);
        let found = cheapest_split(
            &Cost::new(&sums, terms),
            number(penalty),
            min_len.parse().unwrap(),
        );
        let shown: Vec<String> = found.change_points.iter().map(usize::to_string).collect();
        assert_eq!(shown.join(" "), points, "{line}");
        let total = number(total);
        assert!(
            (found.total - total).abs() <= 1e-9 * (1.0 + total.abs()),
            "{line}: {}",
            found.total
        );
        compared += 1;
    }
    assert_eq!(compared, 48);
}
