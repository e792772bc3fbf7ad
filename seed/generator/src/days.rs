//! Calendar days of the demo.

use chrono::{Datelike, Days, NaiveDate, Weekday};

/// A day that is written in this source.
#[expect(clippy::expect_used, reason = "only called with days that exist, evaluated by the tests")]
pub(crate) const fn day(year: i32, month: u32, of_month: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, of_month).expect("a day of the calendar")
}

/// The Monday on which the demo takes place.
pub(crate) const TODAY: NaiveDate = day(2025, 2, 17);
/// First day for which the demo plans.
pub(crate) const PLAN_FIRST_DAY: NaiveDate = day(2025, 2, 24);
/// Last day for which the demo plans.
pub(crate) const PLAN_LAST_DAY: NaiveDate = day(2025, 5, 9);
/// First day of heat that any part could have gathered.
pub(crate) const FIRST_HEAT: NaiveDate = day(1998, 1, 1);

/// So many days later; the same day if the calendar ends.
pub(crate) fn later(from: NaiveDate, days: i64) -> NaiveDate {
    let moved = match u64::try_from(days) {
        Ok(days) => from.checked_add_days(Days::new(days)),
        Err(_) => from.checked_sub_days(Days::new(days.unsigned_abs())),
    };
    moved.unwrap_or(from)
}

/// The day itself, or the Monday after a weekend.
pub(crate) fn working(day: NaiveDate) -> NaiveDate {
    match day.weekday() {
        Weekday::Sat => later(day, 2),
        Weekday::Sun => later(day, 1),
        _ => day,
    }
}

/// Years between two days, with fraction.
pub(crate) fn years_between(from: NaiveDate, until: NaiveDate) -> f64 {
    i32::try_from((until - from).num_days()).map_or(f64::INFINITY, f64::from)
        / crate::calendar::DAYS_PER_YEAR
}
