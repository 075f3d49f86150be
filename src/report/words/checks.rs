//! What was to be looked at, and why: from the pump to the patient, the filter last. All of it is asked about the past.

use crate::infer::Check;

/// The question, as a sentence or two.
pub fn check(check: Check) -> &'static str {
    match check {
        Check::PressureLimit => {
            "Was the pressure limit high enough for this rate, fluid and catheter?"
        }
        Check::Supply => {
            "Was the supply above the pump checked: container empty, vent closed, clamp closed?"
        }
        Check::SetInPump => "Was the syringe or set seated properly in the pump?",
        Check::ChannelTubing => {
            "Was the channel’s tubing checked from the pump to the Y-site: closed clamps, stopcocks, kinks, someone lying on it?"
        }
        Check::JoinAndMedication => {
            "What was co-infused at the Y-site? Was pharmacy asked about compatibility?"
        }
        Check::PumpHeight => {
            "Was the pump or the patient raised or lowered? Were the pump’s height and zero checked?"
        }
        Check::TailClamps => {
            "Was the line below the filter checked: clamps open, no kink on the way to the hub?"
        }
        Check::DressingAndPosition => {
            "Were the dressing, the hub and the position of limb and catheter checked?"
        }
        Check::CatheterPatency => "Was catheter patency tested by authorised staff?",
        Check::InsertionSite => {
            "Was the insertion site checked: swelling, hardness, colour, leaking?"
        }
        Check::Filter => {
            "Last, the filter: was it replaced after the other causes had been reviewed?"
        }
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
        Check::ChannelTubing => {
            "An obstruction here raises this channel’s pressure alone, and steeply."
        }
        Check::JoinAndMedication => "Incompatible fluids can form precipitate within minutes.",
        Check::PumpHeight => {
            "Each 10 cm of height shifts the pressure by about 7 mmHg, with nothing blocked."
        }
        Check::TailClamps => {
            "An obstruction here raises the pressure of all joined channels together."
        }
        Check::DressingAndPosition => {
            "A kink under the dressing, or a tip against the wall of the vein, comes and goes with movement."
        }
        Check::CatheterPatency => {
            "A catheter narrows with time, whatever runs through it. Never flush against resistance."
        }
        Check::InsertionSite => "A normal pressure does not exclude infiltration.",
        Check::Filter => {
            "A new filter can hide another cause for a while, and opening the line carries a risk of its own. If the filter was obstructed: was what was infused reviewed by pharmacy?"
        }
    }
}

/// Both in one line, as the JSON has them.
pub fn check_sentence(item: Check) -> String {
    format!("{} {}", check(item), check_reason(item))
}
