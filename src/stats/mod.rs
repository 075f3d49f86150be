//! Textbook numerics with their sources; knows no pump.
