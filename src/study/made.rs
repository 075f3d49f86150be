//! Members made by hand for this room's tests.

use super::cohort::{Cohort, Facts, Happening, LinePause, Member};
use crate::infer::{Confidence, Course, PauseCause, Site};
use crate::time::{Clock, Span};
use crate::units::Estimate;

pub(super) fn infusion(name: &str, hours: f64) -> Member {
    Member {
        infusion: name.into(),
        labels: Vec::new(),
        facts: Facts {
            clock: Clock::Seconds,
            start_s: 0.0,
            end_s: hours * 3600.0,
            has_filter: true,
            placed_s: None,
            filter_changes_s: Vec::new(),
            pauses: Vec::new(),
            episodes: Vec::new(),
        },
    }
}

/// A cohort of infusions of an hour, described by two columns.
pub(super) fn labelled(columns: [&str; 2], rows: &[(&str, &str)]) -> Cohort {
    let members = rows.iter().enumerate().map(|(i, (first, second))| {
        let mut member = infusion(&i.to_string(), 1.0);
        member.labels = vec![first.to_string(), second.to_string()];
        member
    });
    Cohort {
        columns: columns.map(str::to_string).to_vec(),
        members: members.collect(),
        skipped: vec![],
    }
}

pub(super) fn onset(hour: f64, suggested: Option<Site>) -> Happening {
    let t = hour * 3600.0;
    Happening {
        id: 1,
        onset_s: Estimate::new(t, t - 600.0, t + 600.0).unwrap(),
        end_s: None,
        visible_from_s: t + 600.0,
        alarm_s: Some(t + 7200.0),
        course: Course::Gradual,
        suggested,
        confidence: Confidence::High,
        sites: [0.0, 0.0, 1.0, 0.0, 0.0, 0.0],
    }
}

pub(super) fn filter_onset(hour: f64) -> Happening {
    onset(hour, Some(Site::Filter))
}

/// A manual pause at an hour, for so many minutes.
pub(super) fn pause(hour: f64, minutes: f64) -> LinePause {
    LinePause {
        span: Span {
            start_s: hour * 3600.0,
            end_s: hour * 3600.0 + minutes * 60.0,
        },
        still_on: false,
        cause: PauseCause::Manual,
    }
}
