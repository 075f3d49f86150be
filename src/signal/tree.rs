//! Candidates in crowds: a tree whose nodes each know what all of their candidates cost at least.
//!
//! In: the least cost of every beginning of a series, as it becomes known. Out: [`Node`]s with bounds, found by their [`Place`].
//! Which node is looked at, and when, is [`super::search`]'s affair.

use super::cost::{Cost, LEVEL, TREND, Usual};
use super::sums::Moments;

/// Candidates in a leaf of the tree, and children of a node; both as powers of two.
const LEAF_BITS: u32 = 4;
const CHILD_BITS: u32 = 2;
pub(super) const LEAF: usize = 1 << LEAF_BITS;
const CHILDREN: usize = 1 << CHILD_BITS;

/// Stands for no place and no candidate.
pub(super) const NONE: usize = usize::MAX;

/// Where a node stands: level 0 has `LEAF` candidates each.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    level: usize,
    index: usize,
}

impl Place {
    /// Candidates below it.
    #[inline]
    pub fn size(self) -> usize {
        size(self.level)
    }

    /// Its first candidate.
    #[inline]
    pub fn start(self) -> usize {
        self.index * self.size()
    }

    /// The candidate after its last.
    #[inline]
    pub fn end(self) -> usize {
        (self.index + 1) * self.size()
    }

    #[inline]
    pub fn is_leaf(self) -> bool {
        self.level == 0
    }

    /// Its children; a leaf must not be asked.
    #[inline]
    pub fn children(self) -> impl Iterator<Item = Place> {
        let first = self.index * CHILDREN;
        (first..first + CHILDREN).map(move |index| Place {
            level: self.level - 1,
            index,
        })
    }
}

fn size(level: usize) -> usize {
    1 << (LEAF_BITS + CHILD_BITS * level as u32)
}

/// Bounds for a crowd of candidates `start..end`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Node {
    /// Least `best(s) + data(s..end)` for each shape.
    loose: [f64; 2],
    /// The same with the cost's tangent below `tangent`: tighter, and valid for segments whose variance is at least that.
    tight: [f64; 2],
    tangent: f64,
    /// From this end on, none of the candidates can be the best any more.
    pub dead_from: usize,
    /// How often the children were looked at since the fits were kept.
    pub looks: u32,
    /// Number of the fits that are kept, or [`NONE`].
    pub frozen: usize,
}

impl Node {
    /// What the candidates cost up to the node's end, by shape, and the tangent that may go with it; `after` are the moments
    /// from there on, `longest` is the length of the longest segment.
    #[inline]
    pub fn kept(&self, after: &Moments, longest: usize) -> ([f64; 2], f64) {
        // Every segment from this node on has at least these sums of squares, over at most this many samples.
        if self.tangent <= after.trend_rss / longest as f64 {
            (self.tight, self.tangent)
        } else {
            (self.loose, 0.0)
        }
    }
}

/// Nodes by level.
#[derive(Debug, Default)]
pub(super) struct Tree {
    levels: Vec<Vec<Node>>,
}

impl Tree {
    #[inline]
    pub fn node(&self, place: Place) -> &Node {
        &self.levels[place.level][place.index]
    }

    #[inline]
    pub fn node_mut(&mut self, place: Place) -> &mut Node {
        &mut self.levels[place.level][place.index]
    }

    /// Covers the leaves `at..to` with the largest whole nodes.
    #[inline]
    pub fn push_roots(&self, mut at: usize, to: usize, into: &mut Vec<Place>) {
        let leaves = |level: usize| size(level) / LEAF;
        while at < to {
            let mut level = 0;
            let fits = |level| at.is_multiple_of(leaves(level)) && at + leaves(level) <= to;
            while level + 1 < self.levels.len() && fits(level + 1) {
                level += 1;
            }
            let index = at / leaves(level);
            into.push(Place { level, index });
            at += leaves(level);
        }
    }

    /// Takes candidate `t` in: builds the nodes that it completes. `best` and `from` are the least costs of all beginnings and
    /// where their last segments start.
    pub fn grow(&mut self, t: usize, cost: &Cost, best: &[f64], from: &[usize], usual: Usual) {
        let end = t + 1;
        if !end.is_multiple_of(LEAF) || cost.len() < end {
            return;
        }
        let tangent = if from[t] < t && best[t] < f64::INFINITY {
            let m = cost.moments(from[t], t);
            0.5 * m.trend_rss / m.n
        } else {
            0.0
        };
        let mut level = 0;
        while end.is_multiple_of(size(level)) {
            let node = self.built(level, end, tangent, cost, best, usual);
            if self.levels.len() == level {
                self.levels.push(Vec::new());
            }
            self.levels[level].push(node);
            level += 1;
        }
    }

    fn built(
        &self,
        level: usize,
        end: usize,
        tangent: f64,
        cost: &Cost,
        best: &[f64],
        usual: Usual,
    ) -> Node {
        let mut node = Node {
            loose: [f64::INFINITY; 2],
            tight: [f64::INFINITY; 2],
            tangent,
            dead_from: usize::MAX,
            looks: 0,
            frozen: NONE,
        };
        let start = end - size(level);
        for (s, &before) in (start..end).zip(&best[start..end]) {
            if before == f64::INFINITY || self.is_dead(level, s, end) {
                continue;
            }
            let m = cost.moments(s, end);
            let least = before + cost.data_at_least(m.n, m.trend_rss, usual);
            if node.loose[LEVEL]
                .max(node.tight[LEVEL])
                .max(node.tight[TREND])
                <= least
            {
                continue; // it would change none of the four
            }
            for (shape, rss) in [(LEVEL, m.level_rss), (TREND, m.trend_rss)] {
                let loose = before + cost.data(m.n, rss, 0.0);
                let tight = before + cost.data(m.n, rss, tangent);
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
