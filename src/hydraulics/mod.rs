//! The physics of an infusion line: resistance of tubes, viscosity, blocking laws, exact ramps and relaxations.
//!
//! In: sizes, temperatures, rates, compliances. Out: resistances, pressures, times and volumes, in the types of
//! [`crate::units`] where a figure crosses the door. Everything here is a closed form; nothing is fitted, nothing
//! is judged, no record is read. Which resistance or law a record has is decided in [`crate::infer`].
//!
//! | file | holds |
//! |---|---|
//! | `tube` | Poiseuille's law, Reynolds number, pressure of a height |
//! | `liquid` | viscosity and density of water, glucose solutions, emulsions, and of what runs in a channel |
//! | `blocking` | how a filter's resistance grows with the volume filtered |
//! | `transient` | pressure over time after a block, a step of rate or a stop; what is stored and set free |

mod blocking;
mod liquid;
mod transient;
mod tube;

pub use blocking::BlockingLaw;
pub use liquid::{
    Liquid, emulsion_relative_viscosity, glucose_relative_viscosity, water_density_kg_per_m3,
    water_viscosity_mpa_s,
};
pub use transient::{Ramp, Relaxation, TwoRates};
pub use tube::{LAMINAR_BELOW_REYNOLDS, Tube, hydrostatic, reynolds};

#[cfg(test)]
mod tests {
    //! Lines put together from several parts.

    use super::*;
    use crate::units::{Pressure, Rate, Resistance};
    use rstest::rstest;

    /// Rows K17: 5 mmHg vein + extension (ID 1.0 mm, 1.5 m) + filter 0.3 + 1 Fr catheter (ID 0.17 mm, 0.20 m), water at
    /// 20 °C; computed by hand from Poiseuille's law with µ = 1.0016 mPa·s (IAPWS R12-08).
    #[rstest]
    #[case(1.0, 25.788)]
    #[case(2.0, 46.576)]
    #[case(5.0, 108.939)]
    #[case(10.0, 212.878)]
    fn a_one_french_line_fills_a_200_mmhg_limit_with_nothing_blocked(
        #[case] ml_per_h: f64,
        #[case] mmhg: f64,
    ) {
        let viscosity = water_viscosity_mpa_s(20.0).unwrap();
        let extension = Tube::new(1.0, 150.0)
            .unwrap()
            .resistance(viscosity)
            .unwrap();
        let catheter = Tube::new(0.17, 20.0)
            .unwrap()
            .resistance(viscosity)
            .unwrap();
        let line = extension + Resistance::new(0.3).unwrap() + catheter;
        let pressure = Pressure::new(5.0).unwrap() + Rate::new(ml_per_h).unwrap() * line;
        assert!(
            (pressure.get() / mmhg - 1.0).abs() < 1e-4,
            "{}",
            pressure.get()
        );
    }
}
