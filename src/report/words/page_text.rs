//! The report page's own sentences and headings, and those of its script: the template holds none.

sentences! {
    TO_ANSWER = "To the answer";
    WHAT = "patency: review of an infusion record";
    CHECK_FIRST = "First question:";
    ALL_CHECKS = "All questions, from the pump to the patient";
    LINE_CAPTION = "The line from the containers to the vein, with the suspected stretch marked and the probability of each part (episode";
    ALSO_FOUND = "Also found:";
    KEEP_IN_MIND = "Keep in mind";
    TRACE_H = "Pressure and rate";
    TRACE_CAPTION = "Pressure and rate of each channel on one time axis. All channels have the same pressure scale. An episode is shaded from its onset to its relief; the bracket at its foot is the 90 % interval of the onset, in which it began with 90 % probability.";
    LINE_MARKED = "The line, with the suspected stretch marked.";
    HOW_LIKELY = "How likely is each part?";
    FINER = "Causes in detail";
    WHY = "Why?";
    NO_FINDING = "No single finding stands out; the probabilities come from the course of the pressure as a whole.";
    MISLEADS = "In detail, and when this misleads";
    IT_MISLEADS = "It misleads:";
    IN_ODDS = "In figures:";
    WHAT_TO_CHECK = "Was it checked? From the pump to the patient";
    SAME_ORDER = "The order is the same for every episode, so the likeliest part may come last.";
    FILTER_LAST = "The filter always does: a new filter can hide another cause for a while, and opening the line carries a risk of its own.";
    SUSPECTED_PART = "Suspected part:";
    NOT_TOLD = "What cannot be told";
    NOTHING_BEYOND = "Nothing in particular, beyond the cautions above.";
    IN_FIGURES = "In figures";
    FITS_H = "Best and second-best explanation";
    FITS_CAPTION = "The measured pressure of the channel on which the two differ most, with what the best and the second-best explanation expect. The record decides between them where they differ.";
    RESIDUALS = "Residuals: measured minus expected pressure";
    RESIDUALS_CAPTION = "Of the channel on which the best explanation leaves most. What it explains leaves noise around zero; a slow wave or a step is something that it does not explain.";
    LINE_H = "The line: resistance, outlet pressure, compliance";
    TRACK_CAPTION = "How hard it is to push fluid through all that lies below each pump. A wide band means that the record tells little at that moment, as when nothing flows.";
    LINE_TABLE = "Table: the line as each channel sees it";
    LINE_TABLE_CAPTION = "The line as each channel sees it, outside episodes";
    RESISTANCE_BELOW = "Resistance below the pump";
    ZERO_FLOW = "Pressure at zero flow";
    OWN_COMPLIANCE = "Own compliance";
    SLOPES_H = "Pressure against flow";
    SLOPES = "The slope of the line is the resistance; its height at zero flow is the pressure at the patient’s end. A blockage makes the slope steeper, a change of height moves the whole line. The first ten minutes after each change of rate are left out.";
    PAUSES_TABLE = "Table: pauses and restarts";
    PAUSES_H = "Pauses and restarts";
    NO_PAUSE = "No channel stood still.";
    PAUSES = "An open line falls to the outlet pressure within minutes of a stop, a blocked one slowly or not at all. Resistance that is higher after a restart speaks for a filter that blocks on what settled.";
    BEFORE_STOP = "Pressure before the stop";
    BEFORE_RESTART = "Just before the restart";
    AFTER_RESTART = "10 to 20 min after";
    RESISTANCE_CHANGE = "Resistance before → after, mmHg per mL/h";
    MORE_IN_JSON = "more stand in review.json.";
    EVENTS_TABLE = "Table: events";
    NO_EVENT = "The events file has no event within this record.";
    NO_EVENTS_FILE = "No events file was given.";
    DETAIL = "Detail, as written in the log";
    MORE_IN_EVENTS = "more stand in the events file.";
    ASSUMED = "What was assumed";
    NOTHING_ASSUMED = "Nothing beyond what the files say.";
    REJECTED_TABLE = "Table: rows that were not used";
    WHY_NOT_USED = "Why it was not used";
    MORE_REJECTED = "more; the first hundred stand in review.json.";
    ABOUT_H = "Methods and source files";
    METHOD = "Each explanation is a model of the line’s pressures and flows, fitted to the record; the probabilities compare how well they fit, moved by how often each cause occurs and by what was done and noted. Accuracy was measured on simulated lines and on data of a related kind: no open data of pump line pressure exists.";
    GLOSSARY_H = "The causes, explained";
    ITS_MARK = "Its mark:";
    MISTAKEN = "It can be mistaken:";
    SOURCE = "Source:";
    RESISTANCE_IS = "How many mmHg each mL/h needs to pass. A blockage raises it.";
    COMPLIANCE_IS = "How much a line stretches: µL held for each mmHg. A soft line takes longer to alarm and frees more at relief.";
    OUTLET_IS = "The pressure with no flow: that of the vein, plus the height of the pump over the heart.";
    INTERVAL_IS = "A 95 % interval is meant to hold the true value in 95 of 100 cases.";
    ODDS_ARE = "How many times likelier than not. “Odds × 8” makes a part eight times as likely, measured against the others.";
    OUTLET = "Outlet pressure";
    FILES_H = "The files";
    RECORD = "Record";
    PERIOD = "Period";
    REVIEWED_ON = "Date of review";
    PART = "Part";
    PROBABILITY = "Probability";
    BAR = "Bar";
    CAUSE = "Cause";
    CHANNEL = "Channel";
    STOP = "Stop";
    RESTART = "Restart";
    LENGTH = "Length";
    WHY_STOPPED = "Why";
    EVENTS_H = "Events";
    WHEN = "When";
    EVENT = "Event";
    LINE_NUMBER = "Line";
    COLUMN = "Column";
    CELL = "Cell";
    PROGRAM = "Program";
    WORDS = "Words";
    RESISTANCE = "Resistance";
    COMPLIANCE = "Compliance";
    INTERVAL = "Interval";
    ODDS = "Odds";
    EPISODE = "Episode";
    TITLE = "patency review";
    NAME = "patency";
}

/// Lines on paper, to be filled in by hand.
pub const TO_SIGN: [&str; 3] = ["Reviewed by", "Signature", "Date"];

/// What the page's script says, by the name that the script uses.
pub const SCRIPT: [(&str, &str); 15] = [
    (
        "closer",
        "Drag across the picture to zoom. With the keyboard: arrow keys move the cursor, plus and minus zoom, Home shows the whole record.",
    ),
    ("tools", "Zoom"),
    (
        "chart",
        "Pressure and rate over time; arrow keys move the cursor",
    ),
    (
        "thinned",
        "Each channel is thinned here to about 10,000 points; every highest and lowest value is kept.",
    ),
    ("expected", "expected"),
    ("no_pressure", "no pressure"),
    ("no_rate", "no rate"),
    ("since_start", "since the start"),
    ("zoom_in", "Zoom in"),
    ("zoom_out", "Zoom out"),
    ("earlier", "Earlier"),
    ("later", "Later"),
    ("whole_record", "Whole record"),
    (
        "tick_not_kept",
        "The tick could not be kept: the workbench does not answer. Start it again.",
    ),
    (
        "ticks_not_kept",
        "This browser keeps no ticks for files: they are gone when the page is closed. Print it to keep them.",
    ),
];
