//! Fits that were made before: a record that is reviewed cut at several moments asks for most of its fits again and again.
//!
//! In: everything that a fit depends on. Out: the fit, made once. A fit is known again by its readings, its priors, its starting points and
//! by what its explanation predicts about these.

use super::fit::{Fit, Observation, Prior};
use super::work::Work;
use std::cell::RefCell;
use std::collections::HashMap;
use std::hash::{DefaultHasher, Hasher};

/// How far to either side of each starting point an explanation is looked at again, in spreads of each parameter's prior.
const ASIDE: f64 = 0.37;

/// A fit with what it predicts, where one could be made.
type Made = Option<(Fit, Vec<f64>)>;

/// The fits made so far, and the work that is left for further ones.
#[derive(Debug)]
pub struct Memo {
    fits: RefCell<HashMap<u64, Made>>,
    /// The work that is left.
    pub work: Work,
}

impl Memo {
    /// Nothing yet, and so much for what comes.
    pub fn within(work: Work) -> Self {
        Self {
            fits: RefCell::default(),
            work,
        }
    }

    /// The fit by its key, made where it was not made before; `None` where it cannot be made or the budget of work is spent.
    pub fn get_or(
        &self,
        key: u64,
        make: impl FnOnce() -> Option<(Fit, Vec<f64>)>,
    ) -> Option<(Fit, Vec<f64>)> {
        if let Some(made) = self.fits.borrow().get(&key) {
            return made.clone();
        }
        let made = make();
        if self.work.is_spent() {
            return None; // it was broken off
        }
        self.fits.borrow_mut().insert(key, made.clone());
        made
    }
}

/// What a fit depends on, as one number. `kind`: what sets explanations apart that predict alike.
pub fn key(
    kind: u64,
    observations: &[Observation],
    priors: &[Prior],
    starts: &[Vec<f64>],
    predict: &mut dyn FnMut(&[f64], &mut Vec<f64>),
) -> u64 {
    let mut hasher = DefaultHasher::new();
    hasher.write_u64(kind);
    let mut take = |x: f64| hasher.write_u64(x.to_bits());
    for o in observations {
        [o.value, o.sd, o.weight].into_iter().for_each(&mut take);
    }
    for p in priors {
        [p.mean, p.sd].into_iter().for_each(&mut take);
    }
    starts.iter().flatten().for_each(|x| take(*x));
    let mut predicted = Vec::new();
    for start in starts {
        let aside = |by: f64| start.iter().zip(priors).map(move |(s, p)| s + by * p.sd);
        for theta in [aside(0.0), aside(ASIDE), aside(-ASIDE)].map(Iterator::collect::<Vec<f64>>) {
            predict(&theta, &mut predicted);
            predicted.iter().for_each(|x| take(*x));
        }
    }
    hasher.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key_of(value: f64, slope: f64) -> u64 {
        let observations = [Observation {
            value,
            sd: 1.0,
            weight: 1.0,
        }];
        let priors = [Prior { mean: 0.0, sd: 1.0 }];
        let mut predict = |theta: &[f64], out: &mut Vec<f64>| {
            out.clear();
            out.push(slope * theta[0]);
        };
        key(0, &observations, &priors, &[vec![0.0]], &mut predict)
    }

    #[test]
    fn a_fit_is_known_again_by_its_readings_and_by_what_it_predicts() {
        assert_eq!(key_of(1.0, 2.0), key_of(1.0, 2.0));
        assert_ne!(key_of(1.0, 2.0), key_of(1.5, 2.0));
        // Both predict 0 at the starting point, and differ beside it.
        assert_ne!(key_of(1.0, 2.0), key_of(1.0, 3.0));
    }

    #[test]
    fn what_was_made_is_not_made_again() {
        let memo = Memo::within(Work::alone());
        assert!(memo.get_or(7, || None).is_none());
        let made = memo.get_or(7, || unreachable!("made twice"));
        assert!(made.is_none());
    }

    #[test]
    fn what_was_broken_off_is_not_remembered() {
        let memo = Memo::within(Work::of(1));
        assert!(
            memo.get_or(7, || memo.work.take(2).then(|| unreachable!()))
                .is_none()
        );
        memo.work.renew(Work::of(1));
        let mut again = false;
        memo.get_or(7, || {
            again = true;
            None
        });
        assert!(again);
    }
}
