//! The calendar part of a notice: words from the template, times and identity from the values.

use chrono::{DateTime, Utc};
use hotspell_domain::VisitKind;

use super::markdown::{Block, plain};
use super::{Branch, CalendarIdentity, ComposeError, Household, Window, pages};
use crate::calendar::{CalendarEvent, Invitation, Method, Party};

/// What the household's calendar is told.
pub(super) struct Event {
    pub(super) method: Method,
    pub(super) identity: Option<CalendarIdentity>,
    pub(super) branch: Branch,
    pub(super) household: Household,
    pub(super) visit_kind: VisitKind,
    pub(super) window: Window,
    pub(super) technician_first_name: Option<String>,
    pub(super) answer_url: String,
    pub(super) composed_at: DateTime<Utc>,
}

pages!(words(Event) { English => "en/event.md", Spanish => "es/event.md" });

/// The part, when the event has an identity and the household an address.
pub(super) fn part(event: &Event) -> Result<Option<String>, ComposeError> {
    let (starts, ends) = event.window.instants(event.branch.zone)?;
    let (Some(identity), Some(email)) = (&event.identity, &event.household.email) else {
        return Ok(None);
    };
    let document = words(event, event.household.language)?;
    let description: Vec<String> = document
        .sections
        .iter()
        .flat_map(|section| &section.blocks)
        .map(|block| match block {
            Block::Heading(line) | Block::Paragraph(line) => plain(line),
            Block::List(items) => {
                items.iter().map(|item| plain(item)).collect::<Vec<_>>().join("\n")
            }
            Block::Action { label, url } => format!("{label}: {url}"),
        })
        .collect();
    let invitation = Invitation {
        method: event.method,
        event: CalendarEvent {
            uid: identity.uid.clone(),
            sequence: identity.sequence,
            stamp: event.composed_at,
            starts,
            ends,
            summary: document.title,
            description: description.join("\n"),
            location: event.household.site_address.clone(),
        },
        organizer: Party { name: event.branch.name.clone(), email: event.branch.reply_to.clone() },
        attendee: Party { name: event.household.name.clone(), email: email.clone() },
    };
    Ok(Some(invitation.to_ics()))
}
