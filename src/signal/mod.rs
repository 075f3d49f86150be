//! LAYER 2a: numbers become changes; knows no pump.

mod rounding;

pub use rounding::rounding_step;
