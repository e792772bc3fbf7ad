//! The term of an agreement and the one that follows it.

use chrono::{Datelike, Days, Months};

use crate::period::DateRange;

/// Longest term that is renewed, in months; longer ones are typing mistakes.
const MONTHS_MAX: u32 = 120;

/// The term that follows without a gap and is as long: as many calendar months if the term has whole
/// ones, else as many days. Nothing when the calendar ends.
///
/// A term of whole months from the 5th ends on the 4th; one from the 31st may end on the last day of
/// a shorter month.
#[must_use]
pub fn next_term(term: DateRange) -> Option<DateRange> {
    let first = term.last.succ_opt()?;
    let last = match whole_months(term) {
        Some(months) => first.checked_add_months(Months::new(months))?.pred_opt()?,
        None => {
            let days = u64::try_from(term.days() - 1).ok()?;
            first.checked_add_days(Days::new(days))?
        }
    };
    DateRange::new(first, last)
}

/// How many calendar months the term has, if it has whole ones.
fn whole_months(term: DateRange) -> Option<u32> {
    let after = term.last.succ_opt()?;
    let months = 12 * (after.year() - term.first.year()) + i32::try_from(after.month()).ok()?
        - i32::try_from(term.first.month()).ok()?;
    let months = u32::try_from(months).ok().filter(|months| (1..=MONTHS_MAX).contains(months))?;
    (term.first.checked_add_months(Months::new(months))? == after).then_some(months)
}

/// Whether a window of days is owed in a term, and in which part of it.
///
/// Pro rata: it is owed if more than half of its days lie inside the term, or exactly half and the
/// term holds its end. So of two terms that follow each other one owes it and not both.
#[must_use]
pub fn part_owed(window: DateRange, term: DateRange) -> Option<DateRange> {
    let within = window.intersection(&term)?;
    let (inside, whole) = (2 * within.days(), window.days());
    (inside > whole || (inside == whole && within.last == window.last)).then_some(within)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::NaiveDate;
    use proptest::prelude::*;

    fn term(first: &str, last: &str) -> DateRange {
        DateRange::new(first.parse().unwrap(), last.parse().unwrap()).unwrap()
    }

    // The same rows stand in docs/records.md.
    #[test]
    fn the_next_term_is_as_long_in_the_calendar() {
        for (old, next) in [
            (term("2024-01-05", "2025-01-04"), term("2025-01-05", "2026-01-04")),
            (term("2023-03-01", "2024-02-29"), term("2024-03-01", "2025-02-28")),
            (term("2024-01-01", "2024-06-30"), term("2024-07-01", "2024-12-31")),
            (term("2024-01-01", "2026-12-31"), term("2027-01-01", "2029-12-31")),
            (term("2024-05-10", "2024-06-20"), term("2024-06-21", "2024-08-01")),
        ] {
            assert_eq!(next_term(old), Some(next), "{old:?}");
        }
    }

    // The same rows stand in docs/records.md.
    #[test]
    fn a_window_is_owed_by_the_term_that_holds_most_of_it() {
        let spring = term("2025-02-01", "2025-05-31");
        for (first, within) in [
            ("2025-01-15", Some("2025-02-01")),
            ("2025-03-01", Some("2025-03-01")),
            // 60 of 120 days, with the window's end.
            ("2025-04-02", Some("2025-04-02")),
            ("2025-04-03", None),
            ("2025-05-15", None),
        ] {
            let owed = part_owed(spring, term(first, "2027-12-31"));
            assert_eq!(
                owed.map(|owed| owed.first),
                within.map(|day| day.parse().unwrap()),
                "{first}"
            );
        }
        for (last, owed) in [("2025-05-31", true), ("2025-04-02", true), ("2025-04-01", false)] {
            assert_eq!(part_owed(spring, term("2020-01-01", last)).is_some(), owed, "{last}");
        }
        // Across the new year.
        let winter = term("2025-11-01", "2026-02-28");
        assert!(part_owed(winter, term("2025-12-20", "2026-12-19")).is_some());
        assert!(part_owed(winter, term("2026-01-02", "2027-01-01")).is_none());
    }

    fn day() -> impl Strategy<Value = NaiveDate> {
        (0u64..12_000).prop_map(|days| {
            NaiveDate::from_ymd_opt(2000, 1, 1).unwrap().checked_add_days(Days::new(days)).unwrap()
        })
    }

    proptest! {
        #[test]
        fn of_two_terms_without_a_gap_one_owes_a_window_inside_of_both(
            first in day(), length in 1u64..400, term_days in 400u64..2_000, cut in 0u64..400,
        ) {
            let add = |day: NaiveDate, days| day.checked_add_days(Days::new(days)).unwrap();
            let window = DateRange::new(first, add(first, length - 1)).unwrap();
            // The old term ends on some day of the window or just before it.
            let end = first.checked_sub_days(Days::new(1)).unwrap();
            let end = add(end, cut.min(length));
            let begin = end.checked_sub_days(Days::new(term_days)).unwrap();
            let old = DateRange::new(begin, end).unwrap();
            let new = next_term(old).unwrap();
            let owed = [old, new].iter().filter(|term| part_owed(window, **term).is_some()).count();
            prop_assert_eq!(owed, 1);
        }

        #[test]
        fn terms_follow_each_other_without_a_gap(first in day(), length in 1u64..2_000) {
            let old = DateRange::new(first, first.checked_add_days(Days::new(length - 1)).unwrap());
            let old = old.unwrap();
            let new = next_term(old).unwrap();
            prop_assert_eq!(Some(new.first), old.last.succ_opt());
            // Months differ by three days at most.
            let months = i64::from(whole_months(old).unwrap_or(0));
            let most = if months > 0 { 4 } else { 0 };
            prop_assert!((new.days() - old.days()).abs() <= most);
        }
    }
}
