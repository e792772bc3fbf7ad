//! Checks of fields that no type makes; all mistakes of a body are told at once.

use chrono::{DateTime, Datelike as _, Days, NaiveDate, Utc};

use hotspell_domain::{BranchId, SiteId};
use hotspell_store::{AnyConnection, StoreError, sites};

use super::error::ApiError;
use super::problem::FieldError;

/// Longest key.
pub(crate) const KEY_MAX: usize = 100;
/// Longest name or line of an address.
pub(crate) const LINE_MAX: usize = 200;
/// Longest note.
pub(crate) const NOTE_MAX: usize = 4_000;
/// Before this year nothing of this trade is on record.
const YEAR_MIN: i32 = 1950;

/// The mistakes found so far.
#[derive(Debug, Default)]
pub(crate) struct Checks(Vec<FieldError>);

impl Checks {
    /// Notes a mistake at a JSON pointer.
    pub(crate) fn refuse(&mut self, pointer: &str, detail: impl std::fmt::Display) {
        self.0.push(FieldError { pointer: pointer.to_owned(), detail: detail.to_string() });
    }

    /// Keeps a value, or notes why it is none.
    pub(crate) fn keep<T, E: std::fmt::Display>(
        &mut self,
        pointer: &str,
        value: Result<T, E>,
    ) -> Option<T> {
        value.map_err(|error| self.refuse(pointer, error)).ok()
    }

    /// A text that must say something; blanks around it go.
    pub(crate) fn text(&mut self, pointer: &str, text: &str, max: usize) -> String {
        let text = text.trim();
        if text.is_empty() {
            self.refuse(pointer, "expected a text that is not empty");
        }
        self.length(pointer, text, max);
        text.to_owned()
    }

    /// A text that may be absent; an empty one counts as absent.
    pub(crate) fn optional(
        &mut self,
        pointer: &str,
        text: Option<&str>,
        max: usize,
    ) -> Option<String> {
        let text = text.map(str::trim).filter(|text| !text.is_empty())?;
        self.length(pointer, text, max);
        Some(text.to_owned())
    }

    fn length(&mut self, pointer: &str, text: &str, max: usize) {
        // Characters count, not bytes.
        let count = text.chars().count();
        if count > max {
            self.refuse(pointer, format!("{count} characters; expected at most {max}"));
        }
        if text.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t')) {
            self.refuse(pointer, "expected no control characters");
        }
    }

    /// The user's own name of a record.
    pub(crate) fn key(&mut self, pointer: &str, key: &str) -> String {
        if key.trim().contains(['\n', '\r', '\t']) {
            self.refuse(pointer, "expected a key on one line");
        }
        self.text(pointer, key, KEY_MAX)
    }

    /// A mail address: one `@`, something before it, a domain with a dot after it, no blanks.
    pub(crate) fn email(&mut self, pointer: &str, email: Option<&str>) -> Option<String> {
        let email = self.optional(pointer, email, 254)?;
        let fits = email.split_once('@').is_some_and(|(name, host)| {
            !name.is_empty()
                && host.contains('.')
                && !host.contains('@')
                && !host.starts_with('.')
                && !host.ends_with('.')
        }) && !email.contains(|c: char| c.is_whitespace() || c == ',' || c == ';');
        if !fits {
            self.refuse(pointer, "expected a mail address such as name@example.com");
        }
        Some(email)
    }

    /// A telephone number as E.164 stores it; blanks, dots, hyphens and brackets go.
    pub(crate) fn phone(&mut self, pointer: &str, phone: Option<&str>) -> Option<String> {
        let phone = self.optional(pointer, phone, 40)?;
        let kept: String =
            phone.chars().filter(|c| !matches!(c, ' ' | '.' | '-' | '(' | ')')).collect();
        let digits = kept.strip_prefix('+').unwrap_or_default();
        // Country codes do not begin with 0 (ITU-T E.164).
        let fits = (7..=15).contains(&digits.len())
            && !digits.starts_with('0')
            && digits.chars().all(|c| c.is_ascii_digit());
        if !fits {
            self.refuse(pointer, "expected + and at most 15 digits such as +12025550143");
        }
        Some(kept)
    }

    /// A number between bounds.
    pub(crate) fn number(&mut self, pointer: &str, value: f64, low: f64, high: f64, unit: &str) {
        if !(low..=high).contains(&value) {
            self.refuse(pointer, format!("{value} is outside {low} to {high} {unit}"));
        }
    }

    /// A day that has been, by the latest clock on earth.
    pub(crate) fn past_day(&mut self, pointer: &str, day: Option<NaiveDate>, now: DateTime<Utc>) {
        let Some(day) = day else { return };
        let latest = now.date_naive().checked_add_days(Days::new(1)).unwrap_or(NaiveDate::MAX);
        if day > latest {
            self.refuse(pointer, format!("{day} lies in the future"));
        }
        self.day(pointer, Some(day));
    }

    /// A day of our time.
    pub(crate) fn day(&mut self, pointer: &str, day: Option<NaiveDate>) {
        if let Some(day) = day
            && !(YEAR_MIN..=2200).contains(&day.year())
        {
            self.refuse(pointer, format!("{day} is outside {YEAR_MIN}-01-01 to 2200-12-31"));
        }
    }

    /// Two values of which the first may not come after the second.
    pub(crate) fn order<T: PartialOrd + std::fmt::Display>(
        &mut self,
        pointer: &str,
        first: Option<T>,
        last: Option<T>,
    ) {
        if let (Some(first), Some(last)) = (first, last)
            && last < first
        {
            self.refuse(pointer, format!("{last} comes before {first}"));
        }
    }

    /// Two values that only mean something together.
    pub(crate) fn both_or_neither(&mut self, pointer: &str, one: bool, other: bool) {
        if one != other {
            self.refuse(pointer, "give both or neither");
        }
    }

    /// All mistakes, or none.
    ///
    /// # Errors
    /// 422 with every field that is wrong.
    pub(crate) fn finish(self) -> Result<(), ApiError> {
        if self.0.is_empty() { Ok(()) } else { Err(ApiError::fields(self.0)) }
    }
}

/// Refuses a home that is not there.
pub(crate) fn site_exists(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: SiteId,
) -> Result<(), ApiError> {
    sites::find(conn, branch, site).map(drop).map_err(|error| refer("/site_id", error))
}

/// A row that a member names and that is not there, as that member's mistake.
pub(crate) fn refer(pointer: &str, error: StoreError) -> ApiError {
    match error {
        StoreError::NotFound(what) => ApiError::field(pointer, format!("there is no such {what}")),
        other => other.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_mistakes_are_told_at_once() {
        let mut checks = Checks::default();
        checks.key("/key", "  ");
        checks.number("/supply_volts", -3.0, 100.0, 600.0, "V");
        checks.past_day(
            "/taken_on",
            "2027-01-01".parse().ok(),
            "2026-07-01T00:00:00Z".parse().unwrap(),
        );
        let error = checks.finish().unwrap_err();
        let pointers: Vec<_> = error.field_errors().iter().map(|f| f.pointer.as_str()).collect();
        assert_eq!(pointers, ["/key", "/supply_volts", "/taken_on"]);
    }

    // E.164: + and at most 15 digits.
    #[test]
    fn a_phone_number_is_kept_without_its_dress() {
        let mut checks = Checks::default();
        assert_eq!(checks.phone("/phone", Some("+1 (202) 555-0143")).unwrap(), "+12025550143");
        checks.phone("/phone", Some("555-0143"));
        checks.phone("/phone", Some("+1234567890123456"));
        assert_eq!(checks.finish().unwrap_err().field_errors().len(), 2);
    }

    #[test]
    fn what_is_no_mail_address_is_refused() {
        for text in
            ["anna", "@example.com", "anna@", "anna@home", "a b@example.com", "a@b@example.com"]
        {
            let mut checks = Checks::default();
            checks.email("/email", Some(text));
            assert!(checks.finish().is_err(), "{text}");
        }
        let mut checks = Checks::default();
        assert!(checks.email("/email", Some("müller+ac@example.com")).is_some());
        assert!(checks.email("/email", Some("  ")).is_none());
        checks.finish().unwrap();
    }
}
