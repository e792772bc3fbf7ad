//! Calendar parts: invitation, update and cancellation of one visit.
//!
//! RFC 5545 (format) and RFC 5546 (methods). Times are UTC, so no time zone component is needed.

use chrono::{DateTime, Utc};
use icalendar::{Calendar, Component as _, Event, EventLike as _, EventStatus, Property};

/// What the part asks of the receiver (RFC 5546, sections 3.2.2 and 3.2.5).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// A new event, or a change of one: same UID, higher SEQUENCE.
    Request,
    /// The event is off: same UID, higher SEQUENCE.
    Cancel,
}

impl Method {
    /// As written in METHOD and in the parameter of the content type, which must be equal
    /// (RFC 6047, section 2.4).
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Request => "REQUEST",
            Self::Cancel => "CANCEL",
        }
    }
}

/// The name and address of an organizer or attendee.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Party {
    /// Common name (CN).
    pub name: String,
    /// Mail address without `mailto:`.
    pub email: String,
}

impl Party {
    fn property(&self, key: &str) -> Property {
        // A parameter value may hold neither control characters nor a double quote (RFC 5545,
        // section 3.2), and there is no escape for them.
        let name: String =
            self.name.chars().map(|c| if c.is_control() || c == '"' { ' ' } else { c }).collect();
        let mut property = Property::new(key, format!("mailto:{}", self.email));
        property.add_parameter("CN", &name);
        property
    }
}

/// One visit as it stands in a calendar.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalendarEvent {
    /// The event's identity for its whole life.
    pub uid: String,
    /// Zero at first, raised by one with every change.
    pub sequence: u32,
    /// DTSTAMP (RFC 5545, section 3.8.7.2): in an invitation when it was made, in a feed when the
    /// visit last changed.
    pub stamp: DateTime<Utc>,
    /// Begin of the promised window, or planned arrival.
    pub starts: DateTime<Utc>,
    /// End of the promised window, or planned departure.
    pub ends: DateTime<Utc>,
    /// One line.
    pub summary: String,
    /// Some lines.
    pub description: String,
    /// Street address.
    pub location: String,
}

impl CalendarEvent {
    fn component(&self) -> Event {
        let mut event = Event::new();
        event
            .uid(&self.uid)
            .sequence(self.sequence)
            .timestamp(self.stamp)
            .starts(self.starts)
            .ends(self.ends)
            .summary(&self.summary)
            .description(&self.description)
            .location(&self.location);
        event
    }
}

/// A visit that somebody is invited to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invitation {
    /// What is asked.
    pub method: Method,
    /// What is planned.
    pub event: CalendarEvent,
    /// Who invites.
    pub organizer: Party,
    /// Who is invited.
    pub attendee: Party,
}

impl Invitation {
    /// The part as text, lines ended by CRLF and folded at 75 octets.
    #[must_use]
    pub fn to_ics(&self) -> String {
        let mut attendee = self.attendee.property("ATTENDEE");
        attendee.add_parameter("ROLE", "REQ-PARTICIPANT");
        // The answer goes through the link in the mail, so no reply is asked for.
        attendee.add_parameter("RSVP", "FALSE");
        attendee.add_parameter("PARTSTAT", "NEEDS-ACTION");

        let mut event = self.event.component();
        event
            .status(match self.method {
                Method::Request => EventStatus::Confirmed,
                Method::Cancel => EventStatus::Cancelled,
            })
            .append_property(self.organizer.property("ORGANIZER"))
            .append_multi_property(attendee);

        let mut calendar = empty_calendar(Some(self.method));
        calendar.push(event);
        finished(&calendar)
    }
}

/// A feed of events to subscribe to, lines ended by CRLF. It has no METHOD: nobody is invited, and
/// what is gone from the feed is gone from the calendar.
#[must_use]
pub fn feed(name: &str, events: &[CalendarEvent]) -> String {
    let mut calendar = empty_calendar(None);
    // RFC 7986, section 5.1.
    calendar.append_property(Property::new("NAME", name));
    calendar.extend(events.iter().map(CalendarEvent::component));
    finished(&calendar)
}

fn empty_calendar(method: Option<Method>) -> Calendar {
    let mut calendar = Calendar::empty();
    calendar
        .append_property(Property::new("VERSION", "2.0"))
        .append_property(Property::new("PRODID", "-//Hotspell//Notices//EN"))
        .append_property(Property::new("CALSCALE", "GREGORIAN"));
    if let Some(method) = method {
        calendar.append_property(Property::new("METHOD", method.as_str()));
    }
    calendar
}

fn finished(calendar: &Calendar) -> String {
    let text = calendar.to_string();
    // Every content line ends with CRLF, the last one too (RFC 5545, section 3.1); the library
    // leaves the last one open.
    if text.ends_with("\r\n") { text } else { text + "\r\n" }
}
