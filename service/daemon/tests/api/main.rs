//! The interface over HTTP, as a client sees it: the real server on a free port, SQLite below.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail by panicking")]

mod access;
mod answers;
mod crew_pages;
mod desk;
mod document;
mod first_steps;
mod home_page;
mod idempotency;
mod import_page;
mod lists;
mod no_cool_page;
mod notice_texts;
mod resources;
mod sessions;
mod settings_pages;
mod stations;
mod support;
mod versions;
