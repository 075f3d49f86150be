//! All crowds as they stood when they were last looked at, to be passed over together for a while.
//!
//! In: the least total of each crowd of candidates at one end `at`. Out: for later ends, which of them may be the best. Since the data's
//! part of a cost never grows when a stretch is cut in two,
//!
//! ```text
//! best(s) + cost(s..t)  ≥  [best(s) + cost(s..at)] + data(at..t)
//!                           └── at least: kept ──┘   └ one number for all crowds
//! ```
//!
//! The samples since have a line of their own there, and over a few samples a lucky one; so the cost's tangent is taken below a variance
//! which every segment concerned is known to have. What is lost is about 4, be they five samples or thirty.

use super::cost::Cost;
use super::tree::Place;

/// Ends for which crowds stay set aside.
const ENDS: usize = 32;

/// A crowd whose least total lies this far above the best is not looked at again before all are.
const CLEAR: f64 = 12.0;

/// The variance below which the tangent is taken, as a share of that of the likely segment.
const TANGENT: f64 = 0.25;

/// All crowds at one end.
#[derive(Debug, Default)]
pub(super) struct Aside {
    /// The end at which all were looked at.
    pub at: usize,
    /// The first end for which that no longer holds.
    pub until: usize,
    /// A candidate that crowds may have left out, to be tried by itself.
    pub left_out: usize,
    /// Leaves that the crowds cover.
    pub leaves: usize,
    /// The least total of crowds that are far from being the best.
    pub least: f64,
    tangent: f64,
    /// The others, each with its least total; −∞ where it has to be looked at for each end.
    near: Vec<(Place, f64)>,
}

impl Aside {
    /// None yet, at the end `at`, where the segment is likely to start at `likely`.
    pub fn anew(self, at: usize, likely: usize, leaves: usize, cost: &Cost) -> Self {
        let mut near = self.near;
        near.clear();
        let m = cost.moments(likely, at);
        Self {
            at,
            until: at + ENDS,
            left_out: likely,
            leaves,
            least: f64::INFINITY,
            tangent: TANGENT * m.trend_rss / m.n,
            near,
        }
    }

    /// Takes a crowd in whose candidates have a total of at least `bound`; `best` is the least total of all.
    pub fn set(&mut self, place: Place, bound: f64, best: f64, cost: &Cost) {
        let m = cost.moments(place.end(), self.at);
        let longest = (self.until - place.start()) as f64;
        // Every segment has at least these sums of squares, over at most this many samples.
        if cost.floor().is_some() && m.trend_rss < self.tangent * longest {
            self.keep_near(place);
            return;
        }
        // Segments cost less for being short as they grow.
        let now = (self.at - place.start()) as f64;
        let bound = bound - cost.shortness(now) + cost.shortness(longest);
        if best + CLEAR <= bound {
            self.least = self.least.min(bound);
        } else {
            self.near.push((place, bound));
        }
    }

    /// Takes a crowd in that has to be looked at for each end.
    pub fn keep_near(&mut self, place: Place) {
        self.near.push((place, f64::NEG_INFINITY));
    }

    /// The least by which every total has grown at the end `t`, after [`Self::at`].
    #[inline]
    pub fn since_then(&self, cost: &Cost, t: usize) -> f64 {
        let m = cost.moments(self.at, t);
        cost.data(m.n, m.trend_rss, self.tangent)
    }

    /// The crowds near the best whose least total lay below `had`.
    #[inline]
    pub fn below(&self, had: f64) -> impl Iterator<Item = Place> {
        let near = self.near.iter();
        near.filter(move |(_, least)| *least < had)
            .map(|(place, _)| *place)
    }
}
