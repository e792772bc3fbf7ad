//! The crate against published tables, real records and values computed apart from it.
//! Origins and licences: `tests/data/README.md`, `seed/weather/README.md`.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test that cannot read its table must fail"
)]

mod daily;
mod formats;
mod heat;
mod hourly;
mod normals;
mod quality;
mod records;
mod run_hours;
mod season;
mod support;
