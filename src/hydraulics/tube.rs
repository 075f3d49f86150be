//! Flow through a round tube: Poiseuille's law, the Reynolds number that allows it, and the pressure of a height.
//!
//! In: inner diameter, length, viscosity, density. Out: [`Resistance`], [`Pressure`], a plain Reynolds number.

use crate::units::{PASCAL_PER_MMHG, Pressure, Rate, Resistance};

/// mmHg·h/mL for each Pa·s/m³: (1e-6 m³ / 3600 s) / (133.322387415 Pa/mmHg).
const MMHG_H_PER_ML_PER_PA_S_PER_M3: f64 = 1e-6 / 3600.0 / PASCAL_PER_MMHG;

/// Standard gravity, m/s². Source: 3rd General Conference on Weights and Measures, 1901.
const GRAVITY_M_PER_S2: f64 = 9.80665;

/// Below this Reynolds number flow in a tube is laminar and Poiseuille's law holds.
/// Source: OpenStax, College Physics, module m42210 (laminar below about 2000, turbulent above about 3000).
pub const LAMINAR_BELOW_REYNOLDS: f64 = 2000.0;

/// A round tube, filled and stiff.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tube {
    inner_diameter_mm: f64,
    length_cm: f64,
}

impl Tube {
    /// Takes inner diameter and length, both finite and above zero; `None` otherwise.
    pub fn new(inner_diameter_mm: f64, length_cm: f64) -> Option<Self> {
        let fits = |x: f64| x.is_finite() && 0.0 < x;
        (fits(inner_diameter_mm) && fits(length_cm)).then_some(Self {
            inner_diameter_mm,
            length_cm,
        })
    }

    /// Resistance to laminar flow of a liquid of this viscosity (mPa·s): `R = 128 µ L / (π d⁴)`.
    ///
    /// `None` where the viscosity is not finite and above zero, or where the result leaves the range of numbers.
    /// Source: Poiseuille's law, e.g. OpenStax, College Physics, module m42209.
    ///
    /// ```
    /// // 2 Fr class, 30 cm, water at 20 °C
    /// let tube = patency::hydraulics::Tube::new(0.30, 30.0).unwrap();
    /// assert!((tube.resistance(1.0016).unwrap().get() - 3.149).abs() < 1e-3);
    /// ```
    pub fn resistance(self, viscosity_mpa_s: f64) -> Option<Resistance> {
        if !(viscosity_mpa_s.is_finite() && 0.0 < viscosity_mpa_s) {
            return None;
        }
        let diameter_m = self.inner_diameter_mm * 1e-3;
        let length_m = self.length_cm * 1e-2;
        let viscosity_pa_s = viscosity_mpa_s * 1e-3;
        let pa_s_per_m3 =
            128.0 * viscosity_pa_s * length_m / (std::f64::consts::PI * diameter_m.powi(4));
        Resistance::new(pa_s_per_m3 * MMHG_H_PER_ML_PER_PA_S_PER_M3)
    }

    /// Reynolds number of this flow in the tube; see [`reynolds`].
    pub fn reynolds(self, rate: Rate, viscosity_mpa_s: f64, density_kg_per_m3: f64) -> Option<f64> {
        reynolds(
            rate,
            self.inner_diameter_mm,
            viscosity_mpa_s,
            density_kg_per_m3,
        )
    }
}

/// Reynolds number of a flow in a round tube: `Re = 4 ρ Q / (π µ d)`.
///
/// `None` unless diameter, viscosity and density are finite and above zero. Laminar below
/// [`LAMINAR_BELOW_REYNOLDS`]: no infusion comes near it in a catheter.
pub fn reynolds(
    rate: Rate,
    inner_diameter_mm: f64,
    viscosity_mpa_s: f64,
    density_kg_per_m3: f64,
) -> Option<f64> {
    let m3_per_s = rate.get() * 1e-6 / 3600.0;
    let below = std::f64::consts::PI * viscosity_mpa_s * 1e-3 * inner_diameter_mm * 1e-3;
    let fits = |x: f64| x.is_finite() && 0.0 < x;
    (fits(inner_diameter_mm) && fits(viscosity_mpa_s) && fits(density_kg_per_m3))
        .then(|| 4.0 * density_kg_per_m3 * m3_per_s / below)
        .filter(|re| re.is_finite())
}

/// Pressure at the foot of a standing column: `ρ g h`. A height below zero gives a pressure below zero.
///
/// `None` where an argument is not finite or the density is not above zero. A pump this much *above* the
/// heart reads this much *less* than the vein's pressure at zero flow.
pub fn hydrostatic(height_cm: f64, density_kg_per_m3: f64) -> Option<Pressure> {
    let pascal = density_kg_per_m3 * GRAVITY_M_PER_S2 * height_cm * 1e-2;
    (0.0 < density_kg_per_m3)
        .then(|| Pressure::new(pascal / PASCAL_PER_MMHG))
        .flatten()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::approx_constant)] // published figures, as they are printed
    use super::*;
    use crate::hydraulics::water_viscosity_mpa_s;
    use rstest::rstest;

    /// mL/h for each cm³/s.
    const ML_PER_H: f64 = 3600.0;

    fn drop_pa(d_mm: f64, l_cm: f64, mpa_s: f64, ml_per_h: f64) -> f64 {
        let r = Tube::new(d_mm, l_cm).unwrap().resistance(mpa_s).unwrap();
        (Rate::new(ml_per_h).unwrap() * r).get() * PASCAL_PER_MMHG
    }

    fn close(found: f64, expected: f64, relative: f64) {
        assert!(
            (found / expected - 1.0).abs() <= relative,
            "{found} is not {expected} to {relative}"
        );
    }

    #[rstest]
    // P1: OpenStax, College Physics, m42209, the IV needle: 1.62e4 Pa at its entrance over a vein at 1.066e3 Pa
    // (16156 Pa from the same inputs unrounded).
    #[case::p1_needle(0.300, 2.50, 1.00, 0.120 * ML_PER_H, 16156.0 - 1066.0, 7e-5)]
    // P13: m42209, a small artery: 8.7e-11 m³/s of whole blood (2.084 mPa·s at 37 °C) under 1.3 kPa.
    #[case::p13_artery(0.050, 0.11, 2.084, 8.7e-11 * 1e6 * ML_PER_H, 1300.0, 1e-3)]
    // P14: justaaa.com/physics/224862, needle: 1 g/s of water; 85254.55 Pa recomputed from its inputs.
    #[case::p14_needle(0.35, 3.14, 1.0, 1.0 * ML_PER_H, 85254.55, 2e-7)]
    // P16, P17: dataset AlexHu2026/microfluidic-pressure-drop-benchmark, rows MPD-0001 and MPD-0009 (CC BY 4.0).
    #[case::p16_channel(0.3, 10.0, 1.0, 0.1 * 60.0, 838.347, 1e-6)]
    #[case::p17_channel(0.3, 10.0, 5.0, 0.5 * 60.0, 20958.6756, 1e-6)]
    fn the_drop_along_a_tube_agrees_with_worked_examples(
        #[case] d_mm: f64,
        #[case] l_cm: f64,
        #[case] mpa_s: f64,
        #[case] ml_per_h: f64,
        #[case] pascal: f64,
        #[case] relative: f64,
    ) {
        close(drop_pa(d_mm, l_cm, mpa_s, ml_per_h), pascal, relative);
    }

    #[test]
    fn the_height_that_feeds_the_needle_agrees_with_the_book() {
        // P2, P4, P8: OpenStax m42209 and m42195; the books' g is 9.8 (ours 9.80665), their results have three or two digits.
        let pascal = |cm, rho| hydrostatic(cm, rho).unwrap().get() * PASCAL_PER_MMHG;
        close(pascal(161.0, 1025.0), 1.62e4, 5e-3);
        close(pascal(10.6, 1025.0), 1066.0, 5e-3);
        close(pascal(24.43, 1000.0), 18.0 * 133.0, 2e-3);
        // P3: the height falls to 1.50 m: 0.111 cm³/s through the needle of P1.
        let flow = 0.120 * (pascal(150.0, 1025.0) - 1066.0) / drop_pa(0.300, 2.5, 1.0, 432.0);
        close(flow, 0.111, 5e-3);
    }

    #[test]
    fn fifteen_millilitres_of_blood_are_drawn_in_17_seconds() {
        // P15: Schaum's College Physics, ch. 14, problem 24: 3.0 cm, 0.45 mm, 4.0 mPa·s, 80 cmHg; 16.77 s from its inputs.
        let r = Tube::new(0.45, 3.0).unwrap().resistance(4.0).unwrap();
        close(15.0 / (800.0 / r.get()) * 3600.0, 16.77, 2e-3);
    }

    #[rstest]
    // P5: OpenStax m42209, problem: 4.00 → 1.60 cm³/min at 2.50 times the viscosity.
    #[case::p5_viscosity(1.0, 2.5, 1.0 / 2.5, 1e-12)]
    // P9: radius factor for a hundredth of the flow, 0.316.
    #[case::p9_hundredth(0.316, 1.0, 0.01, 4e-3)]
    // P10: pressure × 1.52 at constant flow at 90 % of the radius.
    #[case::p10_narrowed(0.9, 1.0, 1.0 / 1.52, 3e-3)]
    // P11: radius factor for half the flow, 0.841.
    #[case::p11_half(0.841, 1.0, 0.5, 1e-3)]
    // P12: flow factor 0.81 (0.8145) for 5 % less radius.
    #[case::p12_five_percent(0.95, 1.0, 0.8145, 1e-4)]
    fn flow_follows_the_fourth_power_of_the_radius_and_the_inverse_of_viscosity(
        #[case] radius_factor: f64,
        #[case] viscosity_factor: f64,
        #[case] flow_factor: f64,
        #[case] relative: f64,
    ) {
        let before = Tube::new(0.3, 20.0).unwrap().resistance(1.0).unwrap();
        let after = Tube::new(0.3 * radius_factor, 20.0)
            .unwrap()
            .resistance(viscosity_factor)
            .unwrap();
        close(before.get() / after.get(), flow_factor, relative);
    }

    #[rstest]
    // P6: OpenStax m42210: 523 printed, 522.03 unrounded.
    #[case::p6_needle(0.300, 1.0, 1025.0, 432.0, 522.03, 2e-5)]
    // P16, P17: as above; density 998 kg/m³.
    #[case::p16(0.3, 1.0, 998.0, 6.0, 7.0594, 1e-4)]
    #[case::p17(0.3, 5.0, 998.0, 30.0, 7.0594, 1e-4)]
    // K16: water at 20 °C in the 1 Fr class at 5 and 20 mL/h, from the definition.
    #[case::k16_slow(0.17, 1.0016, 998.207, 5.0, 10.37, 1e-3)]
    #[case::k16_fast(0.17, 1.0016, 998.207, 20.0, 41.47, 1e-3)]
    fn the_reynolds_number_agrees_with_worked_examples_and_is_laminar(
        #[case] d_mm: f64,
        #[case] mpa_s: f64,
        #[case] density: f64,
        #[case] ml_per_h: f64,
        #[case] expected: f64,
        #[case] relative: f64,
    ) {
        let re = Tube::new(d_mm, 1.0)
            .unwrap()
            .reynolds(Rate::new(ml_per_h).unwrap(), mpa_s, density)
            .unwrap();
        close(re, expected, relative);
        assert!(re < LAMINAR_BELOW_REYNOLDS); // P7
    }

    /// Rows K9–K15: from Poiseuille's law at the inner diameters of the needle gauge chart; water, IAPWS R12-08.
    #[rstest]
    #[case::k9_24_gauge(0.311, 1.9, 20.0, 0.17269, 1e-4)]
    #[case::k10_22_gauge(0.413, 2.5, 20.0, 0.07306, 1e-4)]
    #[case::k11_one_french(0.17, 20.0, 20.0, 20.3603, 1e-4)]
    #[case::k12_two_french(0.30, 30.0, 20.0, 3.14909, 1e-4)]
    #[case::k13_extension(1.0, 150.0, 20.0, 0.12754, 1e-4)]
    #[case::k14_set(3.0, 200.0, 20.0, 0.00210, 1e-2)]
    #[case::k15_at_22(0.17, 20.0, 22.0, 19.4008, 1e-4)]
    #[case::k15_at_32(0.17, 20.0, 32.0, 15.5387, 1e-4)]
    #[case::k15_at_37(0.17, 20.0, 37.0, 14.0526, 1e-4)]
    fn catheters_and_tubing_have_their_tabulated_resistance(
        #[case] d_mm: f64,
        #[case] l_cm: f64,
        #[case] celsius: f64,
        #[case] mmhg_h_per_ml: f64,
        #[case] relative: f64,
    ) {
        let viscosity = water_viscosity_mpa_s(celsius).unwrap();
        let r = Tube::new(d_mm, l_cm)
            .unwrap()
            .resistance(viscosity)
            .unwrap();
        close(r.get(), mmhg_h_per_ml, relative);
    }

    #[rstest]
    // V5: ρ g h.
    #[case(1.0, 1000.0, 0.73556)]
    #[case(10.0, 1000.0, 7.3556)]
    #[case(30.0, 1000.0, 22.067)]
    #[case(130.0, 1000.0, 95.623)]
    #[case::parenteral_nutrition(10.0, 1040.0, 7.6498)]
    #[case::pump_above_the_heart(-10.0, 1000.0, -7.3556)]
    fn a_height_gives_its_column_of_pressure(
        #[case] cm: f64,
        #[case] density: f64,
        #[case] mmhg: f64,
    ) {
        close(hydrostatic(cm, density).unwrap().get(), mmhg, 2e-5);
    }

    #[test]
    fn impossible_sizes_give_nothing() {
        for (d, l) in [(0.0, 1.0), (1.0, 0.0), (-1.0, 1.0), (f64::NAN, 1.0)] {
            assert_eq!(Tube::new(d, l), None);
        }
        let tube = Tube::new(1.0, 1.0).unwrap();
        assert_eq!(tube.resistance(0.0), None);
        assert_eq!(Tube::new(1e-90, 1.0).unwrap().resistance(1.0), None);
        assert_eq!(hydrostatic(1.0, 0.0), None);
        assert_eq!(hydrostatic(f64::INFINITY, 1000.0), None);
        assert_eq!(tube.reynolds(Rate::new(1.0).unwrap(), 0.0, 1000.0), None);
    }
}
