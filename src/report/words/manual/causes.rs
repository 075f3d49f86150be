//! The manual's pages of the causes.

use super::ManualPage;
use crate::infer::Cause;

const BLOCKING: &str = "Blocking laws at constant rate: Hermia, Trans IChemE 60 (1982) 183–187, and Hlavacek and Bouchet, J Membr Sci 82 (1993) 285–295 (both cited from memory); review: Iritani and Katagiri, KONA 33 (2016) 179–202.";

/// The page of a cause.
pub fn cause_page(cause: Cause) -> ManualPage {
    match cause {
        Cause::SupplyStopped => ManualPage {
            name: "supply-stopped",
            title: "Supply stopped above the pump",
            is: "The container is empty or unvented, or a clamp above the pump is closed. The pump turns, but nothing comes in.",
            mark: "The pressure falls to that of the vein, or below, while the set rate goes on. The volume counter may go on too.",
            misleads: "A line that opens, or a pump that is lowered, also lets the pressure fall.",
            source: "Hazard report on pumps that run without delivering: Health Devices 15 (1986) 182–184.",
        },
        Cause::TubingBlocked => ManualPage {
            name: "tubing-blocked",
            title: "Kink or closed clamp on one channel’s tubing",
            is: "The channel’s own tubing is shut between its pump and the join.",
            mark: "This channel climbs alone, in a straight line and steeply; the other channels fall, because less reaches what they share.",
            misleads: "With a single channel recorded it looks like a block further down.",
            source: "The line equations: the climb is the rate over the compliance up to the block.",
        },
        Cause::FilterLoading => ManualPage {
            name: "filter-loading",
            title: "Filter loading up",
            is: "Droplets and particles close the filter’s pores little by little.",
            mark: "The resistance grows with the volume filtered, alike for all joined channels; it stands still in a pause and is back at its baseline after a filter change.",
            misleads: "At one constant rate, volume and time run together: then a narrowing catheter looks the same.",
            source: BLOCKING,
        },
        Cause::FilterSettling => ManualPage {
            name: "filter-settling",
            title: "Filter blocking at restarts",
            is: "What settles on the filter while the flow stands still blocks pores when it starts again.",
            mark: "The resistance is higher after each long pause, by jumps.",
            misleads: "Staff also pause because the pressure is rising; then the pause follows the cause.",
            source: "Common practice, no source; whether pauses do block filters is what a survey of many records asks.",
        },
        Cause::FilterPrecipitate => ManualPage {
            name: "filter-precipitate",
            title: "Precipitate in the filter",
            is: "Two fluids that do not go together form solids, which the filter holds back, as it should.",
            mark: "The resistance rises within minutes to tens of minutes of the start of a medication.",
            misleads: "A medication started by chance at the onset of something else.",
            source: "Deaths from calcium phosphate in parenteral nutrition: Lattarulo, Clin Nutr 14 (1995) 61–63; a later cluster: Shay et al., Infect Control Hosp Epidemiol 18 (1997) 814–817.",
        },
        Cause::CatheterNarrowing => ManualPage {
            name: "catheter-narrowing",
            title: "Catheter narrowing",
            is: "Fibrin, thrombus or deposit narrows the lumen.",
            mark: "The resistance grows with time, whatever the volume; a flush may relieve it in part; a filter change does nothing to it.",
            misleads: "At one constant rate it looks like a filter that loads up.",
            source: "Signs of catheter occlusion in clinical guidelines; the law of growth is an assumption of the model.",
        },
        Cause::CatheterBlocked => ManualPage {
            name: "catheter-blocked",
            title: "Clamp closed or kink below the filter",
            is: "The line is shut below the filter, at the hub or in the catheter, at one go.",
            mark: "All channels climb together, at the sum of their rates over the sum of their compliances.",
            misleads: "With sparse samples the climb is not seen, and the distance of the block cannot be told.",
            source: "The line equations.",
        },
        Cause::CatheterPositional => ManualPage {
            name: "catheter-positional",
            title: "Catheter that opens and closes with movement",
            is: "The tip lies against the wall of the vein, or the catheter kinks under the dressing, depending on how the patient lies.",
            mark: "The pressure comes and goes two or more times, often between the same two levels.",
            misleads: "A clamp that is opened and closed in the course of care.",
            source: "Signs of catheter occlusion in clinical guidelines; the pattern is common practice, no source.",
        },
        Cause::LimitTooLow => ManualPage {
            name: "limit-too-low",
            title: "Pressure limit too low",
            is: "Nothing is blocked: rate, fluid and a thin catheter need a pressure near the limit.",
            mark: "The resistance is what it was; the pressure crosses the limit after a change of rate or fluid.",
            misleads: "A resistance that had already been rising for a while before the rate was changed.",
            source: "Poiseuille’s law: water through a catheter of 0.17 mm by 20 cm takes about 20 mmHg for each mL/h.",
        },
        Cause::HeightChange => ManualPage {
            name: "height-change",
            title: "Pump or patient raised or lowered",
            is: "The weight of the fluid column changes; nothing is blocked.",
            mark: "The pressure shifts by the same amount at every rate: 0.74 mmHg for each centimetre of water.",
            misleads: "At one constant rate a step of resistance looks the same.",
            source: "Hydrostatics: the weight of a column of water.",
        },
        Cause::Artefact => ManualPage {
            name: "artefact",
            title: "Artefact",
            is: "A cough, crying, a knock on the line or a slip of the sensor; nothing is blocked.",
            mark: "It lasts seconds to a minute, and the pressure is back where it was.",
            misleads: "A catheter that closes for a moment with movement.",
            source: "Common practice, no source.",
        },
    }
}
