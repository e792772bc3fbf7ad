//! The store on both databases.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "helpers of tests may stop the test"
)]

mod concurrency;
mod fixture;
mod import_previews;
mod migrations;
mod records;
mod schema_parity;
mod weather;
mod wordings;
mod workflow;
