//! What is due, as a pure function of the branch's zone, the hour and the ledger.

use chrono::{DateTime, Days, NaiveTime, Utc};
use chrono_tz::Tz;
use hotspell_domain::local_time::{instant, local_day};

/// The latest occurrence of a daily job that should have run and has not.
///
/// `at` is the local time of day; `last` the occurrence that last ended well. A job that was
/// missed, for however many days, is due once: jobs look at the present state, so one run catches
/// up with all of them. On the day of a clock change the local time of day holds; a time in the
/// spring gap is due when the gap has passed.
#[must_use]
pub fn due(
    at: NaiveTime,
    last: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
    zone: Tz,
) -> Option<DateTime<Utc>> {
    let today = local_day(now, zone);
    // The spring gap can move an occurrence past `now`; then yesterday's is the latest one.
    let latest = [Some(today), today.checked_sub_days(Days::new(1))]
        .into_iter()
        .flatten()
        .map(|day| instant(day, at, zone))
        .find(|occurrence| *occurrence <= now)?;
    last.is_none_or(|last| last < latest).then_some(latest)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ZONE: Tz = chrono_tz::America::Chicago;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn six() -> NaiveTime {
        "06:00:00".parse().unwrap()
    }

    #[test]
    fn a_job_is_due_at_its_local_hour_and_once() {
        assert_eq!(
            due(six(), Some(utc("2026-07-01T11:00:00Z")), utc("2026-07-02T10:59:00Z"), ZONE),
            None
        );
        let now = utc("2026-07-02T11:00:00Z");
        let occurrence = due(six(), Some(utc("2026-07-01T11:00:00Z")), now, ZONE).unwrap();
        assert_eq!(occurrence, now);
        assert_eq!(due(six(), Some(occurrence), utc("2026-07-02T12:00:00Z"), ZONE), None);
    }

    #[test]
    fn a_week_of_downtime_makes_one_run_due() {
        let occurrence =
            due(six(), Some(utc("2026-07-01T11:00:00Z")), utc("2026-07-08T20:00:00Z"), ZONE)
                .unwrap();
        assert_eq!(occurrence, utc("2026-07-08T11:00:00Z"));
    }

    // Clock changes by the IANA time zone database: Chicago, 8 March and 1 November 2026.
    #[test]
    fn the_local_hour_holds_across_clock_changes() {
        let winter = due(six(), None, utc("2026-03-07T18:00:00Z"), ZONE).unwrap();
        assert_eq!(winter, utc("2026-03-07T12:00:00Z"));
        let summer = due(six(), Some(winter), utc("2026-03-08T11:00:00Z"), ZONE).unwrap();
        assert_eq!(summer, utc("2026-03-08T11:00:00Z"));
        let autumn = due(six(), None, utc("2026-11-01T13:00:00Z"), ZONE).unwrap();
        assert_eq!(autumn, utc("2026-11-01T12:00:00Z"));
    }

    #[test]
    fn a_time_in_the_spring_gap_is_due_once_after_the_gap() {
        let half_past_two: NaiveTime = "02:30:00".parse().unwrap();
        let last = utc("2026-03-07T08:30:00Z");
        assert_eq!(due(half_past_two, Some(last), utc("2026-03-08T08:10:00Z"), ZONE), None);
        assert_eq!(
            due(half_past_two, Some(last), utc("2026-03-08T08:30:00Z"), ZONE),
            Some(utc("2026-03-08T08:30:00Z"))
        );
    }

    #[test]
    fn an_hour_that_happens_twice_makes_one_run_due() {
        let half_past_one: NaiveTime = "01:30:00".parse().unwrap();
        let first = due(half_past_one, None, utc("2026-11-01T06:30:00Z"), ZONE).unwrap();
        assert_eq!(due(half_past_one, Some(first), utc("2026-11-01T07:45:00Z"), ZONE), None);
    }
}
