//! What is held likely before a record is looked at: the share of each cause among episodes.
//!
//! In: the published table here, or a site's own (`--priors FILE`). Out: [`Priors`], shares that sum to 1.
//!
//! **Where the shares come from.** Of 50 described occlusion alarms (Fonzo-Christe et al., J Pediatr Pharmacol Ther
//! 2020;25:500–506: neonatal and paediatric intensive care, all infusions) 18 were a closed or clamped line (36 %), 8 a drug
//! injection (16 %), 2 a syringe change (4 %), 4 lay with the patient (8 %), and 18 had no outside cause (36 %), 12 of
//! them (24 %) perhaps an incompatibility. That study had no filter of parenteral nutrition to look at, no supply that ran
//! dry, and no rise that never alarmed. So each published share is spread over the causes here that it may have been,
//! and handling, of which no trace is left after it, gives what the study did not look at:
//!
//! | published | share | causes here | shares here |
//! |---|---|---|---|
//! | closed or clamped line | 0.36 | `tubing-blocked`, `catheter-blocked` | 0.22, 0.14 |
//! | no outside cause, perhaps incompatibility | 0.24 | `filter-loading`, `filter-settling`, `filter-precipitate` | 0.14, 0.06, 0.04 |
//! | no outside cause, else | 0.12 | `catheter-narrowing` | 0.13 |
//! | patient | 0.08 | `catheter-positional` | 0.06 |
//! | drug injection, syringe change | 0.20 | `supply-stopped`, `limit-too-low`, `height-change`, `artefact` | 0.09, 0.05, 0.04, 0.03 |
//!
//! How each row is split between its causes is our judgement: 50 alarms of one hospital do not say more. The smallest share is
//! kept at 0.03, so that no cause is ruled out before the record is looked at.

/// The share of each cause before the record is looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct Priors {
    shares: [f64; 11],
    own: bool,
}

/// What is wrong with a site's own shares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unfit {
    /// The named causes leave nothing, or too little, for the others: what they sum to.
    LeaveTooLittle(f64),
    /// All causes are named, and they do not sum to 1: what they sum to.
    NotOne(f64),
}

impl Priors {
    /// The causes' fixed words, in the order of the sites.
    pub const CAUSES: [&'static str; 11] = [
        "supply-stopped",
        "tubing-blocked",
        "filter-loading",
        "filter-settling",
        "filter-precipitate",
        "catheter-narrowing",
        "catheter-blocked",
        "catheter-positional",
        "limit-too-low",
        "height-change",
        "artefact",
    ];

    /// The table above.
    const PUBLISHED: [f64; 11] = [
        0.09, 0.22, 0.14, 0.06, 0.04, 0.13, 0.14, 0.06, 0.05, 0.04, 0.03,
    ];

    /// The least share that a cause may be given: a record cannot speak for a cause that was ruled out beforehand.
    pub const LEAST: f64 = 0.001;

    /// The published shares with some of them replaced: the named causes have what they are given (at least [`Self::LEAST`]
    /// each), the others share what is left in the published proportions.
    ///
    /// # Errors
    /// What is named leaves less than [`Self::LEAST`] for each of the others; or all are named and do not sum to 1.
    ///
    /// ```
    /// use patency::record::Priors;
    /// let mut named = [None; 11];
    /// named[1] = Some(0.61); // tubing-blocked; published 0.22, so the others halve
    /// let priors = Priors::with(named).unwrap();
    /// assert!((priors.shares()[1] - 0.61).abs() < 1e-12);
    /// assert!((priors.shares()[2] - 0.07).abs() < 1e-12); // filter-loading, published 0.14
    /// ```
    pub fn with(named: [Option<f64>; 11]) -> Result<Self, Unfit> {
        let given: f64 = named.iter().flatten().sum();
        let published = Self::PUBLISHED;
        let others = named.iter().zip(published).filter(|(n, _)| n.is_none());
        let others: Vec<f64> = others.map(|(_, p)| p).collect();
        if others.is_empty() {
            // To three digits, as people write shares.
            if 0.001 < (given - 1.0).abs() {
                return Err(Unfit::NotOne(given));
            }
        } else {
            let least = others.iter().copied().fold(f64::INFINITY, f64::min);
            let smallest = (1.0 - given) * least / others.iter().sum::<f64>();
            if smallest.is_nan() || smallest < Self::LEAST {
                return Err(Unfit::LeaveTooLittle(given));
            }
        }
        let left: f64 = others.iter().sum();
        let mut shares = published;
        for (share, named) in shares.iter_mut().zip(named) {
            *share = named.unwrap_or((1.0 - given) * *share / left);
        }
        let sum: f64 = shares.iter().sum();
        shares.iter_mut().for_each(|s| *s /= sum);
        Ok(Self { shares, own: true })
    }

    /// The shares in the order of [`Self::CAUSES`]; they sum to 1.
    pub fn shares(&self) -> [f64; 11] {
        self.shares
    }

    /// Whether a site gave its own.
    pub fn are_own(&self) -> bool {
        self.own
    }
}

impl Default for Priors {
    fn default() -> Self {
        Self {
            shares: Self::PUBLISHED,
            own: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_shares_add_up_as_the_table_says() {
        let p = Priors::default().shares();
        assert!((p.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!((p[1] + p[6] - 18.0 / 50.0).abs() < 1e-12); // closed or clamped line
        assert!((p[2] + p[3] + p[4] - 12.0 / 50.0).abs() < 1e-12); // perhaps incompatibility
        assert!(p.iter().all(|&share| 0.03 <= share));
    }

    #[test]
    fn named_shares_hold_and_the_others_keep_their_proportions() {
        let mut named = [None; 11];
        (named[2], named[10]) = (Some(0.5), Some(0.001));
        let own = Priors::with(named).unwrap();
        let (p, published) = (own.shares(), Priors::PUBLISHED);
        assert_eq!((p[2], p[10]), (0.5, 0.001));
        assert!((p.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!((p[1] / p[5] - published[1] / published[5]).abs() < 1e-12);
        assert!(own.are_own() && !Priors::default().are_own());
    }

    #[test]
    fn shares_that_leave_nothing_or_do_not_sum_to_one_are_refused() {
        let mut named = [None; 11];
        named[0] = Some(0.9999);
        assert_eq!(Priors::with(named), Err(Unfit::LeaveTooLittle(0.9999)));
        let all = Priors::with([Some(0.1); 11]);
        assert!(matches!(all, Err(Unfit::NotOne(sum)) if (sum - 1.1).abs() < 1e-12));
        assert!(Priors::with([Some(1.0 / 11.0); 11]).is_ok());
    }
}
