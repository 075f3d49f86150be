//! A resistance that grows in fits and starts: its pace wanders.
//!
//! Filters load unevenly and catheters narrow in steps; no law in one parameter fits them closely. What tells a
//! filter from a catheter is not the shape but the clock: whether growth waits for flow. So this explanation
//! leaves the shape free and holds the clock fixed.
//!
//! The log of the resistance grows piece by piece, each at a pace of its own. The log of the pace follows a trend (a
//! filter that closes and a lumen whose fourth power counts both grow faster and faster) and wanders about it with a memory:
//! neighbouring pieces have similar paces. That holds the wrong clock to account. Growth that stood still in a pause needs,
//! in time, a pace that falls to nothing just there and comes back; growth that followed a rate needs one that changes just
//! there. Both clocks may bend at the same moments, so that only the clock differs.

use super::growth::clock_of;
use super::{Clock, Course, Explanation, Setting};
use crate::infer::fit::Prior;
use crate::infer::review::Cause;
use crate::infer::window::{Window, interpolate};
use crate::time::Span;

/// Pieces of the broken line: cut evenly in time, and where the pressure rose.
const EVEN_CUTS: usize = 3;
/// See [`EVEN_CUTS`].
const RISE_CUTS: usize = 4;
/// At most so many pauses, the longest, and so many changes of the flow, the largest, cut it too.
const MOST_TURNS: usize = 4;
/// Shorter pauses show nothing, seconds (common practice, no source).
const LEAST_PAUSE_S: f64 = 300.0;
/// The pace does not change within so long after a restart, seconds (our judgement).
const CALM_S: f64 = 900.0;
/// A change of the flow by less is none, as the log of its factor.
const LEAST_CHANGE: f64 = 0.2;
/// Cuts closer together than this share of the whole are one.
const LEAST_PIECE: f64 = 0.01;

/// Its course is taken to lie between these shares of its rise: it sets in and comes to an end at once, and what lies before and
/// after has a pace of its own.
const COURSE: [f64; 2] = [0.04, 0.96];
/// Log of the pace in the middle of the course, as growth of the log resistance over the whole of it: what grows comes to a few
/// times its size, seldom to fifty; what shuts the line does so by a step.
const LOG_PACE: Prior = Prior { mean: 0.0, sd: 0.7 };
/// By how much the log of the pace rises over the whole course.
const TREND: Prior = Prior { mean: 1.0, sd: 2.0 };
/// By how much the log of the pace rises where the course sets in, and its spread: before, it grew far more slowly, also in a pause
/// in which nobody saw it, or it would have set in there.
const SETS_IN: [f64; 2] = [3.0, 1.5];
/// Spread of the step of the log pace where the course ends.
const ENDS: f64 = 3.0;
/// Spread of the log of the pace about its trend: by a factor of about two either way (our judgement).
const WANDERS: f64 = 0.8;
/// The wander forgets over this share of the course.
const MEMORY: f64 = 0.1;
/// Spread of what the trend leaves out, over the whole course: growth sets in, and laws bend.
const BENDS: f64 = 1.5;

/// Growth of any never falling shape, in a clock.
pub struct Uneven {
    cause: Cause,
    on_channel: Option<usize>,
    pub(super) clock: Clocked,
    /// Ends of the pieces, in the clock, rising.
    edge_u: Vec<f64>,
    /// Middle of each piece as a share of the course, below 0 before it, and the spread of the log pace's step to it.
    pieces: Vec<(f64, f64)>,
    /// Length of the course.
    course_u: f64,
    shared_ml_per_mmhg: f64,
}

/// A clock over the window's knots.
pub(super) struct Clocked {
    clock: Clock,
    on_channel: Option<usize>,
    pub knot_s: Vec<f64>,
    pub knot_u: Vec<f64>,
}

impl Clocked {
    fn new(window: &Window, clock: Clock, on_channel: Option<usize>) -> Self {
        Self {
            clock,
            on_channel,
            knot_s: window.knot_s.clone(),
            knot_u: clock_of(window, clock, on_channel),
        }
    }

    /// The clock at a moment.
    pub fn at(&self, t_s: f64) -> f64 {
        interpolate(&self.knot_s, &self.knot_u, t_s)
    }

    /// The clock in the middle of an interval of a course.
    pub fn in_course(&self, course: &Course, interval: usize) -> f64 {
        match (self.clock, self.on_channel) {
            (Clock::Volume, None) => course.middle_ml[interval],
            _ => self.at(course.middle_s[interval]),
        }
    }
}

impl Uneven {
    /// Growth from some time before the excursion stood out to its height.
    pub fn new(cause: Cause, clock: Clock, on_channel: Option<usize>, setting: &Setting) -> Self {
        Self::cut(cause, clock, on_channel, setting, true)
    }

    /// The same at one pace throughout, where it does not grow `in_fits`.
    pub(super) fn cut(
        cause: Cause,
        clock: Clock,
        on_channel: Option<usize>,
        setting: &Setting,
        in_fits: bool,
    ) -> Self {
        let window = setting.window;
        let deep = usize::from(clock == Clock::Time);
        let clock = Clocked::new(window, clock, on_channel);
        let to_s = setting.peak_s;
        let from_s = (2.0 * setting.start_s - to_s).max(window.start_s());
        let (mut cuts_s, course_s) = cuts(setting, on_channel, from_s, to_s);
        if !in_fits {
            cuts_s.clear();
        }
        let course_u = course_s.map(|t| clock.at(t));
        let edge_u = edges(&clock, &cuts_s, course_u, from_s, to_s);
        Self {
            cause,
            on_channel,
            pieces: pieces(&edge_u, course_u),
            edge_u,
            course_u: (course_u[1] - course_u[0]).max(1e-3),
            clock,
            shared_ml_per_mmhg: setting.shared_ml_per_mmhg[deep],
        }
    }

    /// Number of its parameters: the first pace, the trend, and a step to each further piece.
    pub(super) fn count(&self) -> usize {
        self.pieces.len() + 1
    }

    /// Log of the factor at a reading of the clock.
    pub(super) fn log_factor(&self, own: &[f64], u: f64) -> f64 {
        let mut log = 0.0;
        self.each_rise(own, |from, to, rise, last| {
            // Past the height it goes on as it did in the last piece.
            let most = if last { f64::INFINITY } else { 1.0 };
            log += rise * ((u - from) / (to - from)).clamp(0.0, most);
        });
        log.min(9.0)
    }

    /// Calls for each piece with its ends, by how much the log of the factor rises in it, and whether it is the last.
    fn each_rise(&self, own: &[f64], mut then: impl FnMut(f64, f64, f64, bool)) {
        let mut strayed = 0.0;
        for (k, &(middle, step)) in self.pieces.iter().enumerate() {
            if 0 < k {
                strayed += step * own[k + 1];
            }
            let (from, to) = (self.edge_u[k], self.edge_u[k + 1]);
            let slower = if middle < 0.0 { SETS_IN[0] } else { 0.0 };
            let share = middle.clamp(0.0, 1.0);
            let log_pace = own[0] + own[1] * (share - 0.5) + strayed - slower;
            let rise = log_pace.min(9.0).exp() * (to - from) / self.course_u;
            then(from, to, rise, k + 1 == self.pieces.len());
        }
    }

    /// Takes the line below the join as filled up to where it grows.
    pub(super) fn fill(&self, course: &mut Course) {
        if self.on_channel.is_none() {
            course.fill_below_join(self.shared_ml_per_mmhg);
        }
    }
}

impl Explanation for Uneven {
    fn cause(&self) -> Cause {
        self.cause
    }

    fn channel(&self) -> Option<usize> {
        self.on_channel
    }

    fn priors(&self) -> Vec<Prior> {
        let mut priors = vec![LOG_PACE, TREND];
        priors.resize(self.count(), Prior { mean: 0.0, sd: 1.0 });
        priors
    }

    fn starts(&self) -> Vec<Vec<f64>> {
        [[-0.3, 0.5], [-0.3, 3.0]]
            .map(|first| {
                let mut start = first.to_vec();
                start.resize(self.count(), 0.0);
                start
            })
            .into()
    }

    fn shape(&self, own: &[f64], course: &mut Course) {
        self.fill(course);
        for k in 0..course.middle_s.len() {
            let u = self.clock.in_course(course, k);
            let factor = self.log_factor(own, u).exp();
            course.grow(k, self.on_channel, factor);
        }
    }

    fn onset_s(&self, own: &[f64], ratio: f64) -> Option<f64> {
        let target = ratio.ln();
        let mut done = 0.0;
        let mut onset_u = None;
        self.each_rise(own, |from, to, rise, _| {
            if onset_u.is_none() && target <= done + rise {
                onset_u = Some(from + (to - from) * (target - done) / rise);
            }
            done += rise;
        });
        match onset_u {
            Some(u) => Some(interpolate(&self.clock.knot_u, &self.clock.knot_s, u)),
            None => self.clock.knot_s.last().copied(),
        }
    }
}

/// Middle of each piece as a share of the course, and the spread of the log pace's step to it from the one before: an
/// Ornstein-Uhlenbeck wander about the trend, and a random walk; where the course begins and ends, any step.
fn pieces(edge_u: &[f64], course_u: [f64; 2]) -> Vec<(f64, f64)> {
    let [first, last] = course_u;
    let long = (last - first).max(1e-3);
    let middles = edge_u.windows(2).map(|e| 0.5 * (e[0] + e[1]));
    let mut before = f64::NEG_INFINITY;
    middles
        .map(|middle| {
            let inside = |u: f64| first <= u && u <= last;
            let apart = (middle - before) / long;
            let step = if inside(before) && inside(middle) {
                let wander = 2.0 * WANDERS * WANDERS * -(-apart / MEMORY).exp_m1();
                (wander + BENDS * BENDS * apart).sqrt()
            } else if middle <= last {
                SETS_IN[1]
            } else {
                ENDS
            };
            before = middle;
            ((middle - first) / long, step)
        })
        .collect()
}

/// Moments as readings of the clock from the beginning to the end, with none too close to another.
fn edges(clock: &Clocked, cuts_s: &[f64], course_u: [f64; 2], from_s: f64, to_s: f64) -> Vec<f64> {
    let to_u = clock.at(to_s);
    let from_u = clock.at(from_s).min(to_u - 1e-3);
    let least = LEAST_PIECE * (to_u - from_u).min(course_u[1] - course_u[0]).max(1e-4);
    let mut edges = vec![from_u];
    for cut in cuts_s.iter().map(|&t| clock.at(t)) {
        if edges[edges.len() - 1] + least < cut && cut < to_u - least {
            edges.push(cut);
        }
    }
    edges.push(to_u);
    edges
}

/// Moments at which the pace may change, between the two given ones: where the course begins and ends, where the flow
/// stopped, went on or changed, evenly in time, and where the resistance seemed to pass equal parts of its rise; and the
/// beginning and the end of the course.
fn cuts(
    setting: &Setting,
    on_channel: Option<usize>,
    from_s: f64,
    to_s: f64,
) -> (Vec<f64>, [f64; 2]) {
    let window = setting.window;
    let rise = rise(setting, from_s, to_s);
    let passes = |share: f64| {
        let (first, last) = (rise.first()?, rise.last()?);
        let level = first.1 + (last.1 - first.1) * share;
        rise.iter().find(|r| level <= r.1).map(|r| r.0)
    };
    let course = [
        passes(COURSE[0]).unwrap_or(from_s),
        passes(COURSE[1]).unwrap_or(to_s),
    ];
    let mut cuts: Vec<f64> = (1..=EVEN_CUTS)
        .map(|k| course[0] + (course[1] - course[0]) * k as f64 / (EVEN_CUTS + 1) as f64)
        .chain(course)
        .collect();
    cuts.extend((1..=RISE_CUTS).filter_map(|k| passes(k as f64 / (RISE_CUTS + 1) as f64)));
    let inside = |t: &f64| from_s < *t && *t < to_s;
    let pauses = long_stops(window, on_channel);
    let turns = pauses.iter().take(MOST_TURNS);
    cuts.extend(turns.flat_map(|p| [p.start_s, p.end_s]).filter(inside));
    let mut changes = window.changes(on_channel);
    changes.retain(|c| LEAST_CHANGE <= c.1);
    changes.sort_by(|a, b| b.1.total_cmp(&a.1));
    let turns = changes.iter().take(MOST_TURNS);
    cuts.extend(turns.map(|c| c.0).filter(inside));
    // A restart alone changes no pace: what is higher right after a pause grew in it, or settled.
    let restarts = pauses.iter().take(MOST_TURNS).map(|p| p.end_s);
    for restart_s in restarts {
        cuts.retain(|&t| t <= restart_s || restart_s + CALM_S <= t);
    }
    cuts.sort_by(f64::total_cmp);
    (cuts, course)
}

/// Moments and the highest log of the apparent resistance so far, of the channel that rose most.
fn rise(setting: &Setting, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
    let window = setting.window;
    let n = window.channels;
    let mut best: Vec<(f64, f64)> = Vec::new();
    for c in 0..n {
        let outlet = setting.baseline.outlet_mmhg(c);
        let apparent: Vec<(f64, f64)> = window
            .seen
            .iter()
            .zip(&window.observations)
            .filter(|(seen, _)| seen.channel == c && 0 < seen.knot)
            .filter_map(|(seen, o)| {
                let flow: f64 = window.rate_ml_h[(seen.knot - 1) * n..seen.knot * n]
                    .iter()
                    .sum();
                let t_s = window.knot_s[seen.knot];
                let counts = 0.0 < flow && from_s <= t_s && t_s <= to_s;
                counts.then(|| (t_s, ((o.value - outlet) / flow).max(1e-3).ln()))
            })
            .collect();
        let mut highest = f64::NEG_INFINITY;
        let mut own = Vec::with_capacity(apparent.len());
        for three in apparent.windows(3) {
            let mut values = [three[0].1, three[1].1, three[2].1];
            values.sort_by(f64::total_cmp);
            highest = highest.max(values[1]);
            own.push((three[1].0, highest));
        }
        let span = |r: &[(f64, f64)]| match (r.first(), r.last()) {
            (Some(first), Some(last)) => last.1 - first.1,
            _ => 0.0,
        };
        if span(&best) < span(&own) {
            best = own;
        }
    }
    best
}

/// The stops of what flows through a part that are long enough to show something, longest first.
pub(super) fn long_stops(window: &Window, on_channel: Option<usize>) -> Vec<Span> {
    let mut stops = window.stops(on_channel);
    stops.retain(|p| LEAST_PAUSE_S <= p.seconds());
    stops.sort_by(|a, b| b.seconds().total_cmp(&a.seconds()));
    stops
}
