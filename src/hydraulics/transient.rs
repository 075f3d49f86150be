//! Pressure over time after a block, a step of rate or a stop, and the volume held under it.
//!
//! In: rate, resistance, compliance, pressures. Out: pressures at times and times at pressures, exactly: one
//! compliance above the block, one resistance below it (`C dP/dt = Q − (P − P_out)/R`).

use crate::units::{Compliance, Hours, Pressure, Rate, Resistance, Volume};

/// Nothing passes: the pressure climbs in a straight line, `dP/dt = Q / C`, and stands still at rate 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ramp {
    /// Pressure at time 0.
    pub start: Pressure,
    /// What the pump goes on delivering.
    pub rate: Rate,
    /// From the pump to the block.
    pub compliance: Compliance,
}

impl Ramp {
    /// Steepness, mmHg/h.
    pub fn slope_mmhg_per_h(&self) -> f64 {
        self.rate.get() / ml_per_mmhg(self.compliance)
    }

    /// Pressure this long after the block; `None` where it leaves the range of numbers.
    pub fn at(&self, after: Hours) -> Option<Pressure> {
        Pressure::new(self.start.get() + self.slope_mmhg_per_h() * after.get())
    }

    /// Time until a pressure limit is reached: `C (P_lim − P) / Q`; 0 where it is already reached, `None` at rate 0.
    ///
    /// The pump's own delay between crossing the limit and the alarm comes on top.
    ///
    /// ```
    /// use patency::{hydraulics::Ramp, units::{Compliance, Pressure, Rate}};
    /// let ramp = Ramp {
    ///     start: Pressure::new(25.0).unwrap(),
    ///     rate: Rate::new(2.0).unwrap(),
    ///     compliance: Compliance::new(1.2).unwrap(),
    /// };
    /// let hours = ramp.time_to(Pressure::new(150.0).unwrap()).unwrap().get();
    /// assert!((hours * 60.0 - 4.5).abs() < 1e-9);
    /// ```
    pub fn time_to(&self, limit: Pressure) -> Option<Hours> {
        self.stored(limit) / self.rate
    }

    /// Volume held between this start and a pressure: what relief sets free on top of what was there before the block.
    pub fn stored(&self, reached: Pressure) -> Volume {
        self.compliance * (reached - self.start)
    }

    /// The compliance that a straight climb shows: `C = Q / (dP/dt)`; `None` unless slope and rate are above zero.
    pub fn compliance_from_slope(rate: Rate, slope_mmhg_per_h: f64) -> Option<Compliance> {
        Compliance::new(rate.get() / slope_mmhg_per_h * 1000.0)
    }
}

/// Something passes: the pressure relaxes with `τ = R C` to its plateau `P_out + R Q`. A stop is a relaxation at rate 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Relaxation {
    /// Pressure at time 0.
    pub start: Pressure,
    /// Pressure below the resistance.
    pub outlet: Pressure,
    /// What the pump delivers from time 0 on.
    pub rate: Rate,
    /// Below the pump, from time 0 on.
    pub resistance: Resistance,
    /// From the pump to the resistance.
    pub compliance: Compliance,
}

impl Relaxation {
    /// Where the pressure ends: `P_out + R Q`.
    pub fn plateau(&self) -> Pressure {
        self.outlet + self.rate * self.resistance
    }

    /// Time in which the distance to the plateau falls to 1/e: `τ = R C`, hours.
    pub fn tau_h(&self) -> f64 {
        self.resistance.get() * ml_per_mmhg(self.compliance)
    }

    /// Pressure after this time; `None` where it leaves the range of numbers.
    pub fn at(&self, after: Hours) -> Option<Pressure> {
        let plateau = self.plateau().get();
        let left = (-after.get() / self.tau_h()).exp();
        Pressure::new(plateau + (self.start.get() - plateau) * left)
    }

    /// Time until a pressure is reached: `−τ ln((P − P∞)/(P₀ − P∞))`; 0 where the start stands on it, `None` where it does
    /// not lie between start and plateau (the plateau itself is never reached).
    pub fn time_to(&self, pressure: Pressure) -> Option<Hours> {
        if pressure == self.start {
            return Hours::new(0.0);
        }
        let plateau = self.plateau().get();
        let left = (pressure.get() - plateau) / (self.start.get() - plateau);
        (0.0 < left && left < 1.0)
            .then(|| Hours::new(-self.tau_h() * left.ln()))
            .flatten()
    }

    /// Volume held above the outlet's pressure at this pressure: what runs on after a stop, `C (P − P_out)`.
    pub fn stored(&self, at: Pressure) -> Volume {
        self.compliance * (at - self.outlet)
    }
}

/// A line's resistance and outlet pressure from two rates at rest: `R = ΔP/ΔQ`, `P_out = P − R Q`.
///
/// Free of the sensor's zero error in `resistance`. Wrong where the pressure had not yet settled (wait three `τ`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoRates {
    /// All that lies below the pump.
    pub resistance: Resistance,
    /// At zero flow.
    pub outlet: Pressure,
}

impl TwoRates {
    /// From two settled pairs of rate and pressure; `None` where the rates are alike or pressure does not rise with rate.
    pub fn new(one: (Rate, Pressure), other: (Rate, Pressure)) -> Option<Self> {
        let slope = (other.1.get() - one.1.get()) / (other.0.get() - one.0.get());
        let resistance = Resistance::new(slope)?;
        let outlet = one.1 - one.0 * resistance;
        Some(Self { resistance, outlet })
    }
}

fn ml_per_mmhg(compliance: Compliance) -> f64 {
    compliance.get() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn pressure(mmhg: f64) -> Pressure {
        Pressure::new(mmhg).unwrap()
    }

    fn minutes(min: f64) -> Hours {
        Hours::new(min / 60.0).unwrap()
    }

    fn ramp(start: f64, rate: f64, ul_per_mmhg: f64) -> Ramp {
        Ramp {
            start: pressure(start),
            rate: Rate::new(rate).unwrap(),
            compliance: Compliance::new(ul_per_mmhg).unwrap(),
        }
    }

    fn close(found: f64, expected: f64, relative: f64) {
        assert!(
            (found / expected - 1.0).abs() <= relative,
            "{found} is not {expected}"
        );
    }

    /// Rows C13–C15: `t = C ΔP / Q` for the range of syringe compliances, 9.0e-9 to 2.1e-8 L/Pa, of Snijder et al., Biomed
    /// Eng-Biomed Tech 2015, doi:10.1515/bmt-2014-0148 (1.2 and 2.8 µL/mmHg rounded).
    #[rstest]
    #[case::c13(1.2, 300.0, 0.5, 43.2)]
    #[case::c13(1.2, 300.0, 1.0, 21.6)]
    #[case::c13(1.2, 300.0, 5.0, 4.32)]
    #[case::c13(1.2, 300.0, 12.0, 1.8)]
    #[case::c14(2.8, 300.0, 0.5, 100.8)]
    #[case::c14(2.8, 300.0, 1.0, 50.4)]
    #[case::c14(2.8, 300.0, 5.0, 10.08)]
    #[case::c14(2.8, 300.0, 12.0, 4.2)]
    #[case::c15(1.2, 100.0, 1.0, 7.2)]
    #[case::c15(2.8, 100.0, 1.0, 16.8)]
    fn a_complete_block_takes_its_time_to_the_alarm(
        #[case] ul_per_mmhg: f64,
        #[case] rise_mmhg: f64,
        #[case] ml_per_h: f64,
        #[case] min: f64,
    ) {
        let hours = ramp(10.0, ml_per_h, ul_per_mmhg).time_to(pressure(10.0 + rise_mmhg));
        close(hours.unwrap().get() * 60.0, min, 1e-12);
    }

    #[test]
    fn a_worked_engineering_example_alarms_after_210_seconds_and_stores_0_70_ml() {
        // C8: atlasofengineering.com, infusion-pump occlusion alarm delay (teaching example): 12 mL/h, 15 → 85 kPa,
        // 0.010 mL/kPa; 120 s would need a threshold of 52.3 kPa with 8 s of latency.
        let kpa = 7.500616;
        let ramp = ramp(15.0 * kpa, 12.0, 10.0 / kpa);
        let limit = pressure(85.0 * kpa);
        close(ramp.time_to(limit).unwrap().get() * 3600.0, 210.0, 1e-9);
        close(ramp.stored(limit).get(), 0.70, 1e-9);
        let after = Hours::new((120.0 - 8.0) / 3600.0).unwrap();
        close(ramp.at(after).unwrap().get() / kpa, 52.3, 1e-3);
    }

    #[rstest]
    // C16.
    #[case(1.2, 0.36)]
    #[case(2.8, 0.84)]
    fn the_stored_volume_follows_the_compliance(#[case] ul_per_mmhg: f64, #[case] ml: f64) {
        let stored = ramp(0.0, 1.0, ul_per_mmhg).stored(pressure(300.0));
        close(stored.get(), ml, 1e-12);
    }

    #[test]
    fn a_ramp_is_straight_and_shows_its_compliance() {
        // C17, C21: 27.7778 mmHg/min; 150 mmHg after 4.5 min.
        let ramp = ramp(25.0, 2.0, 1.2);
        close(ramp.slope_mmhg_per_h() / 60.0, 27.7778, 1e-6);
        close(ramp.at(minutes(4.5)).unwrap().get(), 150.0, 1e-9);
        let rate = Rate::new(2.0).unwrap();
        let shown = Ramp::compliance_from_slope(rate, 27.7778 * 60.0).unwrap();
        close(shown.get(), 1.2, 1e-6);
    }

    #[test]
    fn a_closed_line_holds_its_pressure_when_the_pump_stops() {
        // C20.
        let stopped = ramp(150.0, 0.0, 1.2);
        assert_eq!(stopped.at(minutes(60.0)), Some(pressure(150.0)));
        assert_eq!(stopped.time_to(pressure(200.0)), None);
    }

    #[rstest]
    // C18: R 10 → 100 at 2 mL/h, 1.2 µL/mmHg, outlet 5: τ 7.2 min, plateau 205; the line equation solved by an ODE solver
    // agrees (`scripts/reference`).
    #[case(1.0, 48.3415)]
    #[case(2.0, 68.6563)]
    #[case(5.0, 115.1167)]
    #[case(15.0, 182.5874)]
    #[case(30.0, 202.2093)]
    fn a_partial_block_relaxes_to_its_plateau(#[case] min: f64, #[case] mmhg: f64) {
        let line = relaxation(25.0, 2.0);
        let found = line.at(minutes(min)).unwrap().get();
        assert!((found - mmhg).abs() <= 5e-5, "{found}"); // the printed digits
        close(line.tau_h() * 60.0, 7.2, 1e-9);
        close(line.plateau().get(), 205.0, 1e-12);
        let to_150 = line.time_to(pressure(150.0)).unwrap();
        close(to_150.get() * 60.0, 8.53649, 1e-6);
    }

    #[rstest]
    // C19: decay after a stop at 150 mmHg.
    #[case(1.0, 131.1971)]
    #[case(5.0, 77.4060)]
    #[case(10.0, 41.1561)]
    fn a_partly_blocked_line_falls_slowly_after_a_stop(#[case] min: f64, #[case] mmhg: f64) {
        let line = relaxation(150.0, 0.0);
        close(line.at(minutes(min)).unwrap().get(), mmhg, 1e-6);
    }

    fn relaxation(start: f64, rate: f64) -> Relaxation {
        Relaxation {
            start: pressure(start),
            outlet: pressure(5.0),
            rate: Rate::new(rate).unwrap(),
            resistance: Resistance::new(100.0).unwrap(),
            compliance: Compliance::new(1.2).unwrap(),
        }
    }

    #[test]
    fn a_pressure_beyond_the_plateau_is_never_reached() {
        let line = relaxation(25.0, 2.0);
        assert_eq!(line.time_to(pressure(205.0)), None);
        assert_eq!(line.time_to(pressure(300.0)), None);
        assert_eq!(line.time_to(pressure(24.0)), None);
        assert_eq!(line.time_to(pressure(25.0)), Hours::new(0.0));
    }

    #[test]
    fn what_runs_on_after_a_stop_is_what_was_stored() {
        // C (P − P_out): 1.2 µL/mmHg × 145 mmHg.
        let line = relaxation(150.0, 0.0);
        close(line.stored(pressure(150.0)).get(), 0.174, 1e-12);
    }

    #[test]
    fn two_rates_give_resistance_and_outlet_pressure() {
        // K18: 25 mmHg at 2 mL/h, 45 at 4.
        let rate = |q| Rate::new(q).unwrap();
        let found = TwoRates::new((rate(2.0), pressure(25.0)), (rate(4.0), pressure(45.0)));
        let expected = TwoRates {
            resistance: Resistance::new(10.0).unwrap(),
            outlet: pressure(5.0),
        };
        assert_eq!(found, Some(expected));
        let alike = TwoRates::new((rate(2.0), pressure(25.0)), (rate(2.0), pressure(45.0)));
        assert_eq!(alike, None);
    }
}
