//! The quantities of an infusion line as types that cannot be wrong, and [`Estimate`].
//!
//! In: plain numbers in the unit that the constructor names. Out: checked values with the operators
//! that make physical sense and no others. Long columns of samples stay plain `f64` with the unit in
//! the column's name (`pressure_mmhg`); these types are for single figures that cross a room's door.

use std::ops::{Add, Div, Mul, Sub};

/// 1 mmHg in pascals. Source: definition, 13.5951 g/cm³ × 9.80665 m/s² × 1 mm.
pub const PASCAL_PER_MMHG: f64 = 133.322_387_415;

/// mmHg for each centimetre of water column (conventional, 98.0665 Pa).
pub const MMHG_PER_CM_WATER: f64 = 98.0665 / PASCAL_PER_MMHG;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:ident, $check:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// Takes the number in the unit that the parameter's name says; `None` where it is out of the type's range.
            pub fn new($unit: f64) -> Option<Self> {
                let check: fn(f64) -> bool = $check;
                check($unit).then_some(Self($unit))
            }

            /// The plain number, in the unit of [`Self::new`].
            pub fn get(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// Pressure relative to the room's air, mmHg. Finite.
    Pressure, mmhg, |x| x.is_finite()
);
quantity!(
    /// Flow of a pump, mL/h. Finite, not negative.
    Rate, ml_per_h, |x| x.is_finite() && 0.0 <= x
);
quantity!(
    /// Volume, mL. Finite, not negative.
    Volume, ml, |x| x.is_finite() && 0.0 <= x
);
quantity!(
    /// Resistance to flow, mmHg·h/mL. Finite and above zero.
    Resistance, mmhg_h_per_ml, |x| x.is_finite() && 0.0 < x
);
quantity!(
    /// Elastic storage, µL/mmHg. Finite and above zero.
    Compliance, ul_per_mmhg, |x| x.is_finite() && 0.0 < x
);
quantity!(
    /// Length of time, hours. Finite, not negative.
    Hours, hours, |x| x.is_finite() && 0.0 <= x
);

/// The drop along a resistance at a flow.
///
/// ```
/// use patency::units::{Rate, Resistance};
/// let drop = Rate::new(2.0).unwrap() * Resistance::new(10.0).unwrap();
/// assert_eq!(drop.get(), 20.0);
/// ```
///
/// A pressure and a flow do not add up:
///
/// ```compile_fail
/// use patency::units::{Pressure, Rate};
/// let _ = Pressure::new(2.0).unwrap() + Rate::new(2.0).unwrap();
/// ```
impl Mul<Resistance> for Rate {
    type Output = Pressure;
    fn mul(self, r: Resistance) -> Pressure {
        Pressure(self.0 * r.0)
    }
}

impl Add for Pressure {
    type Output = Pressure;
    fn add(self, other: Pressure) -> Pressure {
        Pressure(self.0 + other.0)
    }
}

impl Sub for Pressure {
    type Output = Pressure;
    fn sub(self, other: Pressure) -> Pressure {
        Pressure(self.0 - other.0)
    }
}

impl Add for Resistance {
    type Output = Resistance;
    fn add(self, other: Resistance) -> Resistance {
        Resistance(self.0 + other.0)
    }
}

impl Add for Compliance {
    type Output = Compliance;
    fn add(self, other: Compliance) -> Compliance {
        Compliance(self.0 + other.0)
    }
}

/// The volume that a compliance holds for a rise of pressure; a fall counts as none.
impl Mul<Pressure> for Compliance {
    type Output = Volume;
    fn mul(self, rise: Pressure) -> Volume {
        Volume((self.0 * rise.0 / 1000.0).max(0.0))
    }
}

/// The time that a flow needs for a volume; `None` at rate 0.
impl Div<Rate> for Volume {
    type Output = Option<Hours>;
    fn div(self, rate: Rate) -> Option<Hours> {
        (0.0 < rate.0).then(|| Hours(self.0 / rate.0))
    }
}

/// A figure with its interval: it cannot be had without one. The unit is that of the field that holds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

impl Estimate {
    /// Takes `low <= value <= high`, all finite; `None` otherwise.
    pub fn new(value: f64, low: f64, high: f64) -> Option<Self> {
        (low.is_finite() && high.is_finite() && low <= value && value <= high).then_some(Self {
            value,
            low,
            high,
        })
    }

    /// The same figure in another unit: value and limits times a factor above zero.
    pub fn scaled(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            low: self.low * factor,
            high: self.high * factor,
        }
    }
}
