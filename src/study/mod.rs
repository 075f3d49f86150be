//! Reviews become a survey.
