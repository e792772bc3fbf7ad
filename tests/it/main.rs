//! Whole-daemon tests: the real binary, real databases, real mail, a real browser.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "an assumption that fails is a failed test"
)]

mod agreements;
mod audit_file;
mod backup;
mod bounces;
mod browser;
mod bulk;
mod day_by_hand;
mod day_pages;
mod digest;
mod document_examples;
mod exports;
mod first_scoring;
mod import_jobs;
mod imports;
mod lifecycle;
mod mail_pace;
mod model_proof;
mod no_cool;
mod own_words;
mod plan_alive;
mod plan_days;
mod plan_page;
mod power_cuts;
mod random_calls;
mod rehearsal;
mod results;
mod risk_list;
mod season_loop;
mod season_view;
mod settings;
mod slots;
mod sorted_lists;
mod told;
mod undoing;
mod webhooks;
mod year;
