//! Tests of the whole program and of the crate's public face, in one binary (linking is most of their cost).
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod bad_input;
mod cohorts;
mod contract_review;
mod expect;
mod inspect;
mod map;
mod priors;
mod program;
mod reference;
mod reference_cox;
mod reference_rates;
mod reference_survival;
mod report_page;
mod report_page_survey;
mod report_pdf;
mod report_pictures;
mod report_text;
mod sample_reviews;
mod samples;
mod scenes;
mod segments;
mod serve;
mod survey;
mod survey_edges;
mod tidy;
