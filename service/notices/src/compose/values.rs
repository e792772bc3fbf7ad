//! Values that several kinds of notice share.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use hotspell_domain::{Language, local_time};

use super::{ComposeError, OwnLines};

/// The office that writes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Branch {
    /// Name as the households know it.
    pub name: String,
    /// Telephone as it is to be read, if the branch has one; people are asked to write otherwise.
    pub phone: Option<String>,
    /// Postal address on one line; the footer of every mail shows it.
    pub postal_address: String,
    /// Mail address that people answer to; also the organizer of calendar events.
    pub reply_to: String,
    /// Time zone in which days and times are meant.
    pub zone: Tz,
    /// Its own lines in the notice that is composed; mail to staff has none.
    pub own_lines: OwnLines,
}

/// The home that is written to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Household {
    /// How the person is addressed.
    pub name: String,
    /// Mail address; without one there is no calendar part, since an invitation needs an
    /// attendee.
    pub email: Option<String>,
    /// Street address of the site on one line.
    pub site_address: String,
    /// Language of every text.
    pub language: Language,
}

/// A promised stretch of one day, local to the branch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// The day.
    pub day: NaiveDate,
    /// Earliest arrival.
    pub from: NaiveTime,
    /// Latest arrival; after `from`.
    pub to: NaiveTime,
}

impl Window {
    /// Both ends as instants.
    pub(super) fn instants(
        &self,
        zone: Tz,
    ) -> Result<(DateTime<Utc>, DateTime<Utc>), ComposeError> {
        self.check()?;
        Ok((
            local_time::instant(self.day, self.from, zone),
            local_time::instant(self.day, self.to, zone),
        ))
    }

    pub(super) fn check(&self) -> Result<(), ComposeError> {
        if self.from < self.to { Ok(()) } else { Err(ComposeError::Window(*self)) }
    }
}

/// What makes an event the same event in the household's calendar.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalendarIdentity {
    /// The same for the whole life of the visit.
    pub uid: String,
    /// Raised by one with every change (RFC 5546, section 2.1.4).
    pub sequence: u32,
}

/// Which part of a capacitor a value belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Section {
    /// The only section of a single part.
    Only,
    /// The compressor section (HERM) of a dual part.
    Compressor,
    /// The fan section of a dual part.
    Fan,
}

/// The `tel` address (RFC 3966) of a telephone number as people write it: its digits up to a word
/// such as «ext.».
pub(super) fn dialable(phone: &str) -> String {
    let digits = phone
        .chars()
        .take_while(|c| !c.is_alphabetic())
        .filter(|c| c.is_ascii_digit() || *c == '+');
    "tel:".chars().chain(digits).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_written_number_can_be_dialed() {
        assert_eq!(dialable("(602) 555-0140"), "tel:6025550140");
        assert_eq!(dialable("+1 602 555 0140 ext. 12"), "tel:+16025550140");
    }
}
