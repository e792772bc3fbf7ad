//! The room as its users see it: from plain values to mail, calendar, delivery and back.
#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod bounces;
mod calendar;
mod composed;
mod delivery;
mod mail;
mod samples;
