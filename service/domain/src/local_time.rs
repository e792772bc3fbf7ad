//! Local wall-clock times of a branch as instants, with the choice at clock changes named.

use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;

/// The instant of a local wall-clock time.
///
/// In the hour that happens twice (autumn) the first one is meant. In the hour that does not
/// exist (spring) the time moves forward by the length of the gap, so that 02:30 becomes 03:30:
/// what was to happen still happens on that day, never before its time.
#[must_use]
pub fn instant(date: NaiveDate, time: NaiveTime, zone: Tz) -> DateTime<Utc> {
    let local = date.and_time(time);
    resolve(local, zone).unwrap_or_else(|| {
        // No zone has a gap longer than a day (Samoa skipped one on 2011-12-30), so a day
        // earlier exists and its offset carries the time over the gap.
        let before = resolve(local - TimeDelta::days(1), zone)
            .or_else(|| resolve(local - TimeDelta::days(2), zone));
        before.map_or_else(
            || local.and_utc(),
            |earlier| {
                let offset = earlier.with_timezone(&zone).naive_local() - earlier.naive_utc();
                (local - offset).and_utc()
            },
        )
    })
}

fn resolve(local: NaiveDateTime, zone: Tz) -> Option<DateTime<Utc>> {
    zone.from_local_datetime(&local).earliest().map(|moment| moment.with_timezone(&Utc))
}

/// The branch's calendar day at an instant.
#[must_use]
pub fn local_day(now: DateTime<Utc>, zone: Tz) -> NaiveDate {
    now.with_timezone(&zone).date_naive()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(date: &str, time: &str, zone: Tz) -> String {
        instant(date.parse().unwrap(), time.parse().unwrap(), zone).to_rfc3339()
    }

    // Dates of the clock changes: IANA time zone database (tzdata), as shipped by chrono-tz.
    #[test]
    fn an_hour_that_does_not_exist_moves_forward() {
        assert_eq!(
            at("2026-03-08", "02:30:00", chrono_tz::America::Chicago),
            "2026-03-08T08:30:00+00:00"
        );
    }

    #[test]
    fn an_hour_that_happens_twice_is_its_first() {
        assert_eq!(
            at("2026-11-01", "01:30:00", chrono_tz::America::Chicago),
            "2026-11-01T06:30:00+00:00"
        );
    }

    #[test]
    fn midnight_that_is_missing_in_havana_becomes_one_o_clock() {
        assert_eq!(
            at("2024-03-10", "00:00:00", chrono_tz::America::Havana),
            "2024-03-10T05:00:00+00:00"
        );
    }

    #[test]
    fn a_day_that_was_skipped_in_samoa_still_has_an_instant() {
        assert_eq!(
            at("2011-12-30", "12:00:00", chrono_tz::Pacific::Apia),
            "2011-12-30T22:00:00+00:00"
        );
    }

    #[test]
    fn an_evening_in_phoenix_is_already_tomorrow_in_utc() {
        let evening = instant(
            "2025-03-01".parse().unwrap(),
            "20:00:00".parse().unwrap(),
            chrono_tz::America::Phoenix,
        );
        assert_eq!(evening.date_naive().to_string(), "2025-03-02");
        assert_eq!(local_day(evening, chrono_tz::America::Phoenix).to_string(), "2025-03-01");
    }
}
