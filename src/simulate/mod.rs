//! The simulator: a scenario becomes a made record whose truth is known.
