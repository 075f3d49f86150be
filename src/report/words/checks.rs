//! What to look at, and why: from the pump to the patient, the filter last.

use crate::infer::Check;

/// The thing to do, as one sentence.
pub fn check(check: Check) -> &'static str {
    match check {
        Check::PressureLimit => {
            "Compare the pressure limit with the pressure that this rate, fluid and catheter need."
        }
        Check::Supply => "Look above the pump: container empty, vent closed, clamp closed?",
        Check::SetInPump => "See that the syringe or set sits properly in the pump.",
        Check::ChannelTubing => {
            "Follow the channel’s tubing from the pump to the join: closed clamps, stopcocks, kinks, someone lying on it?"
        }
        Check::JoinAndMedication => {
            "At the join: what was given along? Ask pharmacy whether the fluids go together."
        }
        Check::PumpHeight => {
            "Was the pump or the patient raised or lowered? Check the pump’s height and zero."
        }
        Check::TailClamps => "Below the filter: clamps open, no kink on the way to the hub?",
        Check::DressingAndPosition => {
            "Look at the dressing, the hub and the position of limb and catheter."
        }
        Check::CatheterPatency => {
            "Have those licensed for it test whether the catheter is open. Never flush against resistance."
        }
        Check::InsertionSite => {
            "Look at and feel the insertion site: swelling, hardness, colour, leaking?"
        }
        Check::Filter => "The filter last: replace it once the other causes have been reviewed.",
    }
}

/// Why it is on the list.
pub fn check_reason(check: Check) -> &'static str {
    match check {
        Check::PressureLimit => "A limit set too low alarms with nothing blocked.",
        Check::Supply => {
            "A pump can go on counting volume with nothing coming in, and the pressure below it then falls."
        }
        Check::SetInPump => {
            "A badly seated syringe or set changes the pressure that the sensor reads."
        }
        Check::ChannelTubing => "A block here raises this channel’s pressure alone, and steeply.",
        Check::JoinAndMedication => {
            "Fluids that do not go together can form precipitate within minutes."
        }
        Check::PumpHeight => {
            "Each 10 cm of height shifts the pressure by about 7 mmHg, with nothing blocked."
        }
        Check::TailClamps => "A block here raises the pressure of all joined channels together.",
        Check::DressingAndPosition => {
            "A kink under the dressing, or a tip against the wall of the vein, comes and goes with movement."
        }
        Check::CatheterPatency => "A catheter narrows with time, whatever runs through it.",
        Check::InsertionSite => "A normal pressure does not exclude infiltration.",
        Check::Filter => {
            "A new filter can hide another cause for a while, and opening the line carries a risk of its own. If the filter did block, have pharmacy review what was infused."
        }
    }
}

/// Both in one line, as the JSON has them.
pub fn check_sentence(item: Check) -> String {
    format!("{} {}", check(item), check_reason(item))
}
