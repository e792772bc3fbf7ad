//! From plain values to a message: subject, text, HTML and calendar.
//!
//! Each kind of notice is one file here and one template per language (`templates/en`,
//! `templates/es`). Nothing here reads a clock: a moment that the message needs is in its values.

mod calendar_part;
mod delayed;
mod digest;
pub(crate) mod markdown;
mod own_lines;
mod renewal;
mod report;
mod route;
mod slot_changed;
mod upcoming;
mod values;
mod write;

use hotspell_domain::Language;
use serde::{Deserialize, Serialize};

pub use delayed::{TechnicianDelayed, technician_delayed};
pub use digest::{
    CallAbout, DayLoad, DigestChange, DigestList, DigestRow, DigestSlot, HeatAhead, HeatOutlook,
    OfficeDigest, PartShort, PartToCarry, PhoneReason, ReachByPhone, Unanswered, office_digest,
};
pub use own_lines::{MOST_CHARACTERS, OwnLine, OwnLineError, OwnLines, Placeholder};
pub use renewal::{RenewalDue, renewal_due};
pub use report::{
    Finding, FindingAction, FollowUp, SectionReading, UnitReport, VisitReport, visit_report,
};
pub use route::{
    LoadItem, PartReason, Stop, StopPart, StopUnit, TechnicianRoute, technician_route,
};
pub use slot_changed::{ChangeCause, SlotChange, SlotChanged, slot_changed};
pub use upcoming::{UpcomingVisit, VisitReason, day_before, reminder, second_reminder};
pub use values::{Branch, CalendarIdentity, Household, Section, Window};

/// A finished message, as it is kept in the outbox.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ComposedNotice {
    /// One line.
    pub subject: String,
    /// One or two sentences without a link: for the inbox preview, and for channels that carry
    /// no more than a text message.
    pub short: String,
    /// Where the first button leads, for the same channels.
    pub action_url: Option<String>,
    /// The text part, lines ended by LF.
    pub text: String,
    /// The HTML part.
    pub html: String,
    /// The calendar part (RFC 5545), lines ended by CRLF.
    pub calendar: Option<String>,
}

/// Why a message could not be composed.
#[derive(Debug, thiserror::Error)]
pub enum ComposeError {
    /// A template failed.
    #[error("a template could not be filled")]
    Template(#[from] askama::Error),
    /// A template has no heading of level 1.
    #[error("a template gave no title; its first line must be «# …»")]
    NoTitle,
    /// A template uses markup that has no place in a mail.
    #[error(
        "a template uses {0}; only headings, paragraphs, lists, strong text and links go into a mail"
    )]
    Markup(String),
    /// A window that ends before it begins.
    #[error("the window on {day} ends at {to}, which is not after its beginning at {from}", day = .0.day, from = .0.from, to = .0.to)]
    Window(Window),
}

/// Makes the function that fills the template of each language with the values of one kind.
///
/// A new language is a variant of [`Language`], a folder of templates and a line in each use:
/// the compiler names the uses.
macro_rules! pages {
    ($name:ident($values:ty) { $($language:ident => $path:tt),+ $(,)? }) => {
        fn $name(
            values: &$values,
            language: hotspell_domain::Language,
        ) -> Result<$crate::compose::markdown::Document, $crate::compose::ComposeError> {
            let markdown = match language {
                $(hotspell_domain::Language::$language => {
                    #[derive(askama::Template)]
                    #[template(path = $path)]
                    struct Page<'a> {
                        n: &'a $values,
                    }
                    askama::Template::render(&Page { n: values })?
                })+
            };
            $crate::compose::markdown::Document::read(&markdown)
        }
    };
}
use pages;

/// A mail to a household, with the branch's own lines.
fn to_household(
    mut document: markdown::Document,
    branch: &Branch,
    household: &Household,
    calendar: Option<String>,
) -> Result<ComposedNotice, ComposeError> {
    own_lines::insert(&mut document, branch, household);
    compose(&document, household.language, calendar)
}

fn compose(
    document: &markdown::Document,
    language: Language,
    calendar: Option<String>,
) -> Result<ComposedNotice, ComposeError> {
    Ok(ComposedNotice {
        subject: document.title.clone(),
        short: document.short.clone(),
        action_url: document.first_action().map(str::to_owned),
        text: write::text(document),
        html: write::html(document, language)?,
        calendar,
    })
}
