//! What may identify somebody and stands in a file that is to be given away. What it is, never the thing itself.

/// One finding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Survivor {
    /// The file as the user named it, or its place in the folder that was.
    pub file: String,
    /// Line, from 1; 0 where it stands in no line.
    pub line: u64,
    /// The column's header, where the file is a table.
    pub column: Option<String>,
    /// What it looks like.
    pub looks_like: Looks,
}

/// What a text looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Looks {
    /// The header of a column that may identify somebody.
    IdentityColumn,
    /// A date with day and month.
    Date,
    /// A run of seven digits or more: a record number, a serial number, a telephone number.
    LongNumber,
    /// An address of electronic mail.
    Mail,
    /// The address of a network card (MAC, EUI-64).
    Hardware,
    /// An address of the internet protocol.
    Internet,
    /// A name that a document bears of who made or changed it.
    Person,
    /// A comment to a cell, which is free text.
    Comment,
    /// A hidden sheet.
    HiddenSheet,
}
