//! The jobs from bytes to results, without files.
