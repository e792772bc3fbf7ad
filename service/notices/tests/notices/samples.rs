//! The samples of the room, and what the tests need beside them.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::Language;
pub(crate) use hotspell_notices::samples::{
    Sample, branch, cancelled, delayed, digest, household, moved, outgoing, renewal, report, route,
    spell, upcoming,
};

pub(crate) fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

pub(crate) fn time(text: &str) -> NaiveTime {
    format!("{text}:00").parse().unwrap()
}

pub(crate) fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// Every sample of the invented company.
pub(crate) fn all(language: Language) -> Vec<Sample> {
    hotspell_notices::samples::all(&branch(), language).unwrap()
}
