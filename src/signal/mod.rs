//! LAYER 2a: numbers become changes; knows no pump.
