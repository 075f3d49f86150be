//! How a filter blocks: four mechanisms at once, integrated over the volume that passes.
//!
//! In: the constants of a scenario and the volume of a step. Out: resistance over clean. The equations stand at
//! [`super::Blocking`]; with one constant above zero they are the pure blocking laws.

use super::Blocking;

/// Beyond this the filter counts as closed and nothing more is integrated.
const MOST: f64 = 1e5;

/// What has loaded so far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Loaded {
    open_area: f64,
    constriction: f64,
    cake: f64,
}

impl Loaded {
    /// A clean filter.
    pub fn clean() -> Self {
        Self {
            open_area: 1.0,
            constriction: 0.0,
            cake: 0.0,
        }
    }

    /// Resistance over that of a clean filter, 1 or more.
    pub fn factor(&self) -> f64 {
        let open = (1.0 - self.constriction / 2.0).max(1e-3);
        ((open.powi(-2) + self.cake) / self.open_area.max(1.0 / MOST)).min(MOST)
    }

    /// Lets so many mL pass.
    pub fn pass(&mut self, by: &Blocking, ml: f64) {
        if MOST <= self.factor() || ml <= 0.0 {
            return;
        }
        // The open area has an exact solution; what depends on its inverse takes the mean of 1/a by Simpson's rule.
        let start = self.open_area;
        let at = |v: f64| area_after(start, by, v);
        let (middle, end) = (at(ml / 2.0), at(ml));
        let mean_inverse =
            (1.0 / start + 4.0 / middle.max(1.0 / MOST) + 1.0 / end.max(1.0 / MOST)) / 6.0;
        self.open_area = end.max(1.0 / MOST);
        self.constriction = (self.constriction + by.standard_per_ml * ml * mean_inverse).min(2.0);
        self.cake += by.cake_per_ml * ml * mean_inverse;
    }

    /// Seals pores: the open area falls by `e^-exponent`.
    pub fn seal(&mut self, exponent: f64) {
        self.open_area = (self.open_area * (-exponent).exp()).max(1.0 / MOST);
    }
}

/// Solution of `da/dv = -complete - intermediate a`.
fn area_after(start: f64, by: &Blocking, v: f64) -> f64 {
    let (b, i) = (by.complete_per_ml, by.intermediate_per_ml);
    if i * v < 1e-12 {
        return start - b * v;
    }
    let fall = (-i * v).exp();
    start * fall - b / i * (1.0 - fall)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn law(complete: f64, standard: f64, intermediate: f64, cake: f64) -> Blocking {
        Blocking {
            complete_per_ml: complete,
            standard_per_ml: standard,
            intermediate_per_ml: intermediate,
            cake_per_ml: cake,
        }
    }

    fn after(by: &Blocking, ml: f64) -> f64 {
        let mut loaded = Loaded::clean();
        let steps = 20_000;
        for _ in 0..steps {
            loaded.pass(by, ml / f64::from(steps));
        }
        loaded.factor()
    }

    // Closed forms of the constant-rate blocking laws. Forms: Hermia, Trans IChemE 60 (1982) 183–187; Hlavacek &
    // Bouchet, J Membr Sci 82 (1993) 285–295; combined: Bolton et al., J Membr Sci 277 (2006) 75–84 (all three
    // from memory). Numbers: an independent ODE solver at rtol 1e-11, scripts/reference-line/line_ode.py.
    #[rstest]
    #[case::complete(law(1., 0., 0., 0.), [1.333333333, 2.000000000, 4.000000000])]
    #[case::standard(law(0., 1., 0., 0.), [1.306122449, 1.777777778, 2.560000000])]
    #[case::intermediate(law(0., 0., 1., 0.), [1.284025417, 1.648721271, 2.117000017])]
    #[case::cake(law(0., 0., 0., 1.), [1.25, 1.5, 1.75])]
    #[case::cake_complete(law(0.8, 0., 0., 0.6), [1.459197079, 2.305198696, 4.218045122])]
    #[case::cake_intermediate(law(0., 0., 0.7, 0.6), [1.386521644, 1.928797685, 2.690909365])]
    #[case::complete_standard(law(0.8, 0.5, 0., 0.), [1.444422300, 2.359993340, 4.908607837])]
    #[case::intermediate_standard(law(0., 0.5, 0.7, 0.), [1.372307425, 1.962569217, 2.978136931])]
    #[case::cake_standard(law(0., 0.5, 0., 0.6), [1.287777778, 1.606122449, 1.964792899])]
    fn loading_follows_the_closed_forms(#[case] by: Blocking, #[case] expected: [f64; 3]) {
        for (ml, expected) in [0.25, 0.50, 0.75].into_iter().zip(expected) {
            let found = after(&by, ml);
            assert!(
                (found / expected - 1.0).abs() < 1e-8,
                "{by:?} at {ml}: {found} against {expected}"
            );
        }
    }

    // Volumes at which the resistance is 2, 3, 5 and 10 times: arithmetic of the four pure laws.
    #[rstest]
    #[case::complete(law(1., 0., 0., 0.), [0.5, 0.666667, 0.8, 0.9])]
    #[case::standard(law(0., 1., 0., 0.), [0.585786, 0.845299, 1.105573, 1.367544])]
    #[case::intermediate(law(0., 0., 1., 0.), [2_f64.ln(), 3_f64.ln(), 5_f64.ln(), 10_f64.ln()])]
    #[case::cake(law(0., 0., 0., 1.), [1.0, 2.0, 4.0, 9.0])]
    fn multiples_are_reached_at_their_volumes(#[case] by: Blocking, #[case] volumes: [f64; 4]) {
        for (multiple, ml) in [2.0, 3.0, 5.0, 10.0].into_iter().zip(volumes) {
            let found = after(&by, ml);
            // a volume printed to 1e-6 fixes the multiple of the steepest law to about 1e-4
            assert!(
                (found / multiple - 1.0).abs() < 2e-5,
                "{by:?} at {ml}: {found}"
            );
        }
    }

    #[test]
    fn a_filter_that_is_full_stays_finite() {
        let found = after(&law(1.0, 1.0, 1.0, 1.0), 50.0);
        assert!(found.is_finite() && found <= MOST);
    }
}
