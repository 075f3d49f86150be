//! LAYER 1: bytes become a record.
