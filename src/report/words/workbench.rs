//! Sentences of the workbench's pages.

use super::count;

/// What a worker is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Phase {
    /// Reading the files.
    Reading,
    /// Looking for episodes and their causes.
    Reviewing,
    /// Drawing the report.
    Drawing,
}

/// What a worker is doing, in a sentence.
pub fn phase(phase: Phase) -> &'static str {
    match phase {
        Phase::Reading => "The files are being read.",
        Phase::Reviewing => "The record is being reviewed.",
        Phase::Drawing => "The report is being drawn.",
    }
}

sentences! {
    WORKBENCH = "patency workbench";
    WHAT_IT_IS = "Looks back at infusion records. Everything stays on this computer.";
    TO_CONTENT = "To the content";
    RECORDS = "Records";
    SURVEY = "Survey";
    KEEP_IN_MIND = "Keep in mind";
    AT_THE_PATIENT = "And for each patient";
    HOME_TITLE = "Review a pump record";
    DROP = "Drop the files of one infusion here, or choose them";
    DROP_WHAT = "The trace (pressure and rate over time) is needed. The events and the description of the line, where there are any, make the answer surer. A mapping file may be added for an export in another form.";
    READ_FILES = "Read the files";
    SENDING = "Uploading …";
    NOT_SENT = "The files did not arrive: the workbench does not answer. Start it again and give the files once more. What was there before is kept.";
    PAST = "Your records";
    NONE_YET = "None so far.";
    RECORD = "Record";
    ANSWER = "Answer or state";
    CHOOSE = "Compare";
    COMPARE_CHOSEN = "Compare the two chosen";
    EARLIER = "Earlier ones";
    LATER = "Later ones";
    STATE_READING = "The files are being read";
    STATE_ASKING = "Something about the files must be answered";
    STATE_UNDERSTOOD = "Read; waits for you to confirm";
    STATE_UNREADABLE = "The files cannot be read as they are";
    STATE_WAITING = "Waits for its review";
    STATE_REVIEWING = "Is being reviewed";
    STATE_DONE = "Reviewed";
    STATE_FAILED = "Could not be reviewed";
    STATE_CANCELLED = "Stopped";
    IN_LINE = "It waits for its turn: other records are before it.";
    BUSY_TITLE = "One moment";
    SILENT = "The workbench does not answer. Start it again: what was begun is then taken up.";
    STOP = "Stop";
    REFRESHES = "This page updates by itself.";
    THE_FILES = "The files";
    FILE = "File";
    SIZE = "Size";
    IS_THE = "It is";
    ROLE_TRACE = "the trace";
    ROLE_EVENTS = "the events";
    ROLE_LINE = "the description of the line";
    ROLE_MAPPING = "the mapping: how the export is to be read";
    ROLE_ASIDE = "not to be used";
    READ_ANEW = "Read again";
    UNDERSTOOD_TITLE = "Is this right?";
    UNDERSTOOD_WHAT = "Compare with what you know of the infusion: its time, its channels, the range of its figures. A wrong unit or a wrong file shows here.";
    CHANNEL = "Channel";
    SAMPLES = "Samples";
    PRESSURE = "Pressure";
    RATE = "Rate";
    NOT_MEASURED = "not measured";
    ROWS = "Rows in the trace";
    EVENTS = "Events";
    NO_EVENTS = "no events file was given: everything is told from the trace alone, with less certainty";
    LINE = "Line";
    LINE_GIVEN = "described by its file";
    NO_LINE = "no file describes it: wide ranges are assumed";
    TO_KNOW = "To know of the files";
    NOT_USED = "Rows that were not used";
    LINE_NUMBER = "Line";
    COLUMN = "Column";
    CELL = "Cell";
    WHY = "Why it was not used";
    WHICH_INFUSION = "Which infusion should be reviewed?";
    CONFIRM = "Yes, review it";
    HOW_READ = "How the files are read";
    HOW_READ_WHAT = "Each line says which column is what, and why that was found.";
    BY_HAND = "Change it by hand";
    MAPPING_TEXT = "The mapping";
    READ_THUS = "Read the files like this";
    ASKING_TITLE = "A few details are needed";
    ASKING_WHAT = "Nothing in the files proves the answer to these questions, and a wrong guess would change a time or a figure. Nothing is read until they are answered.";
    YOUR_ANSWER = "Your answer";
    GIVE_ANSWERS = "Read the files with these answers";
    UNREADABLE_TITLE = "The files cannot be read as they are";
    FAILED_TITLE = "The review could not be made";
    CANCELLED_TITLE = "This was stopped";
    CANCELLED_WHAT = "Nothing came out of it. The files are still there.";
    WHAT_TO_DO = "What to do:";
    KEEP_GOING_HINT = "mend these rows in the file, or leave them out: the report then says which";
    KEEP_GOING = "Leave such rows out and read on";
    BEGIN_AGAIN = "Begin again";
    REMOVE = "Remove the record";
    REMOVE_WHAT = "Removes the record, its files in the data folder and its review. The files that you gave stay where they were.";
    SAVE_REPORT = "Save the report";
    SAVE_JSON = "Save the figures (JSON)";
    SAVE_MAPPING = "Save the mapping";
    COMPARE_TITLE = "Two reviews side by side";
    WHEN = "When";
    CHECK_FIRST = "First question";
    HOW_LIKELY = "How likely is each part";
    EPISODES = "Episodes";
    NO_EPISODE = "none was found";
    THE_LINE = "The line as each channel sees it";
    RESISTANCE_BELOW = "resistance below the pump";
    ZERO_FLOW = "pressure at zero flow";
    COMPLIANCE = "own compliance";
    PAUSES = "Pauses of the line";
    ASSUMED = "What was assumed";
    NOTHING_ASSUMED = "nothing beyond what the files say";
    THE_ANSWER = "Answer";
    PICTURES = "Pressure and rate";
    FULL_REPORT = "The whole report";
    CHOOSE_TWO = "Two reviewed records are to be chosen";
    CHOOSE_TWO_HINT = "tick two records in the list that have been reviewed";
    NO_SURVEY_TITLE = "There is no survey yet";
    NO_SURVEY = "A survey says across many infusions how often, where and after what flow was obstructed. It is made on the command line:";
    NO_SURVEY_WHERE = "Its page then shows here.";
    BACK = "Back to the records";
    PROBLEM_TITLE = "That did not work";
    NOT_FOUND = "there is no such page or record here";
    NOT_FOUND_HINT = "it may have been removed in another window";
    OTHERWISE_NOW = "the record has gone on meanwhile, perhaps in another window";
    LOOK_AGAIN = "look at it again";
    REFUSED_HOST = "This request was sent to a name that is not this workbench’s.";
    REFUSED_ORIGIN = "This request comes from another page than the workbench’s own.";
    REFUSED_TOKEN = "This window is not signed in to the workbench. Run `patency serve` again with the same data folder, also while the workbench runs: it opens a new window.";
    REFUSED_USED = "An address opens the workbench once, and this one was used or has expired. Run `patency serve` again with the same data folder, also while the workbench runs: it opens a new window.";
    OPEN_IT = "Open the workbench";
    REFUSED_METHOD = "The workbench does not do this.";
    THE_MAPPING = "the mapping";
    MAPPING_CONFIRMED = "an export in another form, read as confirmed in the workbench";
    NO_SUCH_INFUSION = "the trace has no infusion of that name any more";
    CHOOSE_INFUSION = "begin again and choose one of those it has";
    NO_TRACE = "none of the files is the trace";
    SAY_WHICH_IS_TRACE = "say below which of the files holds pressure and rate over time";
    NO_FILE = "no file was chosen";
    CHOOSE_A_FILE = "choose the trace, and with it the events and the line where there are any";
    ONE_RECORD_AT_A_TIME = "give the files of one infusion at a time";
    GIVE_IN_PARTS = "give the record in parts, or raise the limit with --largest-mb";
    TOO_SLOW = "the files came in too slowly, and the upload was ended";
    BROKEN_OFF = "the upload broke off before it was whole";
    TRY_AGAIN = "give the files once more";
    CANNOT_BE_KEPT = "the files cannot be kept";
    MAKE_SPACE = "is the disk full? Remove records that are no longer needed";
    TOO_MUCH_AT_ONCE = "too many records are waiting";
    WAIT_A_LITTLE = "wait until some of them are done, then give the files once more";
    ANOTHER_RUNS = "another workbench is running on this data folder and does not say at which address";
    ANOTHER_RUNS_HINT = "go on in its window, stop it first, or name another folder with --data";
    NOT_PRIVATE_HINT = "name a folder of your own with --data";
    NAME_TOO_LONG = "the name of a file is too long, or the form is not a browser’s";
    SHORTER_NAME = "give the file a shorter name";
    NOT_OURS = "this folder holds other files and is not a workbench’s: nothing in it was changed";
    LEADS_ELSEWHERE = "expected a file or folder of the workbench’s own, found a link or something else in its place";
    LEADS_ELSEWHERE_HINT = "move it away, or name another folder with --data";
    STORE_DAMAGED_HINT = "nothing was changed. Put a good copy of this file in its place, or name another folder with --data";
    DATA_FOLDER_HINT = "name a folder you may write to, with space left, with --data";
    PROGRAM_FAILED = "the program failed on this record";
    PROGRAM_FAILED_HINT = "please report it with the record, if it may be shared";
    JOB_TOO_LARGE_HINT = "give a shorter part of the record, or start the workbench with a larger --job-mb";
    JOB_TOO_LONG_HINT = "give a shorter part of the record, or start the workbench with a larger --job-seconds";
    JOB_ENDED_HINT = "begin again. Where it happens once more, give a shorter part of the record: the machine may be short of memory";
    PORT_HINT = "leave out --port, or name another one";
    STORE_HINT = "is the disk full, or the data folder on a share that cannot lock files?";
    LATER_STORE_HINT = "use the later patency, or name another folder with --data";
}

/// What to do about a folder of somebody else.
pub fn not_ours_hint(dir: &std::path::Path) -> String {
    let within = dir.join("patency");
    format!(
        "name an empty folder or a new one with --data, for example --data {}",
        within.display()
    )
}

/// A folder that others may look into.
pub fn not_private(why: &std::io::Error) -> String {
    format!("it cannot be made readable by its owner alone: {why}")
}

/// What is printed when the workbench has started.
pub fn runs_at(url: &str, folder: &std::path::Display<'_>) -> String {
    format!(
        "The workbench is open: {url}\nRecords are kept in {folder}. The address works once; run the same command again for another window.\nCtrl C ends the workbench.\n"
    )
}

/// What is printed when it was running already.
pub fn ran_at(url: &str, folder: &std::path::Display<'_>) -> String {
    format!("The workbench of {folder} is running already: {url}\nThe address works once.\n")
}

/// A store that cannot be read.
pub fn store_damaged(why: &str) -> String {
    format!("this store of the workbench is damaged: {why}")
}

/// Files that belong to no record, beside a store that has none.
pub fn files_without_records(files: usize, dir: &std::path::Path) -> String {
    format!(
        "the workbench’s store is empty, but {} in {}: left as they are",
        count(files as u64, "file lies", "files lie"),
        dir.display()
    )
}

/// Work that took more memory than it may.
pub fn job_too_large(bytes: u64) -> String {
    format!(
        "the work on this record was ended: it needed more than {} of memory",
        size(bytes)
    )
}

/// Work that took more time than it may.
pub fn job_too_long(most: std::time::Duration) -> String {
    format!(
        "the work on this record was ended: it took longer than {} s",
        most.as_secs()
    )
}

/// Work that was ended from outside.
pub fn job_ended(signal: i32) -> String {
    format!("the work on this record was ended from outside the workbench (signal {signal})")
}

/// Work that did not begin.
pub fn job_cannot_start(why: &std::io::Error) -> String {
    format!("the work on this record cannot be started: {why}")
}

/// Too many files in one upload.
pub fn too_many_files(most: usize) -> String {
    format!("there are more than {most} files")
}

/// Too many bytes in one upload.
pub fn too_large(most_bytes: u64) -> String {
    format!("the files are larger than {}", size(most_bytes))
}

/// `12 kB`, `3.4 MB`: decimal, as file managers say it.
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1_000 => format!("{bytes}\u{a0}B"),
        1_000..1_000_000 => format!("{}\u{a0}kB", bytes.div_ceil(1000)),
        1_000_000..1_000_000_000 => format!("{:.1}\u{a0}MB", bytes as f64 / 1e6),
        _ => format!("{:.1}\u{a0}GB", bytes as f64 / 1e9),
    }
}

/// How many infusions are not listed.
pub fn infusions_left(n: usize) -> String {
    format!("{} not listed.", count(n as u64, "more is", "more are"))
}

/// How many rejected rows are not listed.
pub fn rejected_left(n: u64) -> String {
    format!("{} not listed.", count(n, "more is", "more are"))
}

/// Label of the box that chooses a record for the comparison.
pub fn choose(record: &str) -> String {
    format!("compare {record}")
}

/// Label of the list that says what a file is.
pub fn what_is(file: &str) -> String {
    format!("what {file} is")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_have_a_unit_and_few_digits() {
        assert_eq!(size(0), "0\u{a0}B");
        assert_eq!(size(1001), "2\u{a0}kB");
        assert_eq!(size(3_449_999), "3.4\u{a0}MB");
        assert_eq!(size(2 << 30), "2.1\u{a0}GB");
    }
}
