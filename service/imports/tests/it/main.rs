//! Whole files into both databases.

#![expect(clippy::unwrap_used, clippy::panic, reason = "helpers of tests may stop the test")]

mod bad_input;
mod files;
mod fixture;
mod round_trip;
