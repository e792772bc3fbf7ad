//! When a household may be written to: never in its quiet hours, not more often a week than agreed.

use chrono::{DateTime, Days, NaiveTime, TimeDelta, TimeZone as _, Utc};
use chrono_tz::Tz;
use hotspell_domain::local_time;

/// Hours of every night in which nobody is written to, local to the branch.
///
/// From `from` on, until just before `to`; over midnight when `from` is later than `to`. Equal
/// times mean no quiet hours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QuietHours {
    /// Begin, included.
    pub from: NaiveTime,
    /// End, not included.
    pub to: NaiveTime,
}

impl QuietHours {
    /// Whether a wall-clock time lies in the quiet hours.
    #[must_use]
    pub fn contains(&self, time: NaiveTime) -> bool {
        if self.from <= self.to {
            self.from <= time && time < self.to
        } else {
            self.from <= time || time < self.to
        }
    }

    /// The end of the quiet hours that hold at `now`, or `now` when none do.
    fn end(&self, now: DateTime<Utc>, zone: Tz) -> DateTime<Utc> {
        let local = now.with_timezone(&zone).naive_local();
        if !self.contains(local.time()) {
            return now;
        }
        let before_midnight = self.from > self.to && local.time() >= self.from;
        let last_day = if before_midnight {
            local.date().checked_add_days(Days::new(1)).unwrap_or(local.date())
        } else {
            local.date()
        };
        let end = local_time::instant(last_day, self.to, zone);
        if end > now {
            return end;
        }
        // The end happens twice in this night of autumn, and its first time has passed.
        zone.from_local_datetime(&last_day.and_time(self.to))
            .latest()
            .map_or(now, |second| second.with_timezone(&Utc).max(now))
    }
}

/// The earliest instant, not before `now`, at which one more message may go out.
///
/// `sent`: when earlier messages went to the same household, in any order. `weekly_cap`: most
/// messages in any seven times 24 hours; the week slides, so two full weeks never meet at a
/// Sunday. Nothing when the cap is zero: then no message may go out at all.
#[must_use]
pub fn earliest(
    now: DateTime<Utc>,
    zone: Tz,
    quiet: Option<QuietHours>,
    sent: &[DateTime<Utc>],
    weekly_cap: u32,
) -> Option<DateTime<Utc>> {
    let cap = usize::try_from(weekly_cap).unwrap_or(usize::MAX);
    if cap == 0 {
        return None;
    }
    let week = TimeDelta::weeks(1);
    let mut newest_first = sent.to_vec();
    newest_first.sort_unstable_by(|a, b| b.cmp(a));
    // One more may go out when the cap-th newest has left the week.
    let under_cap = newest_first.get(cap - 1).map_or(now, |blocking| now.max(*blocking + week));
    Some(quiet.map_or(under_cap, |quiet| quiet.end(under_cap, zone)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PHOENIX: Tz = chrono_tz::America::Phoenix;
    const CHICAGO: Tz = chrono_tz::America::Chicago;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn night() -> Option<QuietHours> {
        hours("20:00:00", "08:00:00")
    }

    fn hours(from: &str, to: &str) -> Option<QuietHours> {
        Some(QuietHours { from: from.parse().unwrap(), to: to.parse().unwrap() })
    }

    #[test]
    fn a_message_of_the_day_goes_out_at_once() {
        let noon = at("2026-03-03T19:00:00Z");
        assert_eq!(earliest(noon, PHOENIX, night(), &[], 3), Some(noon));
    }

    #[test]
    fn a_message_of_the_evening_waits_for_the_morning() {
        // 21:30 in Phoenix (UTC-7 all year) is 04:30 UTC of the next day.
        let evening = at("2026-03-04T04:30:00Z");
        assert_eq!(earliest(evening, PHOENIX, night(), &[], 3), Some(at("2026-03-04T15:00:00Z")));
    }

    #[test]
    fn the_last_quiet_second_waits_and_the_first_loud_one_does_not() {
        let last = at("2026-03-04T14:59:59Z");
        let first = at("2026-03-04T15:00:00Z");
        assert_eq!(earliest(last, PHOENIX, night(), &[], 3), Some(first));
        assert_eq!(earliest(first, PHOENIX, night(), &[], 3), Some(first));
    }

    // Clock changes of Chicago in 2026, 8 March and 1 November: IANA time zone database.
    #[test]
    fn eight_o_clock_is_eight_o_clock_on_both_sides_of_a_clock_change() {
        let before_spring = at("2026-03-08T04:00:00Z"); // 22:00 on 7 March
        assert_eq!(
            earliest(before_spring, CHICAGO, night(), &[], 3),
            Some(at("2026-03-08T13:00:00Z"))
        );
        let before_autumn = at("2026-11-01T03:00:00Z"); // 22:00 on 31 October
        assert_eq!(
            earliest(before_autumn, CHICAGO, night(), &[], 3),
            Some(at("2026-11-01T14:00:00Z"))
        );
    }

    #[test]
    fn an_end_that_happens_twice_is_the_one_still_to_come() {
        // Quiet until 01:30. At the second 01:10 of that night, the first 01:30 has passed.
        let second_ten_past_one = at("2026-11-01T07:10:00Z");
        assert_eq!(
            earliest(second_ten_past_one, CHICAGO, hours("22:00:00", "01:30:00"), &[], 3),
            Some(at("2026-11-01T07:30:00Z"))
        );
    }

    #[test]
    fn an_end_that_does_not_exist_moves_forward() {
        let in_the_night = at("2026-03-08T07:00:00Z"); // 01:00
        assert_eq!(
            earliest(in_the_night, CHICAGO, hours("22:00:00", "02:30:00"), &[], 3),
            Some(at("2026-03-08T08:30:00Z")) // 03:30, what 02:30 would have been
        );
    }

    #[test]
    fn the_cap_waits_for_the_oldest_of_the_week_to_be_a_week_old() {
        let sent = [at("2026-03-02T17:00:00Z"), at("2026-03-04T17:00:00Z")];
        let now = at("2026-03-05T17:00:00Z");
        assert_eq!(earliest(now, PHOENIX, night(), &sent, 3), Some(now));
        assert_eq!(earliest(now, PHOENIX, night(), &sent, 2), Some(at("2026-03-09T17:00:00Z")));
        assert_eq!(earliest(now, PHOENIX, night(), &sent, 1), Some(at("2026-03-11T17:00:00Z")));
        assert_eq!(earliest(now, PHOENIX, night(), &sent, 0), None);
    }

    proptest! {
        #[test]
        fn no_message_goes_out_early_in_quiet_hours_or_over_the_cap(
            now_seconds in 1_700_000_000i64..1_900_000_000,
            from_minute in 0u32..1440,
            to_minute in 0u32..1440,
            ages_hours in prop::collection::vec(0i64..400, 0..8),
            cap in 1u32..4,
            zone in prop::sample::select(vec![
                CHICAGO, PHOENIX, chrono_tz::America::Havana, chrono_tz::Australia::Lord_Howe,
            ]),
        ) {
            prop_assume!(from_minute != to_minute);
            let time = |minute| NaiveTime::from_num_seconds_from_midnight_opt(minute * 60, 0).unwrap();
            let quiet = QuietHours { from: time(from_minute), to: time(to_minute) };
            let now = DateTime::from_timestamp(now_seconds, 0).unwrap();
            let sent: Vec<_> = ages_hours.iter().map(|hours| now - TimeDelta::hours(*hours)).collect();
            let out = earliest(now, zone, Some(quiet), &sent, cap).unwrap();
            prop_assert!(out >= now);
            // Where a gap of the clock swallows the whole rest of the day's loud time, the moved
            // end may lie in the next quiet hours; such hours are shorter than the gap.
            let loud_minutes = (1440 + from_minute - to_minute) % 1440;
            if loud_minutes > 60 {
                prop_assert!(!quiet.contains(out.with_timezone(&zone).time()));
            }
            let in_week = sent.iter().filter(|moment| **moment > out - TimeDelta::weeks(1)).count();
            prop_assert!(in_week < usize::try_from(cap).unwrap());
        }
    }
}
