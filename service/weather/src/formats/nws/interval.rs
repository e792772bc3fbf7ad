//! ISO 8601 intervals written as start and duration, such as `2022-02-03T21:00:00+00:00/P1DT6H`.

use chrono::{DateTime, TimeDelta, Utc};

/// A stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Interval {
    /// Its start.
    pub start: DateTime<Utc>,
    /// Its length; positive.
    pub length: TimeDelta,
}

impl Interval {
    /// The instant at which it ends.
    pub fn end(&self) -> DateTime<Utc> {
        self.start + self.length
    }

    /// Whole hours.
    pub fn hours(&self) -> i64 {
        self.length.num_hours()
    }
}

/// Reads start and duration; none for anything else, such as a placeholder or a month-long period.
pub fn parse_interval(text: &str) -> Option<Interval> {
    let (start, duration) = text.split_once('/')?;
    let start = DateTime::parse_from_rfc3339(start).ok()?.with_timezone(&Utc);
    let length = parse_duration(duration)?;
    // An end beyond the calendar would panic later.
    start.checked_add_signed(length)?;
    Some(Interval { start, length })
}

/// `P7DT14H`, `PT1H`, `PT30M`, `P1W`; years and months have no fixed length and are refused.
fn parse_duration(text: &str) -> Option<TimeDelta> {
    let text = text.strip_prefix('P')?;
    let (days, time) = match text.split_once('T') {
        Some((_, "")) => return None,
        Some((days, time)) => (days, time),
        None => (text, ""),
    };
    let seconds = parts(days, &[('W', 604_800), ('D', 86_400)])?
        .checked_add(parts(time, &[('H', 3_600), ('M', 60), ('S', 1)])?)?;
    (seconds > 0).then(|| TimeDelta::try_seconds(seconds)).flatten()
}

/// Numbers with designators in the given order.
fn parts(mut text: &str, designators: &[(char, i64)]) -> Option<i64> {
    let mut seconds: i64 = 0;
    for (designator, weight) in designators {
        let Some((number, rest)) = text.split_once(*designator) else { continue };
        let number: u32 =
            number.bytes().all(|b| b.is_ascii_digit()).then(|| number.parse().ok())??;
        seconds = seconds.checked_add(i64::from(number).checked_mul(*weight)?)?;
        text = rest;
    }
    text.is_empty().then_some(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_of_the_service_are_read() {
        for (text, hours) in
            [("PT1H", 1), ("P1DT6H", 30), ("P7DT14H", 182), ("P1W", 168), ("P1D", 24)]
        {
            assert_eq!(parse_duration(text).unwrap().num_hours(), hours, "{text}");
        }
    }

    #[test]
    fn what_is_not_a_duration_is_refused() {
        for text in [
            "", "P", "PT", "P1M", "P1Y", "PTH", "PT1", "PT-1H", "PT0H", "1H", "PT1H2", "P1H",
            "PT1D", "PT1M1H",
        ] {
            assert_eq!(parse_duration(text), None, "{text}");
        }
    }

    #[test]
    fn a_placeholder_is_not_an_interval() {
        for text in [
            "date:now:hour 3 hours / PT1H",
            "date:now -5495 seconds",
            "2022-02-03/PT1H",
            "9999999-01-01T00:00:00Z/PT1H",
        ] {
            assert_eq!(parse_interval(text), None, "{text}");
        }
    }
}
