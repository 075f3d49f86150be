//! Events: what people and pumps did, as the events file has it.

/// One row of the events file.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Seconds from the record's start.
    pub t_s: f64,
    /// The channel; `None` = the whole line.
    pub channel: Option<String>,
    /// What happened.
    pub kind: EventKind,
    /// The word in the file (for [`EventKind::Unknown`] the only trace of it).
    pub word: String,
    /// Free text of the file.
    pub detail: String,
}

macro_rules! event_kinds {
    ($($(#[$doc:meta])* $variant:ident = $word:literal,)*) => {
        /// The contract's events.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum EventKind {
            $($(#[$doc])* $variant,)*
            /// A word that the contract does not know; kept and shown.
            Unknown,
        }

        impl EventKind {
            /// The contract's words, in its order.
            pub const WORDS: &'static [&'static str] = &[$($word,)*];

            /// Reads the contract's word; anything else is [`EventKind::Unknown`].
            pub fn from_word(word: &str) -> Self {
                match word {
                    $($word => Self::$variant,)*
                    _ => Self::Unknown,
                }
            }

            /// The contract's word; `unknown` for an unknown one.
            pub fn word(self) -> &'static str {
                match self {
                    $(Self::$variant => $word,)*
                    Self::Unknown => "unknown",
                }
            }
        }
    };
}

event_kinds! {
    /// The channel starts.
    Start = "start",
    /// The channel stops.
    Stop = "stop",
    /// Somebody pauses the channel.
    Pause = "pause",
    /// The channel runs again.
    Resume = "resume",
    /// A new rate; the detail bears it.
    RateChange = "rate_change",
    /// A bolus begins.
    BolusStart = "bolus_start",
    /// A bolus ends.
    BolusEnd = "bolus_end",
    /// The pump alarmed for occlusion.
    OcclusionAlarm = "occlusion_alarm",
    /// Any other alarm; the detail bears its reason.
    Alarm = "alarm",
    /// An alarm was cleared.
    AlarmCleared = "alarm_cleared",
    /// A new pressure limit; the detail bears it.
    LimitChange = "limit_change",
    /// The in-line filter was replaced.
    FilterChange = "filter_change",
    /// The tubing set was replaced.
    SetChange = "set_change",
    /// The catheter was replaced.
    CatheterChange = "catheter_change",
    /// The line was flushed.
    Flush = "flush",
    /// A clamp was closed.
    ClampClosed = "clamp_closed",
    /// A clamp was opened.
    ClampOpened = "clamp_opened",
    /// A medication began to run into the line.
    MedicationStart = "medication_start",
    /// A medication ended.
    MedicationEnd = "medication_end",
    /// The patient was moved or turned.
    PatientMoved = "patient_moved",
    /// The pump was moved; the detail bears the height in cm.
    PumpMoved = "pump_moved",
    /// A remark.
    Note = "note",
}
