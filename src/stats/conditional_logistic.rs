//! Matched sets of one case and several controls: the case-crossover analysis.
//!
//! In: sets in which one moment is the case and others of the same subject are its controls. Out: odds ratios.

use super::cox::{Fit, NoFit, Row, Rows, fit};

/// One moment of a set.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    /// Number of the set.
    pub set: u32,
    /// Whether this is the case.
    pub case: bool,
    /// Covariates at that moment; all finite, as many in every moment.
    pub covariates: Vec<f64>,
}

/// Fits the conditional logistic model; each [`Fit`] coefficient is the log odds ratio per unit.
///
/// The conditional likelihood of a set with one case equals the partial likelihood of a Cox stratum with one event among
/// all its members, so that is what is maximised. A set without a case or with the same covariates throughout tells
/// nothing and changes nothing. [`NoFit`] as in [`fit`].
///
/// Source: N. E. Breslow, N. E. Day, *Statistical Methods in Cancer Research*, vol. 1, 1980, chapter 7; the
/// case-crossover design: M. Maclure, Am. J. Epidemiol. 133 (1991) 144–153 (both from memory).
pub fn conditional_logistic(moments: &[Moment]) -> Result<Fit, NoFit> {
    let mut rows = Rows::new(moments.first().map_or(0, |m| m.covariates.len()));
    for moment in moments {
        rows.push(Row {
            start: 0.0,
            stop: 1.0,
            event: moment.case,
            covariates: &moment.covariates,
            stratum: moment.set,
            cluster: moment.set,
        });
    }
    fit(&rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(set: u32, case: f64, control: f64) -> [Moment; 2] {
        [(true, case), (false, control)].map(|(is_case, x)| Moment {
            set,
            case: is_case,
            covariates: vec![x],
        })
    }

    #[test]
    fn matched_pairs_give_the_ratio_of_discordant_pairs() {
        // McNemar: odds ratio = pairs with the case alone exposed / pairs with the control alone exposed = 6 / 2.
        let mut moments = Vec::new();
        for set in 0..20 {
            moments.extend(match set {
                0..6 => pair(set, 1.0, 0.0),
                6..8 => pair(set, 0.0, 1.0),
                8..14 => pair(set, 1.0, 1.0),
                _ => pair(set, 0.0, 0.0),
            });
        }
        let ratio = conditional_logistic(&moments)
            .unwrap()
            .hazard_ratio(0)
            .unwrap();
        assert!((ratio.ratio.value - 3.0).abs() < 1e-9);
        // its standard error on the log scale: √(1/6 + 1/2)
        assert!((ratio.standard_error - (1.0_f64 / 6.0 + 0.5).sqrt()).abs() < 1e-9);
    }

    #[test]
    fn concordant_pairs_alone_tell_nothing() {
        let moments: Vec<_> = (0..4).flat_map(|set| pair(set, 1.0, 1.0)).collect();
        assert_eq!(
            conditional_logistic(&moments),
            Err(NoFit::NoVariation { covariate: 0 })
        );
        assert_eq!(conditional_logistic(&[]), Err(NoFit::NoEvents));
    }
}
