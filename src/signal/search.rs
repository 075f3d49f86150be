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
//! often that it would have cost as much.
//!
//! Even so, to bound each crowd anew for each end takes most of the time. So every few samples all crowds are looked at, and what
//! each lacks of being the best is written down ([`Aside`]); until the next time, the samples since bound them all together, and only
//! crowds that come near are looked at by themselves. The time is about `n log n` in all three worlds. No candidate is left out on a guess.

use super::aside::Aside;
use super::cost::{Cost, LEVEL, TREND, Usual};
use super::frozen::Frozen;
use super::tree::{LEAF, NONE, Place, Tree};

/// Samples after a crowd from which on its fits are worth keeping: younger ones move too much.
const GROWN_UP: usize = 32;

/// Cost by which the quick bound may lie below the exact one where it is used to say that a node is not dead yet.
const DOUBT: f64 = 4.0;

/// A crowd's fits are renewed after so many looks at its children in vain for each candidate.
const LOOKS_PER_CANDIDATE: f64 = 0.35;

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
        tree: Tree::default(),
        frozen: Vec::new(),
        stack: Vec::new(),
        aside: Aside::default(),
        usual: cost.usual(&cost.moments(0, n.min(1))),
    };
    search.best[0] = -penalty; // the first segment is no change
    for t in 0..=n {
        search.extend(t);
        search
            .tree
            .grow(t, cost, &search.best, &search.from, search.usual);
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

struct Search<'a> {
    cost: &'a Cost<'a>,
    penalty: f64,
    min_len: usize,
    /// Least cost of the first t samples, for all t reached.
    best: Vec<f64>,
    /// Where the last segment of that split starts.
    from: Vec<usize>,
    tree: Tree,
    /// Fits of nodes that were looked at.
    frozen: Vec<Frozen>,
    /// Nodes still to look at; kept between calls for its memory.
    stack: Vec<Place>,
    /// All nodes as they stood when all were looked at.
    aside: Aside,
    /// Spread of the segment that was last before.
    usual: Usual,
}

/// The best start so far: total and start.
type Found = (f64, usize);

/// What came of looking into a node that could not be passed over.
enum Looked {
    /// Its candidates were tried.
    Tried,
    /// They were tried, and their fits are kept.
    Renewed,
    /// Its children are on the stack.
    Below,
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
        let leaves = limit / LEAF;
        self.try_candidates(leaves * LEAF..limit, t, &mut found);
        self.stack.clear();
        if self.all_aside(leaves, t, &mut found) {
            while let Some(place) = self.stack.pop() {
                if !self.pass_over(place, t, found.0) {
                    self.look_into(place, t, 1, &mut found);
                }
            }
        } else {
            self.look_at_all(leaves, t, &mut found);
        }
        (self.best[t], self.from[t]) = found;
    }

    /// Whether all nodes that were set aside can be passed over together; those that are left are put on the stack.
    #[inline]
    fn all_aside(&mut self, leaves: usize, t: usize, found: &mut Found) -> bool {
        if self.aside.until <= t {
            return false;
        }
        let left_out = self.aside.left_out;
        if left_out != self.from[t - 1] {
            self.try_candidates(left_out..left_out + 1, t, found);
        }
        let had = found.0 - self.aside.since_then(self.cost, t);
        if self.aside.least < had {
            return false;
        }
        self.tree
            .push_roots(self.aside.leaves, leaves, &mut self.stack);
        self.stack.extend(self.aside.below(had));
        true
    }

    /// Looks at all nodes, and sets aside what is far from being the best.
    fn look_at_all(&mut self, leaves: usize, t: usize, found: &mut Found) {
        let since = std::mem::take(&mut self.aside);
        // Nodes that stayed near were looked at for each end since.
        let times = (t - since.at) as u32;
        let likely = self.from[t - 1];
        let mut aside = since.anew(t, likely, leaves, self.cost);
        self.tree.push_roots(0, leaves, &mut self.stack);
        while let Some(place) = self.stack.pop() {
            if self.tree.node(place).dead_from <= t {
                continue;
            }
            let mut bound = self.bound(place, t, found.0);
            // A crowd that ends here has no samples after it, and no bound: NaN.
            let passed = found.0 <= bound;
            if !passed {
                match self.look_into(place, t, times, found) {
                    Looked::Below => continue,
                    Looked::Tried => {
                        aside.keep_near(place);
                        continue;
                    }
                    Looked::Renewed => bound = self.bound(place, t, found.0),
                }
            }
            aside.set(place, bound, found.0, self.cost);
        }
        self.aside = aside;
    }

    /// Looks into a node; `times` is how many ends this look stands for.
    fn look_into(&mut self, place: Place, t: usize, times: u32, found: &mut Found) -> Looked {
        let young = t < place.end() + GROWN_UP;
        let node = self.tree.node_mut(place);
        node.looks = node.looks.saturating_add(times);
        let often = LOOKS_PER_CANDIDATE * place.size() as f64 <= f64::from(node.looks);
        if place.is_leaf() && young {
            self.try_candidates(place.start()..place.end(), t, found);
            Looked::Tried
        } else if !young && often || place.is_leaf() {
            self.renew(place, t, found);
            Looked::Renewed
        } else {
            self.stack.extend(place.children());
            Looked::Below
        }
    }

    #[inline]
    fn try_candidates(&self, starts: std::ops::Range<usize>, t: usize, found: &mut Found) {
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
    fn try_one(&self, s: usize, t: usize, found: &mut Found) {
        let total = self.best[s] + self.penalty + self.cost.of(s, t);
        if total < found.0 {
            *found = (total, s);
        }
    }

    /// Tries all candidates of a node that are not dropped for good, and keeps their fits, for it and all below it.
    fn renew(&mut self, place: Place, t: usize, found: &mut Found) -> Frozen {
        let mut fits = Frozen::nobody(t, self.cost.x(t));
        if self.tree.node(place).dead_from <= t {
            return fits;
        }
        if place.is_leaf() {
            self.fit(place, t, &mut fits, found);
        } else {
            for child in place.children() {
                fits.merge(&self.renew(child, t, found));
            }
        }
        let node = self.tree.node_mut(place);
        node.looks = 0;
        let sealed = fits.clone().sealed();
        match self.frozen.get_mut(node.frozen) {
            Some(kept) => *kept = sealed,
            None => {
                node.frozen = self.frozen.len();
                self.frozen.push(sealed);
            }
        }
        fits
    }

    /// Tries the candidates of a leaf, and takes their fits in.
    #[inline]
    fn fit(&self, leaf: Place, t: usize, fits: &mut Frozen, found: &mut Found) {
        // Neighbours have nearly the same spread, so that one logarithm does for all of them.
        let mut around = None;
        let floor = self.cost.floor().unwrap_or(0.0);
        for s in leaf.start()..leaf.end() {
            if self.best[s] == f64::INFINITY {
                continue;
            }
            if s == self.from[t - 1] {
                fits.without = s; // it has been tried already, and will be again
                continue;
            }
            let m = self.cost.moments(s, t);
            let around = *around.get_or_insert_with(|| self.cost.usual(&m));
            let data = self.cost.data_around(&m, around);
            fits.include(self.best[s], &m, data, floor);
            let least =
                (data[LEVEL] + self.cost.extra(LEVEL)).min(data[TREND] + self.cost.extra(TREND));
            if self.best[s] + self.penalty + self.cost.shortness(m.n) + least < found.0 {
                self.try_one(s, t, found);
            }
        }
    }

    /// Whether no candidate of the node can beat `had` as the start of a segment that ends at `t`.
    #[inline]
    fn pass_over(&mut self, place: Place, t: usize, had: f64) -> bool {
        if self.tree.node(place).dead_from <= t {
            return true;
        }
        if let Some((bounds, fits)) = self.by_fits(place, t) {
            let (anchor, all_counted) = (fits.anchor, fits.without == NONE);
            if all_counted {
                self.drop_if_dead(place, t, had, bounds[TREND]);
            }
            let passed = had <= self.total(place, t, bounds);
            let fresh = t - anchor < anchor - place.end();
            if passed || fresh {
                return passed; // older fits know less than the parts
            }
        }
        self.parts_pass_over(place, t, had)
    }

    /// By the parts before and after the node's end, each fitted by itself.
    #[inline]
    fn parts_pass_over(&mut self, place: Place, t: usize, had: f64) -> bool {
        let m = self.cost.moments(place.end(), t);
        let (kept, tangent) = self.tree.node(place).kept(&m, t - place.start());
        // Mostly enough to know, and takes no logarithm; the level's data cost at least the line's.
        let least = self.cost.data_at_least(m.n, m.trend_rss, self.usual);
        let surely_not_dead =
            kept[TREND] + least < had + self.cost.shortness(self.min_len as f64) - DOUBT;
        if had <= self.total(place, t, kept) + least && surely_not_dead {
            return true;
        }
        let trend = self.cost.data(m.n, m.trend_rss, tangent);
        self.drop_if_dead(place, t, had, kept[TREND] + trend);
        if had <= self.total(place, t, kept) + trend {
            return true;
        }
        let level = self.cost.data(m.n, m.level_rss, tangent);
        had <= self.total(place, t, [kept[LEVEL] + level, kept[TREND] + trend])
    }

    /// The least total that a candidate of the node can have, by all that is known.
    fn bound(&mut self, place: Place, t: usize, had: f64) -> f64 {
        let m = self.cost.moments(place.end(), t);
        let (kept, tangent) = self.tree.node(place).kept(&m, t - place.start());
        let level = kept[LEVEL] + self.cost.data(m.n, m.level_rss, tangent);
        let mut trend = kept[TREND] + self.cost.data(m.n, m.trend_rss, tangent);
        let mut total = self.total(place, t, [level, trend]);
        if let Some((bounds, fits)) = self.by_fits(place, t) {
            total = total.max(self.total(place, t, bounds));
            if fits.without == NONE {
                trend = trend.max(bounds[TREND]);
            }
        }
        self.drop_if_dead(place, t, had, trend);
        total
    }

    /// By the crowd's fits; `None` where there are none, or not of all that will not be tried by themselves.
    #[inline]
    fn by_fits(&self, place: Place, t: usize) -> Option<([f64; 2], &Frozen)> {
        let fits = self.frozen.get(self.tree.node(place).frozen)?;
        if fits.without != NONE && fits.without != self.from[t - 1] {
            return None;
        }
        if fits.anchor == t {
            return Some((fits.kept(), fits));
        }
        let since = self.cost.moments(fits.anchor, t);
        let bounds = fits.bound(&since, self.cost.terms(), self.cost.floor());
        Some((bounds, fits))
    }

    /// The least total of a candidate, from the least that the splits before it and the data cost by shape.
    #[inline]
    fn total(&self, place: Place, t: usize, bounds: [f64; 2]) -> f64 {
        let with = |shape: usize| bounds[shape] + self.cost.extra(shape);
        let longest = (t - place.start()) as f64;
        with(LEVEL).min(with(TREND)) + self.penalty + self.cost.shortness(longest)
    }

    /// Drops a node for good where a start at `t` would do at least as well for all later ends that leave it `min_len` samples (with
    /// the most that its segment can cost for being short). `trend` is the least that its candidates cost as lines.
    #[inline]
    fn drop_if_dead(&mut self, place: Place, t: usize, had: f64, trend: f64) {
        if had + self.cost.shortness(self.min_len as f64) <= trend {
            self.tree.node_mut(place).dead_from = t + self.min_len;
        }
    }
}

#[cfg(test)]
mod tests;
