//! Textbook numerics with their sources; knows no pump.

pub mod robust;
