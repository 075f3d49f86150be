//! Viscosity and density of what flows through a line.
//!
//! In: temperature, concentration, or what a line file names. Out: mPa·s, kg/m³, or a factor to water with its
//! interval. No measured viscosity of a marketed nutrition bag or lipid emulsion was found in open text: those
//! factors are estimates from their contents, and their intervals say so.

use crate::units::Estimate;

/// Viscosity of water at 0.1 MPa, mPa·s, for 0–100 °C; `None` outside.
///
/// `µ = Σ aᵢ (T / 300 K)^bᵢ`. Source: IAPWS SR6-08(2011), liquid water at 0.1 MPa (coefficients from memory, checked
/// against IAPWS R12-08 in the tests, which it follows to 1e-4).
pub fn water_viscosity_mpa_s(celsius: f64) -> Option<f64> {
    const TERMS: [(f64, f64); 4] = [
        (280.68, -1.9),
        (511.45, -7.7),
        (61.131, -19.6),
        (0.45903, -40.0),
    ];
    let t = (celsius + 273.15) / 300.0;
    (0.0..=100.0).contains(&celsius).then(|| {
        1e-3 * TERMS
            .iter()
            .map(|(a, b): &(f64, f64)| a * t.powf(*b))
            .sum::<f64>()
    })
}

/// Density of water at 101.325 kPa, kg/m³, for 0–100 °C; `None` outside.
///
/// Source: G. S. Kell, J Chem Eng Data 20 (1975) 97–105, equation 16 (coefficients from memory, checked against
/// IAPWS-95 in the tests, which it follows to 2e-5).
pub fn water_density_kg_per_m3(celsius: f64) -> Option<f64> {
    const ABOVE: [f64; 6] = [
        999.839_52,
        16.945_176,
        -7.987_040_1e-3,
        -46.170_461e-6,
        105.563_02e-9,
        -280.542_53e-12,
    ];
    let above = ABOVE.iter().rev().fold(0.0, |sum, a| sum * celsius + a);
    (0.0..=100.0)
        .contains(&celsius)
        .then(|| above / (1.0 + 16.879_850e-3 * celsius))
}

/// Viscosity of a glucose solution relative to water at the same temperature, for 0–30 % by weight; `None` outside.
///
/// `ln η = 0.024630 w + 0.00036377 w²`. Source: our fit to Walstra, Physical Chemistry of Foods, table 5.2 (20 % at
/// 20 °C) and the glucose table of glycodata.org (8.31 and 12.75 % at 35 °C); it leaves less than 1 % there, and
/// above 20 % it is an extrapolation.
pub fn glucose_relative_viscosity(percent_by_weight: f64) -> Option<f64> {
    let w = percent_by_weight;
    (0.0..=30.0)
        .contains(&w)
        .then(|| (0.024630 * w + 0.00036377 * w * w).exp())
}

/// Viscosity of an emulsion relative to its continuous phase: `(1 − φ/φₘ)^(−2.5 φₘ)` with `φₘ = 0.65`, for a volume
/// fraction of droplets `0 ≤ φ < 0.65`; `None` outside.
///
/// Source: Krieger and Dougherty, Trans Soc Rheol 3 (1959) 137–152 (from memory), with the values of Walstra,
/// Physical Chemistry of Foods, table 5.2.
pub fn emulsion_relative_viscosity(volume_fraction: f64) -> Option<f64> {
    const CLOSEST_PACKING: f64 = 0.65;
    const INTRINSIC: f64 = 2.5;
    (0.0..CLOSEST_PACKING)
        .contains(&volume_fraction)
        .then(|| (1.0 - volume_fraction / CLOSEST_PACKING).powf(-INTRINSIC * CLOSEST_PACKING))
}

/// What runs in a channel, as the line file names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Liquid {
    /// Plain water, as on a bench.
    Water,
    /// Amino acids and glucose (10–12.5 % glucose, 2–3.5 % amino acids).
    Pn2in1,
    /// Amino acids, glucose and 2–4 % lipid in one container.
    Pn3in1,
    /// 20 % lipid emulsion by itself.
    Lipid,
    /// Electrolytes, or glucose up to 10 %.
    Crystalloid,
    /// A medication in a thin carrier.
    Medication,
}

impl Liquid {
    /// Viscosity relative to water at the same temperature; the interval is the range that such liquids span.
    ///
    /// Estimates from contents, not measurements: glucose by [`glucose_relative_viscosity`], amino acids on top, lipid
    /// by [`emulsion_relative_viscosity`] at φ 0.20–0.23 times about 1.06 for the glycerol in the water around it.
    pub fn relative_viscosity(self) -> Estimate {
        let (value, low, high) = match self {
            Liquid::Water => (1.0, 1.0, 1.0),
            Liquid::Pn2in1 => (1.6, 1.4, 1.8),
            Liquid::Pn3in1 => (1.75, 1.5, 2.05),
            Liquid::Lipid => (2.0, 1.8, 2.2),
            Liquid::Crystalloid => (1.1, 1.0, 1.35),
            Liquid::Medication => (1.05, 1.0, 1.35),
        };
        Estimate { value, low, high }
    }

    /// Viscosity, mPa·s, at 0–100 °C; `None` outside. The factor to water is taken as the same at all temperatures.
    pub fn viscosity_mpa_s(self, celsius: f64) -> Option<Estimate> {
        water_viscosity_mpa_s(celsius).map(|water| self.relative_viscosity().scaled(water))
    }

    /// Density relative to water, from the middle of the range that such liquids span.
    pub fn relative_density(self) -> f64 {
        match self {
            Liquid::Water => 1.0,
            Liquid::Pn2in1 => 1.05,
            Liquid::Pn3in1 => 1.04,
            Liquid::Lipid => 0.99,
            Liquid::Crystalloid | Liquid::Medication => 1.01,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!(
            (found / expected - 1.0).abs() <= relative,
            "{found} is not {expected} to {relative}"
        );
    }

    /// Rows F1–F3: IAPWS R12-08 (viscosity) and IAPWS-95 (density) at 101.325 kPa, by the `iapws` package;
    /// `scripts/reference` recomputes them.
    #[rstest]
    #[case(5.0, 1.51817, 999.967)]
    #[case(10.0, 1.30590, 999.702)]
    #[case(15.0, 1.13757, 999.103)]
    #[case(20.0, 1.00160, 998.207)]
    #[case(22.0, 0.95440, 997.773)]
    #[case(25.0, 0.89002, 997.048)]
    #[case(30.0, 0.79722, 995.649)]
    #[case(32.0, 0.76441, 995.028)]
    #[case(37.0, 0.69130, 993.330)]
    #[case(40.0, 0.65273, 992.216)]
    fn water_agrees_with_iapws(#[case] celsius: f64, #[case] mpa_s: f64, #[case] kg_per_m3: f64) {
        close(water_viscosity_mpa_s(celsius).unwrap(), mpa_s, 1e-4);
        close(water_density_kg_per_m3(celsius).unwrap(), kg_per_m3, 2e-5);
    }

    #[rstest]
    #[case(0.0)]
    #[case(20.0)]
    #[case(37.0)]
    #[case(60.0)]
    fn water_agrees_with_the_short_formula_of_korson(#[case] celsius: f64) {
        // F4: Korson et al., J Phys Chem 73 (1969) 34–39, doi:10.1021/j100721a006 (as in bjodah/chempy); an older standard,
        // fitted to a reference of 1.0020 mPa·s at 20 °C, hence the wider tolerance.
        let t = celsius;
        let power = (1.1709 * (20.0 - t) - 0.001827 * (t - 20.0).powi(2)) / (t + 89.93);
        close(
            water_viscosity_mpa_s(t).unwrap(),
            1.0020 * 10f64.powf(power),
            1.5e-3,
        );
    }

    /// OpenStax, College Physics, m42209, table of viscosities.
    #[rstest]
    #[case(0.0, 1.792)]
    #[case(20.0, 1.002)]
    #[case(37.0, 0.6947)]
    #[case(40.0, 0.653)]
    fn water_agrees_with_a_textbook_table(#[case] celsius: f64, #[case] mpa_s: f64) {
        close(water_viscosity_mpa_s(celsius).unwrap(), mpa_s, 6e-3);
    }

    #[rstest]
    // F5: Walstra, Physical Chemistry of Foods, table 5.2: 1.90 mPa·s at 20 °C.
    #[case::f5(20.0, 1.90 / 1.0016, 1e-2)]
    // F6: glycodata.org, viscosity of glucose at 35 °C, relative to its water row.
    #[case::f6_low(8.31, 1.267, 1e-2)]
    #[case::f6_high(12.75, 1.442, 1e-2)]
    // F7: our own fit, to pin its coefficients.
    #[case::f7_5(5.0, 1.141, 1e-3)]
    #[case::f7_10(10.0, 1.327, 1e-3)]
    #[case::f7_12(12.5, 1.440, 1e-3)]
    #[case::f7_15(15.0, 1.570, 1e-3)]
    #[case::f7_20(20.0, 1.893, 1e-3)]
    // F8: CRC Handbook, concentrative properties (from memory): about 1.33 and 1.90 mPa·s at 20 °C.
    #[case::f8_10(10.0, 1.33, 2e-2)]
    #[case::f8_20(20.0, 1.90, 2e-2)]
    fn glucose_agrees_with_published_tables(
        #[case] percent: f64,
        #[case] factor: f64,
        #[case] relative: f64,
    ) {
        close(
            glucose_relative_viscosity(percent).unwrap(),
            factor,
            relative,
        );
    }

    #[test]
    fn an_emulsion_of_a_fifth_agrees_with_walstra() {
        // F10: printed as "calculated" 1.82 in Walstra, table 5.2; 1.81767 from the formula.
        close(emulsion_relative_viscosity(0.20).unwrap(), 1.81767, 1e-5);
    }

    #[test]
    fn lipid_and_nutrition_lie_in_their_estimated_ranges() {
        // F9, F11: 1.8–2.2 and 1.4–1.8 mPa·s at 20 °C, estimated from contents.
        let within = |liquid: Liquid, low: f64, high: f64| {
            let e = liquid.viscosity_mpa_s(20.0).unwrap();
            assert!(
                low - 0.01 <= e.low
                    && e.low <= e.value
                    && e.value <= e.high
                    && e.high <= high + 0.01
            );
        };
        within(Liquid::Lipid, 1.8, 2.2);
        within(Liquid::Pn2in1, 1.4, 1.8);
        let around = 1.06;
        for phi in [0.20, 0.23] {
            let e = Liquid::Lipid.relative_viscosity();
            let factor = around * emulsion_relative_viscosity(phi).unwrap();
            assert!(e.low <= factor && factor <= e.high, "{factor}");
        }
    }

    #[test]
    fn nothing_is_said_outside_the_tables() {
        assert_eq!(water_viscosity_mpa_s(-0.1), None);
        assert_eq!(water_viscosity_mpa_s(f64::NAN), None);
        assert_eq!(water_density_kg_per_m3(101.0), None);
        assert_eq!(glucose_relative_viscosity(31.0), None);
        assert_eq!(emulsion_relative_viscosity(0.65), None);
        assert_eq!(Liquid::Lipid.viscosity_mpa_s(200.0), None);
    }
}
