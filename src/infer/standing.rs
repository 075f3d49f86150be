//! How long a reading stands: in a log on change it holds until the next row, unless rows are missing between.
//!
//! In: a channel. Out: [`Standing`]; `None` of a log by the clock.

use crate::record::Channel;

/// A silence so many times longer than 99 of 100 is one in which rows are missing rather than one in which nothing changed.
const LONG_SILENCES: f64 = 10.0;

/// How long readings of a channel stand.
#[derive(Debug, Clone, Copy)]
pub struct Standing {
    /// How far apart the pressure is looked at, seconds.
    pub look_s: f64,
    /// A reading holds no longer than this, seconds.
    most_s: f64,
}

impl Standing {
    /// Of a channel whose log is on change.
    pub fn of(channel: &Channel) -> Option<Self> {
        let look_s = channel.look_s().filter(|_| channel.on_change)?;
        let t_s = &channel.samples.t_s;
        let steps = t_s.iter().zip(t_s.iter().skip(1));
        let mut steps: Vec<f64> = steps.map(|(a, b)| b - a).collect();
        let rare = (steps.len() as f64 * 0.99) as usize;
        if steps.len() <= rare {
            return None;
        }
        let (_, longest, _) = steps.select_nth_unstable_by(rare, f64::total_cmp);
        Some(Self {
            look_s,
            most_s: LONG_SILENCES * *longest,
        })
    }

    /// The last look, seconds, at which what was read in a row of the channel still stood; `None` where nobody can say, or there
    /// is no look between it and the next row.
    pub fn until_s(&self, channel: &Channel, row: usize) -> Option<f64> {
        let t_s = &channel.samples.t_s;
        let (at_s, next_s) = (*t_s.get(row)?, *t_s.get(row + 1)?);
        let mut gaps = channel.gaps.iter();
        let missing = gaps.any(|g| g.start_s <= at_s && at_s < g.end_s);
        let looked = 2.0 * self.look_s < next_s - at_s;
        (looked && next_s - at_s <= self.most_s && !missing).then_some(next_s - self.look_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Samples;
    use crate::time::Span;

    /// Rows two seconds apart, then after 60, 70 and 2000 s; the first of those silences is a gap.
    fn channel(on_change: bool) -> Channel {
        let mut t_s: Vec<f64> = (0..100).map(|i| 2.0 * f64::from(i)).collect();
        let last_s = 198.0;
        let rows = [60.0, 130.0, 132.0, 134.0, 2134.0];
        t_s.extend(rows.map(|after| last_s + after));
        let none = vec![f64::NAN; t_s.len()];
        let samples = Samples {
            pressure_mmhg: none.clone(),
            rate_ml_h: vec![4.0; t_s.len()],
            volume_ml: none.clone(),
            limit_mmhg: none,
            t_s,
        };
        Channel {
            id: "pn".into(),
            samples,
            period_s: Some(2.0),
            on_change,
            gaps: vec![Span {
                start_s: last_s,
                end_s: last_s + 60.0,
            }],
        }
    }

    #[test]
    fn a_reading_stands_to_the_last_look_before_the_next_but_for_no_gap_and_not_for_ever() {
        let channel = channel(true);
        let standing = Standing::of(&channel).unwrap();
        assert_eq!(standing.until_s(&channel, 10), None); // the next look is the next row
        assert_eq!(standing.until_s(&channel, 99), None); // rows are missing
        assert_eq!(standing.until_s(&channel, 100), Some(198.0 + 128.0));
        // 104 steps, all but one no longer than 70 s: 2000 s are more than ten times as long.
        assert_eq!(standing.until_s(&channel, 103), None);
        assert_eq!(standing.until_s(&channel, 104), None); // the last row
    }

    #[test]
    fn a_log_by_the_clock_holds_nothing() {
        assert!(Standing::of(&channel(false)).is_none());
    }
}
