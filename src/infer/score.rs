//! The score of every explanation, piece by piece, and the probabilities that follow from it.
//!
//! In: natural logs, one for each explanation and each piece of evidence. Out: the probabilities of explanations, causes and sites,
//! with all pieces or with one left out: the evidence that a report shows is the evidence that was weighed.

use super::review::{Cause, Site};

/// What fits no cause still resembles some more than others: by this power of what its readings say of each.
const RESEMBLES: f64 = 0.5;
/// No piece of evidence is said to move the odds of a site by more than this, natural log.
const MOST_LOG_ODDS: f64 = 12.0;

/// One piece of evidence, as the score counts it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Piece {
    /// The readings of the channel that moved most, while it ran.
    Course,
    /// Its readings while the whole line stood still.
    AtRest,
    /// The readings of the other channels.
    OtherChannels,
    /// The occlusion alarm.
    Alarm,
    /// Something known beyond the pressure, by its place among the clues.
    Clue(usize),
}

impl Piece {
    /// How many pieces come from the readings and the alarm.
    pub const OF_READINGS: usize = 4;

    /// Its place among all pieces.
    pub fn index(self) -> usize {
        match self {
            Self::Course => 0,
            Self::AtRest => 1,
            Self::OtherChannels => 2,
            Self::Alarm => 3,
            Self::Clue(i) => Self::OF_READINGS + i,
        }
    }
}

/// The score of one explanation.
#[derive(Debug, Clone)]
pub struct Scored {
    /// Its cause.
    pub cause: Cause,
    /// Natural log of its share of the prior.
    pub log_prior: f64,
    /// What the fit costs beside its readings: how narrow its parameters had to be chosen, and how fast or far it goes.
    pub log_cost: f64,
    /// What each piece says of it, natural log, in the order of [`Piece`].
    pub pieces: Vec<f64>,
}

impl Scored {
    /// Natural log of its weight, with one piece left out or none.
    fn log_weight(&self, without: Option<usize>) -> f64 {
        self.log_prior + self.log_cost + sum_without(&self.pieces, without)
    }

    /// Natural log of what its readings alone say of it.
    fn log_readings(&self, without: Option<usize>) -> f64 {
        self.log_cost + sum_without(&self.pieces[..Piece::OF_READINGS], without)
    }
}

/// The score of "none of these".
#[derive(Debug, Clone)]
pub struct Unexplained {
    /// Natural log of its share of the prior.
    pub log_prior: f64,
    /// What the readings say, natural log, in the order of [`Piece`].
    pub readings: [f64; Piece::OF_READINGS],
    /// What each cause is given beyond the pressure: natural log of its prior share, then of each clue.
    pub causes: Vec<(f64, Vec<f64>)>,
}

/// All scores of one excursion.
#[derive(Debug, Clone)]
pub struct Scores {
    /// One for each explanation.
    pub explained: Vec<Scored>,
    /// None of them.
    pub unexplained: Unexplained,
}

/// What the scores come to.
pub struct Probabilities {
    /// Of each explanation, in the order of the scores.
    pub explained: Vec<f64>,
    /// Of each cause, in the order of [`Cause::ALL`].
    pub causes: [f64; 11],
    /// That none of them holds.
    pub unexplained: f64,
    /// Of each site; sums to 1.
    pub sites: [f64; 6],
}

impl Scores {
    /// The probabilities.
    pub fn probabilities(&self) -> Probabilities {
        let (explained, unexplained, spread) = self.log_weights(None);
        let total = log_sum(explained.iter().copied().chain([unexplained]));
        let explained: Vec<f64> = explained.iter().map(|w| (w - total).exp()).collect();
        let unexplained = (unexplained - total).exp();
        let mut causes = [0.0; 11];
        for (scored, p) in self.explained.iter().zip(&explained) {
            causes[scored.cause as usize] += p;
        }
        let mut sites = [0.0; 6];
        for cause in Cause::ALL {
            sites[cause.site().index()] +=
                causes[cause as usize] + unexplained * spread[cause as usize].exp();
        }
        let sum: f64 = sites.iter().sum();
        sites.iter_mut().for_each(|p| *p /= sum);
        Probabilities {
            explained,
            causes,
            unexplained,
            sites,
        }
    }

    /// How the log odds of each site change when a piece is taken into the score.
    pub fn change(&self, piece: Piece) -> [f64; 6] {
        let with = self.log_odds(None);
        let without = self.log_odds(Some(piece.index()));
        std::array::from_fn(|i| {
            let change = with[i] - without[i];
            if change.is_nan() {
                0.0
            } else {
                change.clamp(-MOST_LOG_ODDS, MOST_LOG_ODDS)
            }
        })
    }

    /// Log odds of each site against all others together.
    fn log_odds(&self, without: Option<usize>) -> [f64; 6] {
        let (explained, unexplained, spread) = self.log_weights(without);
        let of = |test: &dyn Fn(Site) -> bool| {
            let fitted = self.explained.iter().zip(&explained);
            let fitted = fitted
                .filter(|(s, _)| test(s.cause.site()))
                .map(|(_, w)| *w);
            let rest = Cause::ALL.into_iter().filter(|c| test(c.site()));
            log_sum(fitted.chain(rest.map(|c| unexplained + spread[c as usize])))
        };
        Site::ALL.map(|site| of(&|s| s == site) - of(&|s| s != site))
    }

    /// Natural logs of the weights of each explanation, of none of them, and of each cause's share of that.
    fn log_weights(&self, without: Option<usize>) -> (Vec<f64>, f64, [f64; 11]) {
        let explained = self.explained.iter().map(|s| s.log_weight(without));
        let explained: Vec<f64> = explained.collect();
        let none = &self.unexplained;
        let clue = without.and_then(|i| i.checked_sub(Piece::OF_READINGS));
        let known: [f64; 11] = std::array::from_fn(|c| {
            let (prior, clues) = &none.causes[c];
            prior + sum_without(clues, clue)
        });
        let unexplained =
            none.log_prior + sum_without(&none.readings, without) + log_sum(known.iter().copied());
        // How near the best explanation of each cause comes.
        let mut nearest = [f64::NEG_INFINITY; 11];
        for scored in &self.explained {
            let near = &mut nearest[scored.cause as usize];
            *near = near.max(RESEMBLES * scored.log_readings(without));
        }
        let best = nearest.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut spread = known;
        if best.is_finite() {
            (0..11).for_each(|c| spread[c] += nearest[c] - best);
        }
        let all = log_sum(spread.iter().copied());
        spread.iter_mut().for_each(|s| *s -= all);
        (explained, unexplained, spread)
    }
}

fn sum_without(pieces: &[f64], without: Option<usize>) -> f64 {
    let kept = pieces
        .iter()
        .enumerate()
        .filter(|(i, _)| Some(*i) != without);
    kept.map(|(_, p)| p).sum()
}

/// Natural log of the sum of what these are the natural logs of.
fn log_sum(logs: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = logs.clone().fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return top;
    }
    top + logs.map(|l| (l - top).exp()).sum::<f64>().ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Filter and catheter alike by prior; the course cannot tell them apart, the rest tells a factor of 10.
    fn scores() -> Scores {
        let scored = |cause, prior: f64, rest: f64| Scored {
            cause,
            log_prior: prior.ln(),
            log_cost: 0.0,
            pieces: vec![5.0, rest.ln(), 0.0, 0.0],
        };
        let mut tubing = scored(Cause::TubingBlocked, 0.2, 1.0);
        tubing.pieces[0] = 0.0;
        Scores {
            explained: vec![
                scored(Cause::FilterLoading, 0.4, 10.0),
                scored(Cause::CatheterNarrowing, 0.4, 1.0),
                tubing,
            ],
            unexplained: Unexplained {
                log_prior: f64::NEG_INFINITY,
                readings: [0.0; 4],
                causes: vec![((1.0f64 / 11.0).ln(), Vec::new()); 11],
            },
        }
    }

    #[test]
    fn probabilities_are_prior_times_likelihood_normalised() {
        // Weights 0.4 e^5 x 10, 0.4 e^5, 0.2: odds of the filter over the rest (4 e^5) / (0.4 e^5 + 0.2).
        let e5 = 5.0f64.exp();
        let p = scores().probabilities();
        let expected = 4.0 * e5 / (4.4 * e5 + 0.2);
        assert!((p.sites[Site::Filter.index()] - expected).abs() < 1e-12);
        assert!((p.sites.iter().sum::<f64>() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_piece_that_fits_two_sites_alike_raises_both_and_tells_nothing_between_them() {
        // Without the course: filter 4 against 0.6, with it 4 e^5 against 0.4 e^5 + 0.2; the catheter 0.4 against 4.2, and 0.4 e^5
        // against 4 e^5 + 0.2.
        let e5 = 5.0f64.exp();
        let change = scores().change(Piece::Course);
        let filter = (4.0 * e5 / (0.4 * e5 + 0.2)).ln() - (4.0f64 / 0.6).ln();
        let catheter = (0.4 * e5 / (4.0 * e5 + 0.2)).ln() - (0.4f64 / 4.2).ln();
        assert!((change[Site::Filter.index()] - filter).abs() < 1e-9);
        assert!((change[Site::Catheter.index()] - catheter).abs() < 1e-9);
        assert!(change[Site::Tubing.index()] < -4.0);
    }

    #[test]
    fn a_piece_that_says_the_same_of_all_changes_nothing() {
        let change = scores().change(Piece::Alarm);
        let told = [Site::Tubing, Site::Filter, Site::Catheter];
        assert!(told.iter().all(|s| change[s.index()].abs() < 1e-12));
    }
}
