//! The engine against published figures, reference libraries and closed forms.
//!
//! Expected values, tolerances and sources are in `tests/data/expected.json`; origins of the data
//! in `tests/data/README.md`. Every value of every case must be looked at: a case ends by
//! asserting that none was left out.
#![expect(clippy::unwrap_used, clippy::panic, reason = "helpers of tests may stop the test")]

mod curves;
mod decisions;
mod fits;
mod frailty;
mod harness;
mod laws;
mod measurements;
mod posteriors;
mod printed;
mod recovery;
mod regressions;
