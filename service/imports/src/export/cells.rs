//! Values as cells: what [`crate::values`] reads back.

use chrono::{NaiveDate, NaiveTime, Timelike as _};
use hotspell_store::WeekdaySet;

use crate::formula::guarded;

/// Text of a person or program, safe in a spreadsheet. Blanks around it go, as an import drops them.
pub(super) fn text(value: &str) -> String {
    guarded(value.trim())
}

/// Text that may be absent.
pub(super) fn note(value: Option<&String>) -> String {
    value.map(|value| text(value)).unwrap_or_default()
}

/// A value that shows itself as an import reads it: a word, a day, a phone number.
pub(super) fn plain<T: ToString>(value: Option<T>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

/// Words separated by semicolons.
pub(super) fn words<T: ToString>(values: impl IntoIterator<Item = T>) -> String {
    values.into_iter().map(|value| value.to_string()).collect::<Vec<_>>().join(";")
}

/// A day, or the days between which it was; open on a side that is not known.
pub(super) fn between(earliest: Option<NaiveDate>, latest: Option<NaiveDate>) -> String {
    match (earliest, latest) {
        (None, None) => String::new(),
        (Some(earliest), Some(latest)) if earliest == latest => earliest.to_string(),
        (earliest, latest) => format!("{}..{}", plain(earliest), plain(latest)),
    }
}

/// Stretches of days, each once.
pub(super) fn days(ranges: impl IntoIterator<Item = (NaiveDate, NaiveDate)>) -> String {
    let mut ranges: Vec<_> = ranges.into_iter().collect();
    ranges.sort_unstable();
    ranges.dedup();
    let one = |(first, last): (NaiveDate, NaiveDate)| {
        if first == last { first.to_string() } else { format!("{first}..{last}") }
    };
    ranges.into_iter().map(one).collect::<Vec<_>>().join("; ")
}

/// Weekdays.
pub(super) fn weekdays(days: WeekdaySet) -> String {
    // chrono shows them as Mon, Tue, ….
    words(days.iter().map(|day| day.to_string().to_lowercase()))
}

/// A clock time, to the minute if it has no seconds.
pub(super) fn time(time: NaiveTime) -> String {
    let form = if time.second() == 0 { "%H:%M" } else { "%H:%M:%S" };
    time.format(form).to_string()
}

/// Yes or no.
pub(super) fn yes_no(value: bool) -> String {
    if value { "yes" } else { "no" }.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::values;
    use chrono::Weekday;
    use proptest::prelude::*;

    fn day() -> impl Strategy<Value = NaiveDate> {
        (1950i32..=2026, 1u32..=365)
            .prop_map(|(year, ordinal)| NaiveDate::from_yo_opt(year, ordinal).unwrap())
    }

    fn last() -> NaiveDate {
        "2027-01-01".parse().unwrap()
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_as_it_was(
            mut ends in prop::array::uniform2(day()),
            open in 0u8..3,
            seconds in 0u32..86_400,
            weekdays_mask in 1u8..128,
            number in -9_000.0..9_000.0_f64,
        ) {
            ends.sort();
            let (earliest, latest) = (
                (open != 1).then_some(ends[0]),
                (open != 2).then_some(ends[1]),
            );
            let read = values::day_or_range(last())(&between(earliest, latest)).unwrap();
            prop_assert_eq!((read.earliest, read.latest), (earliest, latest));
            let read = values::day_list(&days([(ends[0], ends[1])])).unwrap();
            prop_assert_eq!((read[0].first, read[0].last), (ends[0], ends[1]));
            let clock = NaiveTime::from_num_seconds_from_midnight_opt(seconds, 0).unwrap();
            prop_assert_eq!(values::time(&time(clock)), Ok(clock));
            let set: WeekdaySet = (0..7u8)
                .filter(|bit| weekdays_mask & (1 << bit) != 0)
                .filter_map(|bit| Weekday::try_from(bit).ok())
                .collect();
            prop_assert_eq!(values::weekdays(&weekdays(set)), Ok(set));
            let read = values::number(-9_000.0, 9_000.0)(&plain(Some(number))).unwrap();
            prop_assert_eq!(read.to_bits(), number.to_bits());
        }
    }
}
