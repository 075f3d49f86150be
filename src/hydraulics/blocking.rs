//! How a filter's resistance grows with the volume filtered at a constant rate.
//!
//! In: a law with its constants per mL, and a filtered volume. Out: resistance over clean resistance. At constant rate
//! that is also the drop over the clean drop, of the *filter alone*: a constant drop elsewhere (catheter, vein,
//! height) must be taken off first, else the growth looks flatter and its apparent exponent is wrong.
//!
//! Sources: J. Hermia, Trans IChemE 60 (1982) 183–187; M. Hlavacek and F. Bouchet, J Membr Sci 82 (1993) 285–295;
//! G. Bolton, D. LaCasse and R. Kuriyel, J Membr Sci 277 (2006) 75–84 (combined laws); all three from memory. The forms
//! are checked against an ordinary differential equation solved elsewhere (`scripts/reference`).

use crate::units::Volume;

/// A law of blocking. Constants are per mL filtered, finite and not negative; `0` means that the mechanism is absent.
///
/// The pure laws are one family, `dR/dV = k Rⁿ`, with n = 2, 3/2, 1 and 0; all start with the same slope for the
/// same constant, and differ in curvature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BlockingLaw {
    /// Each particle seals a pore (n = 2): `1 / (1 − Kb V)`.
    Complete {
        /// Kb, 1/mL.
        per_ml: f64,
    },
    /// Pores narrow from within (n = 3/2): `(1 − Ks V / 2)⁻²`.
    Standard {
        /// Ks, 1/mL.
        per_ml: f64,
    },
    /// Particles land on pores or on each other (n = 1): `exp(Ki V)`.
    Intermediate {
        /// Ki, 1/mL.
        per_ml: f64,
    },
    /// A layer grows on top (n = 0): `1 + Kc V`.
    Cake {
        /// Kc, 1/mL.
        per_ml: f64,
    },
    /// Any exponent: `(1 − (n − 1) k V)^(−1/(n − 1))`, and `exp(k V)` at n = 1.
    Power {
        /// n, finite.
        exponent: f64,
        /// k, 1/mL.
        per_ml: f64,
    },
    /// `(1 − (Kc/Kb) ln(1 − Kb V)) / (1 − Kb V)`.
    CakeComplete {
        /// Kc, 1/mL.
        cake_per_ml: f64,
        /// Kb, 1/mL.
        complete_per_ml: f64,
    },
    /// `e^(Ki V) (1 + (Kc/Ki) (e^(Ki V) − 1))`.
    CakeIntermediate {
        /// Kc, 1/mL.
        cake_per_ml: f64,
        /// Ki, 1/mL.
        intermediate_per_ml: f64,
    },
    /// `1 / ((1 − Kb V) (1 + (Ks/2Kb) ln(1 − Kb V))²)`.
    CompleteStandard {
        /// Kb, 1/mL.
        complete_per_ml: f64,
        /// Ks, 1/mL.
        standard_per_ml: f64,
    },
    /// `e^(Ki V) / (1 − (Ks/2Ki) (e^(Ki V) − 1))²`.
    IntermediateStandard {
        /// Ki, 1/mL.
        intermediate_per_ml: f64,
        /// Ks, 1/mL.
        standard_per_ml: f64,
    },
    /// `(1 − Ks V / 2)⁻² + Kc V`.
    CakeStandard {
        /// Kc, 1/mL.
        cake_per_ml: f64,
        /// Ks, 1/mL.
        standard_per_ml: f64,
    },
}

impl BlockingLaw {
    /// Resistance over clean resistance after this volume (mL, not negative); infinite from the volume on at which
    /// nothing passes any more.
    ///
    /// Plain numbers, since fits call it many times. A volume, constant or exponent out of its range gives NaN.
    ///
    /// ```
    /// use patency::hydraulics::BlockingLaw;
    /// assert_eq!(BlockingLaw::Complete { per_ml: 0.01 }.factor(50.0), 2.0);
    /// assert_eq!(BlockingLaw::Complete { per_ml: 0.01 }.factor(100.0), f64::INFINITY);
    /// ```
    pub fn factor(&self, filtered_ml: f64) -> f64 {
        let v = filtered_ml;
        if !(0.0 <= v && self.is_sound()) {
            return f64::NAN;
        }
        match *self {
            Self::Complete { per_ml } => power(2.0, per_ml * v),
            Self::Standard { per_ml } => power(1.5, per_ml * v),
            Self::Intermediate { per_ml } => power(1.0, per_ml * v),
            Self::Cake { per_ml } => power(0.0, per_ml * v),
            Self::Power { exponent, per_ml } => power(exponent, per_ml * v),
            Self::CakeComplete {
                cake_per_ml,
                complete_per_ml,
            } => {
                let open = open_area(complete_per_ml, v);
                let cake = cake_per_ml * filtered_per_open_area(complete_per_ml, v);
                over(1.0 + cake, open)
            }
            Self::CakeIntermediate {
                cake_per_ml,
                intermediate_per_ml,
            } => {
                let growth = (intermediate_per_ml * v).exp();
                growth * (1.0 + cake_per_ml * filtered_per_landed_area(intermediate_per_ml, v))
            }
            Self::CompleteStandard {
                complete_per_ml,
                standard_per_ml,
            } => {
                let open = open_area(complete_per_ml, v);
                let width =
                    1.0 - 0.5 * standard_per_ml * filtered_per_open_area(complete_per_ml, v);
                over(over(1.0, open), width.max(0.0).powi(2))
            }
            Self::IntermediateStandard {
                intermediate_per_ml,
                standard_per_ml,
            } => {
                let growth = (intermediate_per_ml * v).exp();
                let landed = filtered_per_landed_area(intermediate_per_ml, v);
                let width = 1.0 - 0.5 * standard_per_ml * landed;
                over(growth, width.max(0.0).powi(2))
            }
            Self::CakeStandard {
                cake_per_ml,
                standard_per_ml,
            } => power(1.5, standard_per_ml * v) + cake_per_ml * v,
        }
    }

    /// The volume at which the resistance reaches this factor (at least 1); `None` where it never does, or where the
    /// factor or a constant is out of its range.
    ///
    /// Closed form for the pure laws; halving for the combined ones, to the last digits of the volume.
    pub fn volume_at(&self, factor: f64) -> Option<Volume> {
        if !(factor.is_finite() && 1.0 <= factor && self.is_sound()) {
            return None;
        }
        let pure = |n: f64, k: f64| {
            let x = if n == 1.0 {
                factor.ln()
            } else {
                (1.0 - factor.powf(1.0 - n)) / (n - 1.0)
            };
            Volume::new(x / k)
        };
        match *self {
            Self::Complete { per_ml } => pure(2.0, per_ml),
            Self::Standard { per_ml } => pure(1.5, per_ml),
            Self::Intermediate { per_ml } => pure(1.0, per_ml),
            Self::Cake { per_ml } => pure(0.0, per_ml),
            Self::Power { exponent, per_ml } => pure(exponent, per_ml),
            _ => self.halved_to(factor),
        }
    }

    /// The law's constants, all of which must be finite and not negative.
    fn constants(&self) -> [f64; 2] {
        match *self {
            Self::Complete { per_ml }
            | Self::Standard { per_ml }
            | Self::Intermediate { per_ml }
            | Self::Cake { per_ml }
            | Self::Power { per_ml, .. } => [per_ml, 0.0],
            Self::CakeComplete {
                cake_per_ml: a,
                complete_per_ml: b,
            }
            | Self::CakeIntermediate {
                cake_per_ml: a,
                intermediate_per_ml: b,
            }
            | Self::CompleteStandard {
                complete_per_ml: a,
                standard_per_ml: b,
            }
            | Self::IntermediateStandard {
                intermediate_per_ml: a,
                standard_per_ml: b,
            }
            | Self::CakeStandard {
                cake_per_ml: a,
                standard_per_ml: b,
            } => [a, b],
        }
    }

    fn is_sound(&self) -> bool {
        let exponent = match *self {
            Self::Power { exponent, .. } => exponent,
            _ => 0.0,
        };
        exponent.is_finite() && self.constants().iter().all(|k| k.is_finite() && 0.0 <= *k)
    }

    fn halved_to(&self, factor: f64) -> Option<Volume> {
        // Every mechanism grows by at least its constant times the volume, so this volume is enough.
        let fastest = self.constants().into_iter().fold(0.0, f64::max);
        let mut high = (factor - 1.0) / fastest;
        if !high.is_finite() {
            return None; // nothing blocks
        }
        let mut low = 0.0;
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if self.factor(middle) < factor {
                low = middle;
            } else {
                high = middle;
            }
        }
        Volume::new(high)
    }
}

/// Solution of `dR/dx = Rⁿ`, `R(0) = 1`.
fn power(n: f64, x: f64) -> f64 {
    if n == 1.0 {
        return x.exp();
    }
    let left = 1.0 - (n - 1.0) * x;
    if left <= 0.0 {
        return f64::INFINITY; // n > 1: every path through the filter is closed
    }
    left.powf(-1.0 / (n - 1.0))
}

/// Share of the area still open where pores are sealed one by one.
fn open_area(complete_per_ml: f64, v: f64) -> f64 {
    (1.0 - complete_per_ml * v).max(0.0)
}

/// `∫ dV / open area` = `−ln(1 − Kb V) / Kb`, and `V` where nothing seals.
fn filtered_per_open_area(complete_per_ml: f64, v: f64) -> f64 {
    if complete_per_ml == 0.0 {
        return v;
    }
    -(-complete_per_ml * v).max(-1.0).ln_1p() / complete_per_ml
}

/// `∫ e^(Ki V) dV` = `(e^(Ki V) − 1) / Ki`, and `V` where nothing lands.
fn filtered_per_landed_area(intermediate_per_ml: f64, v: f64) -> f64 {
    if intermediate_per_ml == 0.0 {
        return v;
    }
    (intermediate_per_ml * v).exp_m1() / intermediate_per_ml
}

/// A quotient that is infinite where nothing is left to divide by.
fn over(above: f64, below: f64) -> f64 {
    if below <= 0.0 {
        f64::INFINITY
    } else {
        above / below
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::approx_constant)] // published figures, as they are printed
    use super::BlockingLaw::*;
    use super::*;
    use rstest::rstest;

    const COMPLETE: BlockingLaw = Complete { per_ml: 1.0 };
    const STANDARD: BlockingLaw = Standard { per_ml: 1.0 };
    const INTERMEDIATE: BlockingLaw = Intermediate { per_ml: 1.0 };
    const CAKE: BlockingLaw = Cake { per_ml: 1.0 };
    const ROOT: BlockingLaw = Power {
        exponent: 0.5,
        per_ml: 1.0,
    };
    const CAKE_COMPLETE: BlockingLaw = CakeComplete {
        cake_per_ml: 0.6,
        complete_per_ml: 0.8,
    };
    const CAKE_INTERMEDIATE: BlockingLaw = CakeIntermediate {
        cake_per_ml: 0.6,
        intermediate_per_ml: 0.7,
    };
    const COMPLETE_STANDARD: BlockingLaw = CompleteStandard {
        complete_per_ml: 0.8,
        standard_per_ml: 0.5,
    };
    const INTERMEDIATE_STANDARD: BlockingLaw = IntermediateStandard {
        intermediate_per_ml: 0.7,
        standard_per_ml: 0.5,
    };
    const CAKE_STANDARD: BlockingLaw = CakeStandard {
        cake_per_ml: 0.6,
        standard_per_ml: 0.5,
    };

    /// Rows B11–B20: the physical equations (open area a, volume per open area s, cake c: da/dv = −Kb − Ki a,
    /// ds/dv = Ks/a, dc/dv = Kc/a, P/P0 = ((1 − s/2)⁻² + c)/a) solved numerically at rtol 1e-11;
    /// `scripts/reference` recomputes them.
    #[rstest]
    #[case::b11_complete(COMPLETE, [1.333333333, 2.000000000, 4.000000000])]
    #[case::b12_standard(STANDARD, [1.306122449, 1.777777778, 2.560000000])]
    #[case::b13_intermediate(INTERMEDIATE, [1.284025417, 1.648721271, 2.117000017])]
    #[case::b14_cake(CAKE, [1.25, 1.5, 1.75])]
    #[case::b15_root(ROOT, [1.265625, 1.5625, 1.890625])]
    #[case::b16_cake_complete(CAKE_COMPLETE, [1.459197079, 2.305198696, 4.218045122])]
    #[case::b17_cake_intermediate(CAKE_INTERMEDIATE, [1.386521644, 1.928797685, 2.690909365])]
    #[case::b18_complete_standard(COMPLETE_STANDARD, [1.444422300, 2.359993340, 4.908607837])]
    #[case::b19_intermediate_standard(INTERMEDIATE_STANDARD, [1.372307425, 1.962569217, 2.978136931])]
    #[case::b20_cake_standard(CAKE_STANDARD, [1.287777778, 1.606122449, 1.964792899])]
    fn resistance_after_a_volume_agrees_with_the_differential_equations(
        #[case] law: BlockingLaw,
        #[case] expected: [f64; 3],
    ) {
        for (v, expected) in [0.25, 0.50, 0.75].into_iter().zip(expected) {
            let found = law.factor(v);
            assert!(
                (found / expected - 1.0).abs() <= 1e-9,
                "{law:?} at {v}: {found}, not {expected}"
            );
        }
    }

    /// Rows B21–B24: inverses of the pure forms.
    #[rstest]
    #[case::b21_complete(COMPLETE, [0.5, 0.666667, 0.8, 0.9])]
    #[case::b22_standard(STANDARD, [0.585786, 0.845299, 1.105573, 1.367544])]
    #[case::b23_intermediate(INTERMEDIATE, [0.693147, 1.098612, 1.609438, 2.302585])]
    #[case::b24_cake(CAKE, [1.0, 2.0, 4.0, 9.0])]
    fn the_volume_at_a_factor_agrees_with_the_inverse_forms(
        #[case] law: BlockingLaw,
        #[case] expected: [f64; 4],
    ) {
        for (factor, expected) in [2.0, 3.0, 5.0, 10.0].into_iter().zip(expected) {
            let found = law.volume_at(factor).unwrap().get();
            assert!((found - expected).abs() <= 1e-6, "{law:?}: {found}");
        }
    }

    #[rstest]
    fn the_volume_at_a_factor_gives_that_factor(
        #[values(
            COMPLETE,
            STANDARD,
            INTERMEDIATE,
            CAKE,
            ROOT,
            CAKE_COMPLETE,
            CAKE_INTERMEDIATE,
            COMPLETE_STANDARD,
            INTERMEDIATE_STANDARD,
            CAKE_STANDARD
        )]
        law: BlockingLaw,
        #[values(1.0, 1.5, 2.65, 10.0, 1000.0)] factor: f64,
    ) {
        let v = law.volume_at(factor).unwrap().get();
        assert!(
            (law.factor(v) / factor - 1.0).abs() < 1e-9,
            "{law:?}, {factor}"
        );
    }

    /// Rows B1–B10: where nothing passes any more.
    #[rstest]
    #[case::b1(COMPLETE, 1.0)]
    #[case::b2(STANDARD, 2.0)]
    #[case::b6(CAKE_COMPLETE, 1.0 / 0.8)]
    #[case::b9(INTERMEDIATE_STANDARD, f64::ln(1.0 + 2.0 * 0.7 / 0.5) / 0.7)]
    #[case::b10(CAKE_STANDARD, 4.0)]
    fn a_law_that_closes_the_filter_is_infinite_from_its_volume_on(
        #[case] law: BlockingLaw,
        #[case] closed_at: f64,
    ) {
        assert!(law.factor(closed_at * (1.0 - 1e-6)).is_finite());
        assert_eq!(law.factor(closed_at * (1.0 + 1e-12)), f64::INFINITY);
        assert_eq!(law.factor(closed_at * 100.0), f64::INFINITY);
    }

    #[test]
    fn complete_with_standard_closes_before_its_pores_are_sealed() {
        assert_eq!(COMPLETE_STANDARD.factor(1.249), f64::INFINITY); // B8: before 1/Kb = 1.25
    }

    #[test]
    fn a_combined_law_without_one_part_is_the_other_law() {
        let cases = [
            (
                CakeComplete {
                    cake_per_ml: 0.4,
                    complete_per_ml: 0.0,
                },
                Cake { per_ml: 0.4 },
            ),
            (
                CakeIntermediate {
                    cake_per_ml: 0.4,
                    intermediate_per_ml: 0.0,
                },
                Cake { per_ml: 0.4 },
            ),
            (
                CompleteStandard {
                    complete_per_ml: 0.0,
                    standard_per_ml: 0.4,
                },
                Standard { per_ml: 0.4 },
            ),
            (
                IntermediateStandard {
                    intermediate_per_ml: 0.0,
                    standard_per_ml: 0.4,
                },
                Standard { per_ml: 0.4 },
            ),
            (
                CakeStandard {
                    cake_per_ml: 0.0,
                    standard_per_ml: 0.4,
                },
                Standard { per_ml: 0.4 },
            ),
        ];
        for (combined, pure) in cases {
            assert!(
                (combined.factor(1.3) / pure.factor(1.3) - 1.0).abs() < 1e-12,
                "{combined:?}"
            );
        }
    }

    #[test]
    fn a_cake_alone_doubles_its_drop_as_its_volume_doubles() {
        // B25: collegedunia.com, constant-rate cake filtration: 10 kPa at 1 min, 20 kPa at 2 min, medium neglected:
        // its resistance goes to zero, so that the constant per volume goes to infinity.
        let law = Cake { per_ml: 1e12 };
        assert!((law.factor(240.0) / law.factor(120.0) * 10.0 - 20.0).abs() < 1e-9);
    }

    #[test]
    fn a_filter_press_agrees_with_the_textbook() {
        // B26–B29: Coulson and Richardson, Chemical Engineering vol. 2, filtration (inputs from memory, answers recomputed):
        // leaf 0.05 m², 71.3 kPa, 250 cm³ at 300 s and 400 cm³ at 600 s give L/v = 3.5e-3 m, rµv = 7.13e11 Pa·s/m².
        let (medium_m, cake_pa_s_per_m2) = (3.5e-3, 7.13e11);
        // In the press and on the leaf R(V) = R0 (1 + V / (A L/v)) with R0 = rµv (L/v) / A.
        let clean = |area_m2: f64| cake_pa_s_per_m2 * medium_m / area_m2;
        let law = |area_m2: f64| Cake {
            per_ml: 1.0 / (area_m2 * medium_m),
        };
        // At constant pressure dt = R(V) dV / P; R is linear in V, so that one trapezium is exact.
        let seconds = |area, from, to, pascal| {
            let mean = 0.5 * (law(area).factor(from) + law(area).factor(to));
            clean(area) * mean * (to - from) / pascal
        };
        assert!((seconds(0.05, 0.0, 250e-6, 71.3e3) / 300.0 - 1.0).abs() < 1e-3);
        assert!((seconds(0.05, 0.0, 400e-6, 71.3e3) / 600.0 - 1.0).abs() < 1e-3);

        let (area, rate_m3_s) = (2.16, 1.01403e-4);
        let pascal = |s: f64| clean(area) * rate_m3_s * law(area).factor(rate_m3_s * s);
        for (s, kpa) in [(0.0, 117.15), (90.0, 258.58), (180.0, 400.00)] {
            assert!((pascal(s) / 1e3 / kpa - 1.0).abs() < 1e-3, "{s} s");
        }
        let at_400_kpa = law(area)
            .volume_at(400e3 / (clean(area) * rate_m3_s))
            .unwrap();
        assert!((at_400_kpa.get() / 0.018252 - 1.0).abs() < 1e-3);
        assert!((seconds(area, 0.018252, 0.06577, 400e3) / 900.0 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn what_makes_no_sense_gives_nothing() {
        assert!(COMPLETE.factor(-1.0).is_nan());
        assert!(COMPLETE.factor(f64::NAN).is_nan());
        assert!(Cake { per_ml: -1.0 }.factor(1.0).is_nan());
        assert!(
            Power {
                exponent: f64::NAN,
                per_ml: 1.0
            }
            .factor(1.0)
            .is_nan()
        );
        assert_eq!(COMPLETE.volume_at(0.9), None);
        assert_eq!(COMPLETE.volume_at(f64::NAN), None);
        assert_eq!(Cake { per_ml: 0.0 }.volume_at(2.0), None);
        let nothing_blocks = CakeStandard {
            cake_per_ml: 0.0,
            standard_per_ml: 0.0,
        };
        assert_eq!(nothing_blocks.volume_at(2.0), None);
    }
}
