//! The trace: samples per channel, and how the reading of the files went.

use super::Rhythm;
use crate::time::Span;

/// One pump channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// The channel's name in the trace; `pump` where the trace has no channel column.
    pub id: String,
    /// The samples, in order of time.
    pub samples: Samples,
    /// Usual distance between samples, seconds: the median of the differences; `None` with fewer than two samples.
    pub period_s: Option<f64>,
    /// Whether rows were written on change rather than by the clock: then the last value holds until the next row.
    pub on_change: bool,
    /// Stretches in which samples are missing.
    pub gaps: Vec<Span>,
}

/// Columns of equal length, sorted by time, times strictly rising.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Samples {
    /// Seconds from the record's start.
    pub t_s: Vec<f64>,
    /// Pressure at the pump's outlet sensor, gauge, mmHg; NaN = not measured.
    pub pressure_mmhg: Vec<f64>,
    /// Rate that the channel is set to and running at, mL/h; 0 while paused or stopped. Finite, not negative.
    pub rate_ml_h: Vec<f64>,
    /// Volume delivered so far, mL; NaN = not given.
    pub volume_ml: Vec<f64>,
    /// Pressure limit in force, mmHg; NaN = not given.
    pub limit_mmhg: Vec<f64>,
}

impl Channel {
    /// The channel read only up to a moment, seconds from the record's start.
    pub fn up_to(&self, t_s: f64) -> Self {
        let upto = self.samples.t_s.partition_point(|&t| t <= t_s);
        let cut = |column: &[f64]| column.get(..upto).unwrap_or(column).to_vec();
        let samples = Samples {
            t_s: cut(&self.samples.t_s),
            pressure_mmhg: cut(&self.samples.pressure_mmhg),
            rate_ml_h: cut(&self.samples.rate_ml_h),
            volume_ml: cut(&self.samples.volume_ml),
            limit_mmhg: cut(&self.samples.limit_mmhg),
        };
        let rhythm = Rhythm::of(&samples);
        Self {
            id: self.id.clone(),
            samples,
            period_s: rhythm.period_s,
            on_change: rhythm.on_change,
            gaps: rhythm.gaps,
        }
    }

    /// How far apart the pressure is looked at, seconds: the period, or, of a log on change, the least distance between rows;
    /// `None` with fewer than two samples.
    pub fn look_s(&self) -> Option<f64> {
        let t_s = &self.samples.t_s;
        let steps = t_s.iter().zip(t_s.iter().skip(1)).map(|(a, b)| b - a);
        if self.on_change {
            steps.reduce(f64::min)
        } else {
            self.period_s
        }
    }
}

impl Samples {
    /// Number of samples.
    pub fn len(&self) -> usize {
        self.t_s.len()
    }

    /// Whether there is no sample.
    pub fn is_empty(&self) -> bool {
        self.t_s.is_empty()
    }
}

/// How the reading of the trace and its companions went.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Intake {
    /// Data rows in the trace (header not counted).
    pub rows: u64,
    /// Rows not used; `rows_rejected <= rows`.
    pub rows_rejected: u64,
    /// The first hundred rejected rows, in the file's order.
    pub rejected: Vec<RejectedRow>,
    /// Rows that repeated an earlier one of the same channel and time (the last one counts), and so were not kept twice.
    pub repeats: u64,
    /// Rows that stood later in the file than a row of a later time, and were sorted in.
    pub out_of_order: u64,
    /// Things a reader of the report must know about the files.
    pub notices: Vec<Notice>,
}

/// A row that was not used, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct RejectedRow {
    /// Line in the file, from 1, header included.
    pub line: u64,
    /// The column at fault.
    pub column: String,
    /// The cell as it stood; empty where the column may identify a person.
    pub value: String,
    /// Why, in a few words: `not a number`.
    pub reason: String,
}

/// A figure of which two files say different things.
#[derive(Debug, Clone, PartialEq)]
pub struct Conflict {
    /// The channel.
    pub channel: String,
    /// When, as the trace writes time.
    pub time: String,
    /// Which figure: the trace's column.
    pub column: &'static str,
    /// What the earlier file has.
    pub earlier: f64,
    /// What the later file has; this counts.
    pub later: f64,
}

/// What a reader must know about the files: a closed set, worded by the report.
#[derive(Debug, Clone, PartialEq)]
pub enum Notice {
    /// No row of the events file lies within the trace's time.
    EventsOutsideTrace {
        /// How many events the file has.
        events: usize,
    },
    /// Some events lie outside the trace's time.
    SomeEventsOutsideTrace {
        /// How many of them.
        outside: usize,
    },
    /// Words in the event column that the contract does not know; kept and shown.
    UnknownEvents {
        /// The distinct words.
        words: Vec<String>,
    },
    /// An event or the line file names a channel that the trace does not have.
    UnknownChannel {
        /// Which file: `events` or `line`.
        file: &'static str,
        /// The name.
        channel: String,
    },
    /// Columns that may identify a person were dropped unread.
    IdentityColumnsDropped {
        /// Their headers.
        columns: Vec<String>,
    },
    /// A sheet holds as many rows as a sheet can: what came after them was probably cut off.
    SheetFull {
        /// How many that are.
        rows: u64,
    },
    /// Columns that the contract does not know were ignored.
    ColumnsIgnored {
        /// Their headers.
        columns: Vec<String>,
    },
    /// A channel's volume counter falls: not possible within one infusion; the trace may hold two.
    VolumeFalls {
        /// The channel.
        channel: String,
        /// Line in the file where it falls first.
        line: u64,
    },
    /// Pressures outside what a line can bear: likely another unit.
    ImplausiblePressure {
        /// The channel.
        channel: String,
        /// The highest or lowest pressure found, mmHg.
        pressure_mmhg: f64,
    },
    /// At every occlusion alarm the pressure stood at the share of the limit that it would in another unit.
    UnitSuspected {
        /// The channel.
        channel: String,
        /// The unit that it may be in.
        unit: &'static str,
    },
    /// No pressure at all was measured on this channel.
    NoPressure {
        /// The channel.
        channel: String,
    },
    /// Rows of one channel and time that do not agree (the last one counts): the trace may hold two infusions.
    ConflictingRepeats {
        /// The channel.
        channel: String,
        /// How many rows disagree with an earlier one of the same time.
        rows: u64,
        /// Line in the file of the first of them.
        line: u64,
    },
    /// An infusion of the trace of which no row could be used, and which therefore has no record.
    InfusionUnread {
        /// Its name in the trace.
        infusion: String,
        /// How many rows it has.
        rows: u64,
    },
    /// Rows of the events file that could not be used.
    EventRowsRejected {
        /// How many.
        rows: u64,
        /// The first hundred, in the file's order.
        rejected: Vec<RejectedRow>,
    },
    /// Events of infusions that the trace does not have, left aside.
    EventsOfOtherInfusions {
        /// How many.
        events: usize,
    },
    /// Cells with a word or a comparator in the place of a figure, read as "not measured".
    CellsMissing {
        /// The column.
        column: String,
        /// The distinct words.
        words: Vec<String>,
        /// How many cells.
        cells: u64,
    },
    /// Rows of a table with one value each whose value is none of the four figures, left aside.
    ParametersIgnored {
        /// Their names.
        names: Vec<String>,
        /// How many rows.
        rows: u64,
    },
    /// Rows in the hour that comes twice when summer time ends; which of the two was told by the order of rows.
    HourTwice {
        /// Which file: `trace` or `events`.
        file: &'static str,
        /// How many rows.
        rows: u64,
    },
    /// Columns whose names may identify a person or a device, and were replaced by running names.
    NamesReplaced {
        /// Their headers.
        columns: Vec<String>,
    },
    /// Messages that were not used without being at fault: demonstrations, other kinds.
    MessagesAside {
        /// Why.
        reason: String,
        /// How many.
        messages: u64,
    },
    /// Messages that came twice and were counted once.
    MessagesTwice {
        /// How many came again.
        messages: u64,
    },
    /// Codes in messages whose number and name mean different things; the number counted where it is known.
    CodesDisagree {
        /// Their names as sent.
        codes: Vec<String>,
    },
    /// Pressures in messages that are not those at a pump's outlet, and were not used.
    PressuresElsewhere {
        /// Their codes.
        codes: Vec<String>,
        /// How many.
        observations: u64,
    },
    /// Observations in messages that were deleted or withdrawn (OBX-11), and removed.
    ObservationsRetracted {
        /// How many.
        observations: u64,
    },
    /// Times in messages that had no offset, and took one from elsewhere.
    OffsetsLent {
        /// From where.
        from: &'static str,
        /// How many.
        times: u64,
    },
    /// What the clock that a pump shows was ahead of the one that its messages were stamped with.
    DeviceClock {
        /// The pump, or the channel it is.
        channel: String,
        /// Seconds; below zero where the pump's clock is behind.
        offset_s: f64,
        /// Whether the events were moved by it.
        applied: bool,
    },
    /// What a pump's messages about its deliveries come to.
    Deliveries {
        /// The channel.
        channel: String,
        /// Stretches at one rate.
        segments: u64,
        /// Ends after which another stretch followed at once.
        transitions: u64,
        /// Ends after which nothing was delivered.
        stops: u64,
    },
    /// Several traces of the same pumps were put together; rows that stood in more than one count once.
    ExportsMerged {
        /// How many traces.
        files: usize,
        /// Rows that stood in more than one.
        rows_twice: u64,
        /// Figures in which such rows disagree; the later file's counts.
        conflicts: u64,
        /// The first hundred of these.
        first: Vec<Conflict>,
    },
    /// Events that stood in more than one file, counted once.
    EventsTwice {
        /// How many came again.
        events: usize,
    },
    /// How far the events' clock lies from the trace's, by the stops, starts and changes of rate that both tell.
    EventsClock {
        /// The events' clock less the trace's, seconds.
        offset_s: f64,
        /// Half the width in which it lies, seconds.
        within_s: f64,
        /// Events that found their change in the trace.
        pairs: u64,
    },
    /// A channel's clock had jumped by years for some rows, as one does that begins anew.
    ClockReset {
        /// The channel.
        channel: String,
        /// Rows whose time is known by where they stand.
        placed: u64,
        /// By how much that may be wrong, seconds.
        within_s: f64,
        /// Rows that have no time, and were not used.
        lost: u64,
    },
    /// A channel's clock was set back, so that some times stand twice; the rows before were moved earlier by as much.
    ClockSetBack {
        /// The channel.
        channel: String,
        /// Line in the file of the first row by the new clock.
        line: u64,
        /// By how much, seconds; right to one period, if the pump wrote on meanwhile.
        by_s: f64,
        /// Rows before it, which were moved.
        rows: u64,
    },
    /// Events of pumps that are no channel of the trace, left aside.
    EventsOfOtherPumps {
        /// How many.
        events: usize,
    },
}
