//! How long a source wants to be left alone: `Retry-After` of RFC 9110 section 10.2.3.

use std::time::SystemTime;

use actix_web::http::header::HttpDate;
use chrono::{DateTime, TimeDelta, Utc};

/// The instant that a value of `Retry-After` names, a number of seconds from `now` or a date, but
/// at most `longest` from now. Nothing for a value that is neither, or for an instant that is past.
pub(super) fn retry_at(
    value: &str,
    now: DateTime<Utc>,
    longest: TimeDelta,
) -> Option<DateTime<Utc>> {
    let value = value.trim();
    let latest = now + longest;
    let named = if !value.is_empty() && value.bytes().all(|byte| byte.is_ascii_digit()) {
        // More seconds than can be counted are more than the longest wait.
        value
            .parse()
            .ok()
            .and_then(TimeDelta::try_seconds)
            .and_then(|wait| now.checked_add_signed(wait))
            .unwrap_or(latest)
    } else {
        DateTime::from(SystemTime::from(value.parse::<HttpDate>().ok()?))
    };
    (named > now).then(|| named.min(latest))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    #[test]
    fn seconds_and_the_three_ways_to_write_a_date_are_read() {
        let now = at("1994-11-06T08:00:00Z");
        let until = |value: &str| retry_at(value, now, TimeDelta::hours(24));
        assert_eq!(until("120"), Some(at("1994-11-06T08:02:00Z")));
        // The three forms of one instant in RFC 9110 section 5.6.7.
        for date in [
            "Sun, 06 Nov 1994 08:49:37 GMT",
            "Sunday, 06-Nov-94 08:49:37 GMT",
            "Sun Nov  6 08:49:37 1994",
        ] {
            assert_eq!(until(date), Some(at("1994-11-06T08:49:37Z")), "{date}");
        }
    }

    #[test]
    fn a_wait_has_a_bound_and_what_is_no_wait_is_none() {
        let now = at("2024-06-21T12:00:00Z");
        let until = |value: &str| retry_at(value, now, TimeDelta::hours(24));
        let latest = Some(at("2024-06-22T12:00:00Z"));
        for long in ["86401", "99999999999999999999999", "Sat, 21 Jun 2025 12:00:00 GMT"] {
            assert_eq!(until(long), latest, "{long}");
        }
        for none in ["", "0", "-5", "soon", "1.5", "Fri, 21 Jun 2024 11:59:59 GMT"] {
            assert_eq!(until(none), None, "{none}");
        }
    }
}
