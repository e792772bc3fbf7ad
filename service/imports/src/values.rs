//! Values of cells. Each reader gives the value, or what was expected in its place.

use core::str::FromStr;

use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, Utc, Weekday};
use hotspell_domain::{DateRange, Position};
use hotspell_store::WeekdaySet;

use crate::table::Cells;

type Read<T> = Result<T, String>;

/// Days before this year are taken for mistakes.
const EARLIEST_YEAR: i32 = 1950;
/// Days after this year are taken for mistakes where the future is accepted.
const LATEST_YEAR: i32 = 2200;

/// Longest name, line of an address or other short text, in characters.
pub(crate) const LINE_MAX: usize = 200;
/// Longest note, in characters.
pub(crate) const NOTE_MAX: usize = 4_000;
/// Longest key, in characters: 100 of the user's own, and what the service puts behind one for
/// the readings and parts of a visit's result.
const KEY_MAX: usize = 120;

fn control_free(text: &str) -> Read<()> {
    match text.chars().find(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t')) {
        None => Ok(()),
        Some(c) => {
            Err(format!("text without control characters (it holds {})", c.escape_unicode()))
        }
    }
}

/// Text of at most so many characters.
pub(crate) fn text(longest: usize) -> impl Fn(&str) -> Read<String> {
    move |text| {
        control_free(text)?;
        if text.chars().count() > longest {
            return Err(format!("at most {longest} characters"));
        }
        Ok(text.to_owned())
    }
}

/// A key of the user's own.
pub(crate) fn key(value: &str) -> Read<String> {
    if value.contains(['\n', '\r', '\t']) {
        return Err("a key on one line".to_owned());
    }
    text(KEY_MAX)(value)
}

/// A word of a closed set.
pub(crate) fn word<T: FromStr>(value: &str) -> Read<T>
where
    T::Err: core::fmt::Display,
{
    value.parse().map_err(|error: T::Err| error.to_string())
}

/// Words of a closed set, separated by semicolons, each once and sorted.
pub(crate) fn words<T: FromStr + Ord>(value: &str) -> Read<Vec<T>>
where
    T::Err: core::fmt::Display,
{
    let mut all: Vec<T> = parts(value).map(word).collect::<Read<_>>()?;
    all.sort();
    all.dedup();
    Ok(all)
}

fn parts(value: &str) -> impl Iterator<Item = &str> {
    value.split(';').map(str::trim).filter(|part| !part.is_empty())
}

fn iso_day(value: &str) -> Option<NaiveDate> {
    // Exactly YYYY-MM-DD: chrono's own parser is more lenient.
    let exact = value.len() == 10
        && value.bytes().enumerate().all(|(i, byte)| match i {
            4 | 7 => byte == b'-',
            _ => byte.is_ascii_digit(),
        });
    exact.then(|| value.parse().ok()).flatten()
}

fn plausible(day: NaiveDate) -> Read<NaiveDate> {
    if (EARLIEST_YEAR..=LATEST_YEAR).contains(&day.year()) {
        Ok(day)
    } else {
        Err(format!("a day of the years {EARLIEST_YEAR} to {LATEST_YEAR}"))
    }
}

fn up_to(day: NaiveDate, today: NaiveDate) -> Read<NaiveDate> {
    if day > today { Err(format!("a day not after {today}")) } else { plausible(day) }
}

const DAY: &str = "a day such as 2026-04-03";

/// A day up to today.
pub(crate) fn past_day(today: NaiveDate) -> impl Fn(&str) -> Read<NaiveDate> {
    move |value| up_to(iso_day(value).ok_or(DAY)?, today)
}

/// A moment up to now, to the second or finer.
pub(crate) fn past_instant(now: DateTime<Utc>) -> impl Fn(&str) -> Read<DateTime<Utc>> {
    move |value| {
        let moment = DateTime::parse_from_rfc3339(value)
            .map_err(|_| "a moment such as 2026-04-03T17:05:00Z")?
            .to_utc();
        plausible(moment.date_naive())?;
        if moment > now { Err(format!("a moment not after {now}")) } else { Ok(moment) }
    }
}

/// A day, past or future.
pub(crate) fn any_day(value: &str) -> Read<NaiveDate> {
    plausible(iso_day(value).ok_or(DAY)?)
}

/// Days between which something happened; nothing on a side that is not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Between {
    pub(crate) earliest: Option<NaiveDate>,
    pub(crate) latest: Option<NaiveDate>,
}

impl Between {
    /// Whether nothing is known.
    pub(crate) fn is_unknown(self) -> bool {
        self == Self::default()
    }
}

/// A past day, month, year, or range of days that may be open on one side.
pub(crate) fn day_or_range(today: NaiveDate) -> impl Fn(&str) -> Read<Between> {
    move |value| {
        let expected = || {
            "a day such as 2014-05-03, a month 2014-05, a year 2014, or a range 2012-01-01..2015-12-31 (open on one side at most)".to_owned()
        };
        let day =
            |text: &str| -> Read<NaiveDate> { up_to(iso_day(text).ok_or_else(expected)?, today) };
        if let Some((first, last)) = value.split_once("..") {
            let side = |text: &str| if text.is_empty() { Ok(None) } else { day(text).map(Some) };
            let (earliest, latest) = (side(first.trim())?, side(last.trim())?);
            let ordered = earliest.zip(latest).is_none_or(|(earliest, latest)| earliest <= latest);
            let found = Between { earliest, latest };
            return if ordered && !found.is_unknown() { Ok(found) } else { Err(expected()) };
        }
        let digits = value.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
        let (first, last) = match value.len() {
            4 if digits => (day(&format!("{value}-01-01"))?, iso_day(&format!("{value}-12-31"))),
            7 if digits => {
                let first = day(&format!("{value}-01"))?;
                (
                    first,
                    first
                        .checked_add_months(chrono::Months::new(1))
                        .and_then(|next| next.pred_opt()),
                )
            }
            _ => {
                let exact = day(value)?;
                (exact, Some(exact))
            }
        };
        // The current month or year is known to be over only up to today.
        Ok(Between { earliest: Some(first), latest: Some(last.unwrap_or(first).min(today)) })
    }
}

/// Days or stretches of days separated by semicolons, sorted.
pub(crate) fn day_list(value: &str) -> Read<Vec<DateRange>> {
    let expected = "days such as 2026-06-01..2026-06-14; 2026-07-03";
    let mut ranges = parts(value)
        .map(|part| {
            let (first, last) = part.split_once("..").unwrap_or((part, part));
            DateRange::new(any_day(first.trim())?, any_day(last.trim())?)
                .ok_or_else(|| expected.to_owned())
        })
        .collect::<Read<Vec<DateRange>>>()
        .map_err(|why| if why == DAY { expected.to_owned() } else { why })?;
    ranges.sort();
    ranges.dedup();
    Ok(ranges)
}

/// Weekdays separated by semicolons.
pub(crate) fn weekdays(value: &str) -> Read<WeekdaySet> {
    parts(value)
        .map(|part| match part {
            "mon" => Ok(Weekday::Mon),
            "tue" => Ok(Weekday::Tue),
            "wed" => Ok(Weekday::Wed),
            "thu" => Ok(Weekday::Thu),
            "fri" => Ok(Weekday::Fri),
            "sat" => Ok(Weekday::Sat),
            "sun" => Ok(Weekday::Sun),
            _ => Err("weekdays such as mon;sat".to_owned()),
        })
        .collect()
}

/// A clock time, to the minute or to the second.
pub(crate) fn time(value: &str) -> Read<NaiveTime> {
    let form = match value.len() {
        5 => Some("%H:%M"),
        8 => Some("%H:%M:%S"),
        _ => None,
    };
    form.and_then(|form| NaiveTime::parse_from_str(value, form).ok())
        .ok_or_else(|| "a time such as 07:30".to_owned())
}

/// A shift.
pub(crate) fn shift(value: &str) -> Read<(NaiveTime, NaiveTime)> {
    let expected = "a shift such as 07:30-16:00, ending later than it begins".to_owned();
    let read = || {
        let (starts, ends) = value.split_once('-')?;
        let (starts, ends) = (time(starts.trim()).ok()?, time(ends.trim()).ok()?);
        (starts < ends).then_some((starts, ends))
    };
    read().ok_or(expected)
}

/// Yes or no.
pub(crate) fn yes_no(value: &str) -> Read<bool> {
    match value {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err("yes or no".to_owned()),
    }
}

/// A number with decimal point, inside the range.
pub(crate) fn number(low: f64, high: f64) -> impl Fn(&str) -> Read<f64> {
    move |value| {
        let expected = || format!("a number from {low} to {high} such as 3.5");
        let plain = value.bytes().all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'-'));
        let number: f64 = plain.then(|| value.parse().ok()).flatten().ok_or_else(expected)?;
        if (low..=high).contains(&number) { Ok(number) } else { Err(expected()) }
    }
}

/// A telephone number in E.164.
pub(crate) fn phone(value: &str) -> Read<String> {
    let bare: String =
        value.chars().filter(|c| !matches!(c, ' ' | '.' | '-' | '(' | ')' | '\u{a0}')).collect();
    let digits = bare.strip_prefix('+').unwrap_or_default();
    let right = (7..=15).contains(&digits.len())
        && digits.bytes().all(|byte| byte.is_ascii_digit())
        && !digits.starts_with('0');
    if right {
        Ok(bare)
    } else {
        Err("a phone number with country code such as +12025550143".to_owned())
    }
}

/// A mail address: one `@`, something before it, a domain with a dot after it.
pub(crate) fn email(value: &str) -> Read<String> {
    let right = value.split_once('@').is_some_and(|(local, domain)| {
        !local.is_empty()
            && domain.contains('.')
            && !domain.starts_with('.')
            && !domain.ends_with('.')
            && !domain.contains('@')
    }) && value.chars().count() <= 254
        && value.chars().all(|c| !c.is_whitespace() && !c.is_control());
    if right {
        Ok(value.to_owned())
    } else {
        Err("a mail address such as ada@example.com".to_owned())
    }
}

/// Latitude and longitude, both or neither.
pub(crate) fn position(
    cells: &mut Cells<'_>,
    latitude: &'static str,
    longitude: &'static str,
) -> Option<Position> {
    let both = [latitude, longitude].map(|column| !cells.raw(column).is_empty());
    match both {
        [false, false] => None,
        [true, false] => {
            cells.refuse(longitude, format!("a value, because {latitude} has one"));
            None
        }
        [false, true] => {
            cells.refuse(latitude, format!("a value, because {longitude} has one"));
            None
        }
        [true, true] => {
            let north = cells.required(latitude, number(-90.0, 90.0));
            let east = cells.required(longitude, number(-180.0, 180.0));
            Position::new(north?, east?).ok()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn today() -> NaiveDate {
        "2026-03-02".parse().unwrap()
    }

    fn day(text: &str) -> Option<NaiveDate> {
        Some(text.parse().unwrap())
    }

    #[test]
    fn an_install_day_may_be_a_day_a_month_a_year_or_a_range() {
        let read = day_or_range(today());
        let between = |earliest, latest| Ok(Between { earliest, latest });
        assert_eq!(read("2014-05-03"), between(day("2014-05-03"), day("2014-05-03")));
        assert_eq!(read("2014-02"), between(day("2014-02-01"), day("2014-02-28")));
        assert_eq!(read("2014"), between(day("2014-01-01"), day("2014-12-31")));
        assert_eq!(read("..2015-12-31"), between(None, day("2015-12-31")));
        assert_eq!(read("2012-01-01.."), between(day("2012-01-01"), None));
        assert_eq!(read("2026"), between(day("2026-01-01"), day("2026-03-02")));
    }

    #[test]
    fn what_is_no_install_day_is_refused() {
        for text in ["..", "2014-13", "2015-01-01..2014-01-01", "2027", "2026-03-03", "14", "1949"]
        {
            assert!(day_or_range(today())(text).is_err(), "{text}");
        }
    }

    #[test]
    fn only_iso_days_are_days() {
        for text in
            ["03/04/2026", "2026-4-3", "2026-02-30", "+2026-04-03", "20260403", "0026-01-01"]
        {
            assert!(any_day(text).is_err(), "{text}");
        }
        assert!(past_day(today())("2026-03-03").unwrap_err().contains("not after 2026-03-02"));
    }

    #[test]
    fn numbers_are_plain_and_inside_their_range() {
        assert_eq!(number(0.0, 500.0)("42.1"), Ok(42.1));
        for text in ["42,1", "1e3", "NaN", "inf", "-1", "501", "4 2", "", ".", "-"] {
            assert!(number(0.0, 500.0)(text).is_err(), "{text}");
        }
    }

    // E.164: at most 15 digits, a country code that does not begin with 0.
    #[test]
    fn phones_become_e164() {
        assert_eq!(phone("+1 (202) 555-0143"), Ok("+12025550143".to_owned()));
        for text in ["2025550143", "+0202555", "+1234567890123456", "+1202x", "+"] {
            assert!(phone(text).is_err(), "{text}");
        }
    }

    #[test]
    fn shifts_end_later_than_they_begin() {
        assert!(shift("07:30-16:00").is_ok());
        for text in ["16:00-07:30", "7:30-16:00", "07:30", "07:30-07:30", "07:30-24:00"] {
            assert!(shift(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused_with_what_was_expected(text in ".{0,40}") {
            let today = today();
            let refusals = [
                day_or_range(today)(&text).err(),
                day_list(&text).err(),
                shift(&text).err(),
                phone(&text).err(),
                email(&text).err(),
                number(0.0, 1.0)(&text).err(),
                weekdays(&text).err(),
            ];
            for refusal in refusals.into_iter().flatten() {
                prop_assert!(!refusal.is_empty());
            }
        }
    }
}
