//! LAYER 3: results become text and pictures.
