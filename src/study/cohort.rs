//! What a survey keeps of each infusion: the facts behind rates, survival and effects.
//!
//! In: a record and its review, and the row of `infusions.csv`. Out: [`Member`]s of a [`Cohort`]. Samples, tracks and
//! evidence are left behind, so that thousands of infusions fit into memory.

use crate::infer::{Confidence, Course, PauseCause, Review, Site};
use crate::record::{EventKind, FilterPosition, Record};
use crate::time::{Clock, Span};
use crate::units::Estimate;

/// One infusion of the survey.
#[derive(Debug, Clone, PartialEq)]
pub struct Member {
    /// Its name in `infusions.csv`.
    pub infusion: String,
    /// The further cells of its row, in the order of [`Cohort::columns`]; empty = not given.
    pub labels: Vec<String>,
    /// What the review found.
    pub facts: Facts,
}

/// What is kept of a reviewed infusion. Times are seconds from the record's start.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// How the trace writes time.
    pub clock: Clock,
    /// First sample.
    pub start_s: f64,
    /// Last sample.
    pub end_s: f64,
    /// Whether the line has a filter; taken for granted where no line file says otherwise.
    pub has_filter: bool,
    /// When the filter was placed, by the line file.
    pub placed_s: Option<f64>,
    /// When a filter was changed, by the events; sorted, each moment once.
    pub filter_changes_s: Vec<f64>,
    /// Stretches in which no channel ran, in order of start.
    pub pauses: Vec<LinePause>,
    /// What was found, in order of onset.
    pub episodes: Vec<Happening>,
}

/// A stretch in which no channel ran.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinePause {
    /// From the stop to the restart (or the record's end).
    pub span: Span,
    /// Whether the record ends before the restart.
    pub still_on: bool,
    /// Why.
    pub cause: PauseCause,
}

/// What is kept of an episode.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Happening {
    /// Its number in the review.
    pub id: u32,
    /// Onset with its 90 % interval.
    pub onset_s: Estimate,
    /// Relief; `None` where the record ends first.
    pub end_s: Option<f64>,
    /// From when the record shows it.
    pub visible_from_s: f64,
    /// The occlusion alarm that it led to.
    pub alarm_s: Option<f64>,
    /// How it came about.
    pub course: Course,
    /// The suggested site; `None` = undetermined.
    pub suggested: Option<Site>,
    /// How sure that is.
    pub confidence: Confidence,
    /// Probability of each site, in the order of [`Site::ALL`].
    pub sites: [f64; 6],
}

/// An infusion that could not be used, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    /// Its name, as far as known.
    pub infusion: String,
    /// The error, in words.
    pub reason: String,
}

/// All infusions of a survey.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cohort {
    /// Headers of the further columns of `infusions.csv`, in its order.
    pub columns: Vec<String>,
    /// The infusions that were reviewed, in the order of `infusions.csv`; names differ.
    pub members: Vec<Member>,
    /// Those that were not.
    pub skipped: Vec<Skipped>,
}

impl Facts {
    /// Takes from a record and its review what a survey needs: up to where it was judged, so that no hour counts in which nothing
    /// could be found.
    pub fn of(record: &Record, review: &Review) -> Self {
        let given_up = review.not_judged.iter().map(|part| part.span.start_s);
        let end_s = given_up.fold(record.end_s(), f64::min);
        let filter = record.line.as_ref().map(|l| &l.filter);
        let mut filter_changes_s: Vec<f64> = record
            .events
            .iter()
            .filter(|e| e.kind == EventKind::FilterChange && e.t_s.is_finite())
            .map(|e| e.t_s)
            .filter(|t| review.not_judged.is_empty() || *t <= end_s)
            .collect();
        filter_changes_s.sort_by(f64::total_cmp);
        filter_changes_s.dedup(); // each channel may report the same change
        Self {
            clock: record.clock.clone(),
            start_s: record.start_s(),
            end_s,
            has_filter: filter.is_none_or(|f| f.position != Some(FilterPosition::None)),
            placed_s: filter.and_then(|f| f.placed_s),
            filter_changes_s,
            pauses: review
                .line_pauses
                .iter()
                .filter(|p| p.span.start_s <= end_s)
                .map(|p| LinePause {
                    span: p.span,
                    still_on: p.still_on,
                    cause: p.cause,
                })
                .collect(),
            episodes: review
                .episodes
                .iter()
                .map(|e| Happening {
                    id: e.id,
                    onset_s: e.onset_s,
                    end_s: e.end_s,
                    visible_from_s: e.visible_from_s,
                    alarm_s: e.alarm_s,
                    course: e.course,
                    suggested: e.suggested,
                    confidence: e.confidence,
                    sites: e.sites,
                })
                .collect(),
        }
    }

    /// Last sample − first sample, hours.
    pub fn hours(&self) -> f64 {
        ((self.end_s - self.start_s) / 3600.0).max(0.0)
    }
}

impl Cohort {
    /// The number of a column.
    pub fn column(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|c| c == name)
    }

    /// Hours of all infusions.
    pub fn hours(&self) -> f64 {
        self.members.iter().map(|m| m.facts.hours()).sum()
    }
}

impl Member {
    /// The cell of a column; empty where the row has none.
    pub fn label(&self, column: usize) -> &str {
        self.labels.get(column).map_or("", String::as_str)
    }
}
