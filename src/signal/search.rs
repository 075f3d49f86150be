//! The split of a series with the least total cost: every split counts, few are looked at.
//!
//! In: a [`Cost`], a penalty for each change, the shortest segment allowed. Out: the change points of the cheapest split
//! and its cost. Knows nothing of what a cost means.
//!
//! Optimal partitioning: the cheapest split of the first `t` samples ends with a segment that starts at some `s`, after
//! the cheapest split of the first `s` (Jackson et al., IEEE Signal Process Lett 12 (2005) 105–108). Trying all `s` for all
//! `t` takes quadratic time. Pruning for good (Killick, Fearnhead and Eckley, J Am Stat Assoc 107 (2012) 1590–1598) helps
//! where changes are frequent; a series *without* changes stays quadratic. So candidates stand in a tree, and each node
//! knows a lower bound for all of its candidates at once:
//!
//! ```text
//! candidates a..b, end t ≥ b:   min over s of  best(s) + cost(s..t)
//!                            ≥  [min over s of  best(s) + data(s..b)]  +  data(b..t)
//!                                └──────────── kept by the node ─────┘
//! ```
//!
//! since the data's part of a cost never grows when a stretch is cut in two. Where that bound is no better than what is
//! already had, the node is passed over, exactly and for this `t` only; where it shows that a start at `t` will always
//! do better, the node is dropped for good. Without changes nearly every node is passed over near the root.
//!
//! A bent series (a slow wave, cut into straight pieces) defeats that bound: each part bends less than the whole. There the
//! crowd's exact fits are kept as they stood when it was last looked at ([`Frozen`]), and bound it for as long as they
//! hardly move. Fits of a large crowd cost much to renew, so that is done once its children have been looked at in vain so
//! often that it would have cost as much. The time is about `n log n` in all three worlds. No candidate is left out on a guess.

use super::cost::{Cost, LEVEL, TREND, Usual};
use super::frozen::Frozen;

/// Candidates in a leaf of the tree, and children of a node; both as powers of two.
const LEAF_BITS: u32 = 4;
const CHILD_BITS: u32 = 2;
const LEAF: usize = 1 << LEAF_BITS;
const CHILDREN: usize = 1 << CHILD_BITS;

/// Samples after a crowd from which on its fits are worth keeping: younger ones move too much.
const GROWN_UP: usize = 32;

/// Cost by which the quick bound may lie below the exact one where it is used to say that a node is not dead yet.
const DOUBT: f64 = 4.0;

/// A crowd's fits are renewed after so many looks at its children in vain for each candidate.
const LOOKS_PER_CANDIDATE: f64 = 0.35;

/// Candidates below a node of this level.
fn size(level: usize) -> usize {
    1 << (LEAF_BITS + CHILD_BITS * level as u32)
}

/// The cheapest split.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Split {
    /// First samples of all segments but the first, ascending.
    pub change_points: Vec<usize>,
    /// Costs of the segments plus one penalty for each change point; infinite where the series is shorter than the
    /// shortest segment.
    pub total: f64,
}

/// Finds the cheapest split into segments of at least `min_len` (at least 1) samples.
pub(super) fn cheapest_split(cost: &Cost, penalty: f64, min_len: usize) -> Split {
    let n = cost.len();
    let mut search = Search {
        cost,
        penalty,
        min_len: min_len.max(1),
        best: vec![f64::INFINITY; n + 1],
        from: vec![0; n + 1],
        levels: Vec::new(),
        frozen: Vec::new(),
        stack: Vec::new(),
        usual: cost.usual(&cost.moments(0, n.min(1))),
    };
    search.best[0] = -penalty; // the first segment is no change
    search.grow(0);
    for t in 1..=n {
        search.extend(t);
        search.grow(t);
    }
    let mut change_points = Vec::new();
    let mut t = n;
    while 0 < search.from[t] {
        t = search.from[t];
        change_points.push(t);
    }
    change_points.reverse();
    Split {
        change_points,
        total: search.best[n],
    }
}

/// Bounds for a crowd of candidates `start..end`.
#[derive(Debug, Clone, Copy)]
struct Node {
    /// Least `best(s) + data(s..end)` for each shape.
    loose: [f64; 2],
    /// The same with the cost's tangent below `tangent`: tighter, and valid for segments whose variance is at least that.
    tight: [f64; 2],
    tangent: f64,
    /// From this end on, none of the candidates can be the best any more.
    dead_from: usize,
    /// How often the children were looked at since the fits were kept.
    looks: u32,
    /// Place of the fits in [`Search::frozen`], or `NONE`.
    frozen: u32,
}

const NONE: u32 = u32::MAX;

struct Search<'a> {
    cost: &'a Cost<'a>,
    penalty: f64,
    min_len: usize,
    /// Least cost of the first t samples, for all t reached.
    best: Vec<f64>,
    /// Where the last segment of that split starts.
    from: Vec<usize>,
    /// Nodes by level; level 0 has `LEAF` candidates each.
    levels: Vec<Vec<Node>>,
    /// Fits of nodes that were looked at.
    frozen: Vec<Frozen>,
    /// Nodes still to look at; kept between calls for its memory.
    stack: Vec<(usize, usize)>,
    /// Spread of the segment that was last before.
    usual: Usual,
}

impl Search<'_> {
    /// Finds the best split of the first `t` samples.
    fn extend(&mut self, t: usize) {
        if t < self.min_len {
            return;
        }
        let mut found = (f64::INFINITY, 0);
        let limit = t - self.min_len + 1; // candidates lie below
        // The start that was best for the end before is mostly best again, and lets most others be passed over.
        let likely = self.from[t - 1];
        if likely < limit {
            self.usual = self.cost.usual(&self.cost.moments(likely, t));
            self.try_candidates(likely..likely + 1, t, &mut found);
        }
        let in_leaves = limit / LEAF * LEAF;
        self.try_candidates(in_leaves..limit, t, &mut found);
        self.push_roots(limit / LEAF);
        while let Some((level, index)) = self.stack.pop() {
            if self.pass_over(level, index, t, found.0) {
                continue;
            }
            let young = t < (index + 1) * size(level) + GROWN_UP;
            let node = &mut self.levels[level][index];
            node.looks += 1;
            if level == 0 && young {
                let start = index * LEAF;
                self.try_candidates(start..start + LEAF, t, &mut found);
            } else if !young && LOOKS_PER_CANDIDATE * size(level) as f64 <= f64::from(node.looks)
                || level == 0
            {
                self.renew(level, index, t, &mut found);
            } else {
                let first = index * CHILDREN;
                self.stack
                    .extend((first..first + CHILDREN).map(|child| (level - 1, child)));
            }
        }
        (self.best[t], self.from[t]) = found;
    }

    #[inline]
    fn try_candidates(&self, starts: std::ops::Range<usize>, t: usize, found: &mut (f64, usize)) {
        for s in starts {
            if self.best[s] < f64::INFINITY {
                let m = self.cost.moments(s, t);
                let least = self.best[s]
                    + self.penalty
                    + self.cost.shortness(m.n)
                    + self.cost.data_at_least(m.n, m.trend_rss, self.usual)
                    + self.least_extra();
                if least < found.0 {
                    self.try_one(s, t, found);
                }
            }
        }
    }

    fn least_extra(&self) -> f64 {
        self.cost.extra(LEVEL).min(self.cost.extra(TREND))
    }

    #[inline]
    fn try_one(&self, s: usize, t: usize, found: &mut (f64, usize)) {
        let total = self.best[s] + self.penalty + self.cost.of(s, t);
        if total < found.0 {
            *found = (total, s);
        }
    }

    /// Tries all candidates of a node that are not dropped for good, and keeps their fits, for it and all below it.
    fn renew(&mut self, level: usize, index: usize, t: usize, found: &mut (f64, usize)) {
        let all = self.renewed(level, index, t, found);
        debug_assert_eq!(all.anchor, t);
    }

    fn renewed(
        &mut self,
        level: usize,
        index: usize,
        t: usize,
        found: &mut (f64, usize),
    ) -> Frozen {
        let mut fits = Frozen::nobody(t, self.cost.x(t));
        if self.levels[level][index].dead_from <= t {
            return fits;
        }
        if level == 0 {
            for s in index * LEAF..(index + 1) * LEAF {
                if self.best[s] == f64::INFINITY {
                    continue;
                }
                if s == self.from[t - 1] {
                    fits.without = s; // it has been tried already, and will be again
                    continue;
                }
                let m = self.cost.moments(s, t);
                let data = self.cost.data_by_shape(&m);
                let floor = self.cost.floor().unwrap_or(0.0);
                fits.include(self.best[s], &m, data, floor);
                let least = (data[LEVEL] + self.cost.extra(LEVEL))
                    .min(data[TREND] + self.cost.extra(TREND));
                if self.best[s] + self.penalty + self.cost.shortness(m.n) + least < found.0 {
                    self.try_one(s, t, found);
                }
            }
        } else {
            for child in index * CHILDREN..(index + 1) * CHILDREN {
                fits.merge(&self.renewed(level - 1, child, t, found));
            }
        }
        let node = &mut self.levels[level][index];
        node.looks = 0;
        let sealed = fits.clone().sealed();
        match self.frozen.get_mut(node.frozen as usize) {
            Some(kept) => *kept = sealed,
            None => {
                node.frozen = self.frozen.len() as u32;
                self.frozen.push(sealed);
            }
        }
        fits
    }

    /// Covers the first `leaves` leaves with the largest whole nodes.
    fn push_roots(&mut self, leaves: usize) {
        self.stack.clear();
        let mut at = 0;
        for level in (0..self.levels.len()).rev() {
            let leaves_below = size(level) / LEAF;
            while at + leaves_below <= leaves {
                self.stack.push((level, at / leaves_below));
                at += leaves_below;
            }
        }
    }

    /// Whether no candidate of the node can beat `had` as the start of a segment that ends at `t`.
    #[inline]
    fn pass_over(&mut self, level: usize, index: usize, t: usize, had: f64) -> bool {
        let node = &self.levels[level][index];
        if node.dead_from <= t {
            return true;
        }
        self.fits_pass_over(level, index, t, had)
            .unwrap_or_else(|| self.parts_pass_over(level, index, t, had))
    }

    /// By the crowd's fits; `None` where there are none, or they are too old to know better than the parts.
    #[inline]
    fn fits_pass_over(&mut self, level: usize, index: usize, t: usize, had: f64) -> Option<bool> {
        let place = self.levels[level][index].frozen as usize;
        let likely = self.from[t - 1];
        let usable = |f: &&Frozen| f.anchor < t && (f.without == usize::MAX || f.without == likely);
        let fits = self.frozen.get(place).filter(usable)?;
        let anchor = fits.anchor;
        let since = self.cost.moments(anchor, t);
        let bounds = fits.bound(&since, self.cost.terms(), self.cost.floor());
        let all_counted = fits.without == usize::MAX;
        if all_counted && had + self.cost.shortness(self.min_len as f64) <= bounds[TREND] {
            self.levels[level][index].dead_from = t + self.min_len;
        }
        let (start, end) = (index * size(level), (index + 1) * size(level));
        let had = had - self.penalty - self.cost.shortness((t - start) as f64);
        let with = |shape: usize| bounds[shape] + self.cost.extra(shape);
        let passed = had <= with(LEVEL).min(with(TREND));
        let fresh = t - anchor < anchor - end;
        (passed || fresh).then_some(passed)
    }

    /// By the parts before and after the node's end, each fitted by itself.
    #[inline]
    fn parts_pass_over(&mut self, level: usize, index: usize, t: usize, had: f64) -> bool {
        let node = &self.levels[level][index];
        let (start, end) = (index * size(level), (index + 1) * size(level));
        let m = self.cost.moments(end, t);
        // Every segment from this node to t has at least these sums of squares, over at most this many samples.
        let longest = (t - start) as f64;
        let (kept, tangent) = if node.tangent <= m.trend_rss / longest {
            (node.tight, node.tangent)
        } else {
            (node.loose, 0.0)
        };
        // Mostly enough to know, and takes no logarithm; the level's data cost at least the line's.
        let least = self.cost.data_at_least(m.n, m.trend_rss, self.usual);
        let all = had + self.cost.shortness(self.min_len as f64);
        let had = had - self.penalty - self.cost.shortness(longest);
        let with = |shape: usize| kept[shape] + self.cost.extra(shape);
        if had <= with(LEVEL).min(with(TREND)) + least && kept[TREND] + least < all - DOUBT {
            return true;
        }
        let trend = self.cost.data(m.n, m.trend_rss, tangent);
        // A start at t would do at least as well for all later ends that leave it min_len samples (with the most that its
        // segment can cost for being shorter).
        let dead = all <= kept[TREND] + trend;
        if dead {
            self.levels[level][index].dead_from = t + self.min_len;
        }
        if had <= with(LEVEL).min(with(TREND)) + trend {
            return true;
        }
        let level = self.cost.data(m.n, m.level_rss, tangent);
        had <= (with(LEVEL) + level).min(with(TREND) + trend)
    }

    /// Takes candidate `t` into the tree: builds the nodes that it completes.
    fn grow(&mut self, t: usize) {
        let end = t + 1;
        if !end.is_multiple_of(LEAF) || self.cost.len() < end {
            return;
        }
        let tangent = if self.from[t] < t && self.best[t] < f64::INFINITY {
            let m = self.cost.moments(self.from[t], t);
            0.5 * m.trend_rss / m.n
        } else {
            0.0
        };
        let mut level = 0;
        while end.is_multiple_of(size(level)) {
            let node = self.node(level, end - size(level)..end, tangent);
            if self.levels.len() == level {
                self.levels.push(Vec::new());
            }
            self.levels[level].push(node);
            level += 1;
        }
    }

    fn node(&self, level: usize, candidates: std::ops::Range<usize>, tangent: f64) -> Node {
        let mut node = Node {
            loose: [f64::INFINITY; 2],
            tight: [f64::INFINITY; 2],
            tangent,
            dead_from: usize::MAX,
            looks: 0,
            frozen: NONE,
        };
        let end = candidates.end;
        for s in candidates {
            if self.best[s] == f64::INFINITY || self.is_dead(level, s, end) {
                continue;
            }
            let m = self.cost.moments(s, end);
            let least = self.best[s] + self.cost.data_at_least(m.n, m.trend_rss, self.usual);
            if node.loose[LEVEL]
                .max(node.tight[LEVEL])
                .max(node.tight[TREND])
                <= least
            {
                continue; // it would change none of the four
            }
            for (shape, rss) in [(LEVEL, m.level_rss), (TREND, m.trend_rss)] {
                let loose = self.best[s] + self.cost.data(m.n, rss, 0.0);
                let tight = self.best[s] + self.cost.data(m.n, rss, tangent);
                node.loose[shape] = node.loose[shape].min(loose);
                node.tight[shape] = node.tight[shape].min(tight);
            }
        }
        node
    }

    /// Whether the child of a node at `level` in which candidate `s` stands was dropped for good before `end`.
    fn is_dead(&self, level: usize, s: usize, end: usize) -> bool {
        let Some(below) = level.checked_sub(1) else {
            return false;
        };
        self.levels[below][s / size(below)].dead_from <= end
    }
}

#[cfg(test)]
mod tests {
    use super::super::cost::{Spread, Terms};
    use super::super::sums::Sums;
    use super::*;
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
            "nile" => include_str!("../../tests/it/data/segments/nile.csv"),
            "steps" => include_str!("../../tests/it/data/segments/steps.csv"),
            "slopes" => include_str!("../../tests/it/data/segments/slopes.csv"),
            _ => include_str!("../../tests/it/data/segments/spreads.csv"),
        };
        csv.lines()
            .skip(1)
            .map(|line| line.rsplit(',').next().unwrap().parse().unwrap())
            .collect()
    }

    /// `scripts/reference/run --write` made the expected values: ruptures 1.1.10, exact PELT, every sample a candidate.
    #[test]
    fn change_points_agree_with_ruptures_on_the_same_cost_and_penalty() {
        let expected = include_str!("../../tests/it/data/segments/ruptures.csv");
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
}
