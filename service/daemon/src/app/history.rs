//! What happened at a home, in the order of time.

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use hotspell_domain::{BranchId, DateRange, SiteId, VisitId, local_time};
use hotspell_store::agreements::{self, AgreementFilter};
use hotspell_store::answers::{self, AnswerFilter};
use hotspell_store::components::{self, ComponentFilter};
use hotspell_store::contacts::{self, ContactFilter};
use hotspell_store::notices::{self, NoticeFilter};
use hotspell_store::readings::{self, ReadingFilter};
use hotspell_store::visits::{self, VisitEventFilter, VisitFilter, VisitResultFilter};
use hotspell_store::{AnyConnection, Page, branches};

use super::AppError;

/// What kind of thing happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Happening {
    /// An agreement began or ended.
    Agreement,
    /// A visit moved from one state to another.
    Visit,
    /// A technician sent something in.
    Result,
    /// A part was measured or looked at.
    Reading,
    /// A part ended.
    Replacement,
    /// A notice was composed.
    Notice,
    /// The household answered.
    Answer,
}

/// One line of the history.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistoryEntry {
    /// The day, of the branch's calendar.
    pub on: NaiveDate,
    /// When exactly, if that is known.
    pub at: Option<DateTime<Utc>>,
    /// What kind of thing.
    pub what: Happening,
    /// Number of the visit, part, notice or agreement that it is about.
    pub subject: i64,
    /// In words for the office.
    pub text: String,
}

/// Collects what happened at a home on the days of a range.
struct Collector {
    zone: chrono_tz::Tz,
    days: DateRange,
    entries: Vec<HistoryEntry>,
}

impl Collector {
    fn on(&mut self, on: NaiveDate, what: Happening, subject: i64, text: String) {
        if self.days.contains(on) {
            self.entries.push(HistoryEntry { on, at: None, what, subject, text });
        }
    }

    fn at(&mut self, at: DateTime<Utc>, what: Happening, subject: i64, text: String) {
        let on = local_time::local_day(at, self.zone);
        if self.days.contains(on) {
            self.entries.push(HistoryEntry { on, at: Some(at), what, subject, text });
        }
    }
}

/// The history of a home: agreements, visits, results, readings, replacements, notices and answers,
/// earliest first; of one day those whose moment is known come after the others.
///
/// # Errors
/// Those of the store.
pub fn of_site(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: SiteId,
    days: DateRange,
) -> Result<Vec<HistoryEntry>, AppError> {
    let zone = branches::find(conn, branch)?.time_zone;
    let mut all = Collector { zone, days, entries: Vec::new() };
    let filter = VisitFilter { site: Some(site), ..VisitFilter::default() };
    let visits = visits::list(conn, branch, &filter, Page::everything())?;
    for visit in &visits {
        of_visit(conn, branch, visit.id, &mut all)?;
    }
    of_agreements(conn, branch, site, &mut all)?;
    of_parts(conn, branch, site, &mut all)?;
    of_letters(conn, branch, site, visits.iter().map(|visit| visit.id).collect(), &mut all)?;
    let mut entries = all.entries;
    entries.sort_by(|a, b| {
        (a.on, a.at, a.what, a.subject, &a.text).cmp(&(b.on, b.at, b.what, b.subject, &b.text))
    });
    Ok(entries)
}

fn of_visit(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitId,
    all: &mut Collector,
) -> Result<(), AppError> {
    let filter = VisitEventFilter { visit: Some(visit), ..VisitEventFilter::default() };
    let kind = visits::find(conn, branch, visit)?.kind;
    for event in visits::list_events(conn, branch, &filter, Page::everything())? {
        let day = event.day_after.map(|day| format!(" for {day}")).unwrap_or_default();
        let why = event.why.as_ref().map(|why| format!(": {why}")).unwrap_or_default();
        let text = format!("{kind} {}{day} by {}{why}", event.to_state, event.who);
        all.at(event.at, Happening::Visit, visit.0, text);
    }
    let filter = VisitResultFilter { visit: Some(visit) };
    for result in visits::list_results(conn, branch, &filter, Page::everything())? {
        let count = |member: &str| result.payload[member].as_array().map_or(0, Vec::len);
        let note = result.payload["note"].as_str().map(|note| format!(": {note}"));
        let text = format!(
            "result with {} readings and {} replacements{}",
            count("readings"),
            count("replacements"),
            note.unwrap_or_default()
        );
        all.at(result.received_at, Happening::Result, visit.0, text);
    }
    Ok(())
}

fn of_agreements(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: SiteId,
    all: &mut Collector,
) -> Result<(), AppError> {
    let filter = AgreementFilter { site: Some(site), ..AgreementFilter::default() };
    for agreement in agreements::list(conn, branch, &filter, Page::everything())? {
        let (what, number, key) = (Happening::Agreement, agreement.id.0, &agreement.key);
        all.on(agreement.first_day, what, number, format!("agreement {key} begins"));
        if let Some(last) = agreement.last_day {
            all.on(last, what, number, format!("agreement {key} ends"));
        }
    }
    Ok(())
}

fn of_parts(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: SiteId,
    all: &mut Collector,
) -> Result<(), AppError> {
    let filter = ComponentFilter { site: Some(site), ..ComponentFilter::default() };
    let parts = components::list(conn, branch, &filter, Page::everything())?;
    for part in &parts {
        let Some((day, kind)) = part.ended_on.zip(part.end_kind) else { continue };
        let next = part.replaced_by_id.and_then(|id| parts.iter().find(|part| part.id == id));
        let next = next.map(|next| {
            format!(", followed by {} {}", next.key, next.rating.as_deref().unwrap_or_default())
        });
        let text = format!("{} at {} {kind}{}", part.key, part.position, next.unwrap_or_default());
        all.on(day, Happening::Replacement, part.id.0, text.trim_end().to_owned());
    }
    let filter =
        ReadingFilter { site: Some(site), taken: Some(all.days), ..ReadingFilter::default() };
    for reading in readings::list(conn, branch, &filter, Page::everything())? {
        let part = parts.iter().find(|part| part.id == reading.component_id);
        let key = part.map_or("", |part| part.key.as_str());
        let mut said: Vec<String> = Vec::new();
        said.extend(reading.microfarads.map(|value| format!("{value} uF")));
        said.extend(reading.volts.map(|value| format!("{value} V")));
        said.extend(reading.amperes.map(|value| format!("{value} A")));
        said.extend(reading.conditions.iter().map(ToString::to_string));
        said.extend(reading.note.clone());
        let text = format!("{key} {}: {}", reading.section, said.join(", "));
        match reading.taken_at {
            Some(at) => all.at(at, Happening::Reading, reading.component_id.0, text),
            None => all.on(reading.taken_on, Happening::Reading, reading.component_id.0, text),
        }
    }
    Ok(())
}

/// Notices to the people of the home or about its visits, and what they answered.
fn of_letters(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: SiteId,
    visits: BTreeSet<VisitId>,
    all: &mut Collector,
) -> Result<(), AppError> {
    let filter = ContactFilter { site: Some(site), ..ContactFilter::default() };
    let people = contacts::list(conn, branch, &filter, Page::everything())?;
    // A day more on either side: the days are the branch's, the moments are not.
    let from = all.days.first.and_time(NaiveTime::MIN).and_utc() - TimeDelta::days(1);
    for person in &people {
        let filter = NoticeFilter {
            contact: Some(person.id),
            created_from: Some(from),
            ..NoticeFilter::default()
        };
        for notice in notices::list(conn, branch, &filter, Page::everything())? {
            let text = format!("{} to {}: {}", notice.kind, person.name, notice.state);
            all.at(notice.created_at, Happening::Notice, notice.id.0, text);
        }
    }
    let filter = AnswerFilter { from: Some(from), ..AnswerFilter::default() };
    for answer in answers::list(conn, branch, &filter, Page::everything())? {
        let of_home = answer.visit_id.is_some_and(|visit| visits.contains(&visit))
            || answer.contact_id.is_some_and(|id| people.iter().any(|person| person.id == id));
        if of_home {
            let number = answer.visit_id.map_or(0, |visit| visit.0);
            all.at(answer.at, Happening::Answer, number, format!("the household: {}", answer.what));
        }
    }
    Ok(())
}
