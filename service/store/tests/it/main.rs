//! The store on both databases.

#![expect(clippy::panic, reason = "a helper of tests says what it did not find")]

mod concurrency;
mod fixture;
mod migrations;
mod records;
mod schema_parity;
mod workflow;
