//! Storage: a channel's compliance that falls with pressure, what it holds, and the column up to its pump.
//!
//! In: a channel of the scenario and a pressure. Out: mL/mmHg, mL, mmHg.

use super::scenario::Channel;
use crate::units::MMHG_PER_CM_WATER;

/// Pressure over which a compliance softens, mmHg; and the mean of e^(-P/80) over 0 to 200 mmHg.
const SOFT_MMHG: f64 = 80.0;
const SOFT_MEAN: f64 = 0.367;

/// Pressure of the column between a pump and the heart, mmHg.
pub(super) fn column(height_cm: f64) -> f64 {
    height_cm * MMHG_PER_CM_WATER
}

/// The share of a channel's compliance that a node of it has.
pub(super) fn share(channel: &Channel, node: usize) -> f64 {
    if node.is_multiple_of(2) {
        1.0 - channel.tube_share
    } else {
        channel.tube_share
    }
}

/// Compliance at a pressure, mL/mmHg; the formula stands at [`Channel::softening`].
pub(super) fn compliance(channel: &Channel, mmhg: f64) -> f64 {
    let soft = (-mmhg.clamp(-40.0, 2000.0) / SOFT_MMHG).exp() - SOFT_MEAN;
    channel.compliance_ul_per_mmhg / 1000.0 * (1.0 + channel.softening * soft)
}

/// Integral of [`compliance`] between two pressures, mL.
pub(super) fn stored(channel: &Channel, low: f64, high: f64) -> f64 {
    let s = channel.softening;
    let soft = SOFT_MMHG * ((-low / SOFT_MMHG).exp() - (-high / SOFT_MMHG).exp());
    channel.compliance_ul_per_mmhg / 1000.0 * ((high - low) * (1.0 - s * SOFT_MEAN) + s * soft)
}
