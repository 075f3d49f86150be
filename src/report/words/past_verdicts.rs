//! How often verdicts on made records were right. Written by `scripts/verdicts/make.py` from `ACCURACY.md`.

use crate::infer::Confidence;

/// Records on which it was measured.
pub const RECORDS: u32 = 1000;

/// Of the verdicts with this certainty: per cent that named the right part, and how many there were.
pub const BY_CERTAINTY: [(Confidence, u32, u32); 2] =
    [(Confidence::High, 98, 653), (Confidence::Moderate, 75, 201)];

/// Of the verdicts that named this site, in the order of `Site::ALL`, where the record could tell: how many were right, of how many.
pub const BY_SITE: [(u32, u32); 6] = [
    (52, 56),
    (123, 127),
    (168, 175),
    (259, 270),
    (14, 17),
    (78, 81),
];
