//! The budget of work of one review: what is left of a record is given up once so much was spent on its fits.
//!
//! Counted in steps of the forward model, not in seconds, so the same record gives the same review on any machine.

use std::cell::Cell;

/// Steps of the forward model that a review may take, each one channel over one interval: tens of times what an ordinary day
/// takes, and a few seconds of a slow machine (measured on made records of the tuning set).
const MOST: u64 = 160_000_000;
/// The same for a single look at a whole record.
const MOST_ALONE: u64 = MOST / 10;
/// The same for the reviews of the record cut at moments.
const MOST_CUT: u64 = MOST / 2;

/// A budget of work, in steps of the forward model.
#[derive(Debug)]
pub struct Work {
    left: Cell<u64>,
    spent: Cell<bool>,
}

impl Work {
    /// The budget of a review.
    pub fn of_review() -> Self {
        Self::of(MOST)
    }

    /// The budget of a single look at a whole record.
    pub fn alone() -> Self {
        Self::of(MOST_ALONE)
    }

    /// The budget of the reviews of a record's cuts.
    pub fn of_cuts() -> Self {
        Self::of(MOST_CUT)
    }

    /// Takes another budget in the place of what is left.
    pub fn renew(&self, other: Self) {
        self.left.set(other.left.get());
        self.spent.set(other.spent.get());
    }

    /// A budget of so many steps.
    pub fn of(most: u64) -> Self {
        Self {
            left: Cell::new(most),
            spent: Cell::new(false),
        }
    }

    /// Takes so many steps off; whether there were as many. Once there were not, there are none.
    pub fn take(&self, steps: usize) -> bool {
        match self.left.get().checked_sub(steps as u64) {
            Some(left) if !self.spent.get() => self.left.set(left),
            _ => self.spent.set(true),
        }
        !self.spent.get()
    }

    /// Whether more was asked for than there was: what was made since is not to be relied on.
    pub fn is_spent(&self) -> bool {
        self.spent.get()
    }
}

#[cfg(test)]
impl Work {
    /// How much of a review's budget was taken.
    pub fn used(&self) -> u64 {
        MOST - self.left.get()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_budget_is_spent_once_more_is_asked_for_than_is_left() {
        let work = Work::of(10);
        assert!(work.take(4) && work.take(6) && !work.is_spent());
        assert!(!work.take(1) && work.is_spent());
        assert!(!work.take(0), "nothing is made of a budget that is spent");
    }
}
