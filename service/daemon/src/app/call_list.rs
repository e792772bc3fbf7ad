//! Whom somebody must call, and why: households that asked for it, and those that no mail can tell.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{
    AgreementId, BranchId, DateRange, NoticeKind, SiteId, VisitId, VisitKind, VisitState,
};
use hotspell_notices::compose::{CallAbout, PhoneReason};
use hotspell_store::agreements::{self, AgreementRecord};
use hotspell_store::answers::{self, AnswerFilter, AnswerRecord};
use hotspell_store::branches::BranchRecord;
use hotspell_store::contacts::{self, ContactRecord};
use hotspell_store::notices::{self, NoticeFilter};
use hotspell_store::visits::{self, VisitEventFilter, VisitFilter, VisitRecord};
use hotspell_store::words::{AnswerKind, NoticeState};
use hotspell_store::{AnyConnection, Page};

use super::notices::REMINDER_DAYS;
use super::{AppError, renewals};

/// Answers older than this were dealt with or are too late.
const ANSWER_DAYS: i64 = 30;
/// Changes of a slot older than this no longer leave anybody waiting: reminders go out two weeks ahead,
/// so that nobody knows of a slot earlier.
const CHANGE_DAYS: i64 = 30;

/// What a call is about.
#[derive(Debug, Clone, PartialEq)]
pub enum CallSubject {
    /// A visit.
    Visit(Box<VisitRecord>),
    /// An agreement that ends.
    Renewal(Box<AgreementRecord>),
}

/// Why somebody must call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CallReason {
    /// The household asked for a call.
    AskedForCall,
    /// It wants another time and has not got one yet.
    WantsAnotherTime,
    /// It waits for a slot that was moved or taken away, and no mail said so.
    StillExpectsUs,
    /// Its visit is today or tomorrow and no mail could tell it in time.
    NotToldYet,
    /// Mail may not or cannot reach anybody there.
    NoMail,
}

/// A call to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenCall {
    /// What about.
    pub subject: CallSubject,
    /// Why.
    pub reason: CallReason,
    /// What the household wrote.
    pub words: Option<String>,
    /// When it asked.
    pub asked_at: Option<DateTime<Utc>>,
}

impl OpenCall {
    /// The home.
    #[must_use]
    pub fn site(&self) -> SiteId {
        match &self.subject {
            CallSubject::Visit(visit) => visit.site_id,
            CallSubject::Renewal(agreement) => agreement.site_id,
        }
    }

    /// The visit, if it is about one.
    #[must_use]
    pub fn visit(&self) -> Option<&VisitRecord> {
        match &self.subject {
            CallSubject::Visit(visit) => Some(visit),
            CallSubject::Renewal(_) => None,
        }
    }

    /// What it is about, in the words of mails and pages.
    #[must_use]
    pub fn about(&self) -> CallAbout {
        match &self.subject {
            CallSubject::Visit(visit) => CallAbout::Visit { kind: visit.kind, day: visit.day },
            CallSubject::Renewal(agreement) => {
                CallAbout::Renewal { last_day: agreement.last_day.unwrap_or(agreement.first_day) }
            }
        }
    }

    /// Why, as it is told when one knows who lives there.
    #[must_use]
    pub fn why(&self, contact: Option<&ContactRecord>) -> PhoneReason {
        match (self.reason, contact) {
            (CallReason::AskedForCall, _) => PhoneReason::AskedForCall,
            (CallReason::WantsAnotherTime, _) => PhoneReason::WantsAnotherTime,
            (CallReason::StillExpectsUs, _) => PhoneReason::StillExpectsUs,
            (CallReason::NotToldYet, _) => PhoneReason::NotToldYet,
            (CallReason::NoMail, None) => PhoneReason::NobodyOnRecord,
            (CallReason::NoMail, Some(person)) if person.email.is_none() => PhoneReason::NoAddress,
            (CallReason::NoMail, Some(person)) if person.stopped_at.is_some() => {
                PhoneReason::StoppedMail
            }
            (CallReason::NoMail, Some(person)) if !person.mail_consent => PhoneReason::NoConsent,
            (CallReason::NoMail, Some(_)) => PhoneReason::MailComesBack,
        }
    }
}

/// Every call to be made: first those who asked, longest waiting first, then those who wait for a visit
/// that has changed, then visits by day, then agreements by their last day. A visit or agreement stands
/// in it once, under the first of its reasons. `renewal_days`: how long before its end an agreement is
/// spoken of.
///
/// # Errors
/// Those of the store.
pub fn list(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    renewal_days: u32,
    now: DateTime<Utc>,
) -> Result<Vec<OpenCall>, AppError> {
    let today = local_day(now, branch.time_zone);
    let reached = contacts::homes_reached_by_mail(conn, branch.id)?;
    let mut calls = asked(conn, branch.id, today, now)?;
    calls.extend(left_waiting(conn, branch.id, today, now)?);
    calls.extend(untold(conn, branch.id, &reached, today)?);
    let until = today.checked_add_days(Days::new(u64::from(renewal_days))).unwrap_or(today);
    for agreement in renewals::ending(conn, branch.id, None, DateRange::new(today, until))? {
        if !reached.contains(&agreement.site_id) {
            calls.push(OpenCall {
                subject: CallSubject::Renewal(Box::new(agreement)),
                reason: CallReason::NoMail,
                words: None,
                asked_at: None,
            });
        }
    }
    let mut seen = BTreeSet::new();
    calls.retain(|call| seen.insert(subject_key(&call.subject)));
    Ok(calls)
}

/// What makes two calls about the same thing one.
fn subject_key(subject: &CallSubject) -> (bool, i64) {
    match subject {
        CallSubject::Visit(visit) => (false, visit.id.0),
        CallSubject::Renewal(agreement) => (true, agreement.id.0),
    }
}

/// Households that asked for something by their newest answer, and have not got it.
fn asked(
    conn: &mut AnyConnection,
    branch: BranchId,
    today: NaiveDate,
    now: DateTime<Utc>,
) -> Result<Vec<OpenCall>, AppError> {
    let from = Some(now - TimeDelta::days(ANSWER_DAYS));
    let filter = AnswerFilter { from, ..AnswerFilter::default() };
    let mut of_visits: BTreeMap<VisitId, AnswerRecord> = BTreeMap::new();
    let mut of_agreements: BTreeMap<AgreementId, AnswerRecord> = BTreeMap::new();
    for answer in answers::list(conn, branch, &filter, Page::everything())? {
        if let Some(visit) = answer.visit_id {
            of_visits.insert(visit, answer);
        } else if let Some(agreement) = renewals::answered_agreement(&answer) {
            of_agreements.insert(agreement, answer);
        }
    }
    let mut calls = Vec::new();
    for (id, answer) in of_visits {
        let Some(reason) = wish(&answer) else { continue };
        let visit = visits::find(conn, branch, id)?;
        let open = visit.state.holds_a_place() || visit.state == VisitState::Owed;
        if open
            && !(reason == CallReason::WantsAnotherTime && moved_since(conn, &visit, answer.at)?)
        {
            calls.push(call(CallSubject::Visit(Box::new(visit)), reason, &answer));
        }
    }
    for (id, answer) in of_agreements {
        if answer.what != AnswerKind::CallMe {
            continue;
        }
        let agreement = agreements::find(conn, branch, id)?;
        let last = agreement.last_day.and_then(|last| DateRange::new(last, last));
        let ends = agreement.last_day.is_some_and(|last| last >= today);
        let open = renewals::ending(conn, branch, Some(agreement.site_id), last)?;
        if ends && open.iter().any(|it| it.id == id) {
            let subject = CallSubject::Renewal(Box::new(agreement));
            calls.push(call(subject, CallReason::AskedForCall, &answer));
        }
    }
    calls.sort_by_key(|call| call.asked_at);
    Ok(calls)
}

/// What an answer about a visit asks for, if it asks for anything.
fn wish(answer: &AnswerRecord) -> Option<CallReason> {
    // A slot that was chosen from those kept is settled.
    let settled = answer.detail.as_ref().is_some_and(|detail| detail.get("hold").is_some());
    match answer.what {
        _ if settled => None,
        AnswerKind::CallMe => Some(CallReason::AskedForCall),
        AnswerKind::AnotherSlot | AnswerKind::Declined => Some(CallReason::WantsAnotherTime),
        AnswerKind::Confirmed | AnswerKind::StopMail => None,
    }
}

fn call(subject: CallSubject, reason: CallReason, answer: &AnswerRecord) -> OpenCall {
    let words = answer.detail.as_ref().and_then(|detail| detail.get("words"));
    let words = words.and_then(|words| words.as_str()).filter(|words| !words.is_empty());
    OpenCall { subject, reason, words: words.map(str::to_owned), asked_at: Some(answer.at) }
}

/// Whether a visit was given a place after an instant.
fn moved_since(
    conn: &mut AnyConnection,
    visit: &VisitRecord,
    at: DateTime<Utc>,
) -> Result<bool, AppError> {
    let filter =
        VisitEventFilter { visit: Some(visit.id), from: Some(at), ..VisitEventFilter::default() };
    let events = visits::list_events(conn, visit.branch_id, &filter, Page::everything())?;
    Ok(events.iter().any(|event| event.at > at && event.to_state == VisitState::Placed))
}

/// Households that were told of a slot still to come, which is no longer theirs, and that no message
/// about the change is on its way to.
fn left_waiting(
    conn: &mut AnyConnection,
    branch: BranchId,
    today: NaiveDate,
    now: DateTime<Utc>,
) -> Result<Vec<OpenCall>, AppError> {
    let filter = VisitEventFilter {
        from: Some(now - TimeDelta::days(CHANGE_DAYS)),
        from_states: Some(vec![VisitState::Announced, VisitState::Agreed]),
        ..VisitEventFilter::default()
    };
    let mut lost: BTreeMap<VisitId, DateTime<Utc>> = BTreeMap::new();
    for event in visits::list_events(conn, branch, &filter, Page::everything())? {
        let taken =
            matches!(event.to_state, VisitState::Owed | VisitState::Placed | VisitState::Dropped);
        if taken && event.day_before.is_some_and(|day| day >= today) {
            lost.insert(event.visit_id, event.at);
        }
    }
    let mut calls = Vec::new();
    for (id, at) in lost {
        let visit = visits::find(conn, branch, id)?;
        let unsaid =
            matches!(visit.state, VisitState::Owed | VisitState::Placed | VisitState::Dropped);
        if unsaid && !told_since(conn, &visit, at)? {
            calls.push(OpenCall {
                subject: CallSubject::Visit(Box::new(visit)),
                reason: CallReason::StillExpectsUs,
                words: None,
                asked_at: None,
            });
        }
    }
    Ok(calls)
}

/// Whether a message about a change of the visit left, or waits to leave, since an instant.
fn told_since(
    conn: &mut AnyConnection,
    visit: &VisitRecord,
    at: DateTime<Utc>,
) -> Result<bool, AppError> {
    let filter = NoticeFilter {
        visit: Some(visit.id),
        kind: Some(NoticeKind::SlotChanged),
        created_from: Some(at),
        ..NoticeFilter::default()
    };
    let about = notices::list(conn, visit.branch_id, &filter, Page::everything())?;
    Ok(about.iter().any(|notice| {
        !matches!(
            notice.state,
            NoticeState::Cancelled | NoticeState::Refused | NoticeState::GivenUp
        )
    }))
}

/// Visits of the next days of which no mail can or did tell, earliest first. Who called because nothing
/// cools was told while calling.
fn untold(
    conn: &mut AnyConnection,
    branch: BranchId,
    reached: &BTreeSet<SiteId>,
    today: NaiveDate,
) -> Result<Vec<OpenCall>, AppError> {
    let ahead = |days: u64| today.checked_add_days(Days::new(days)).unwrap_or(today);
    let filter = VisitFilter {
        states: Some(vec![VisitState::Placed, VisitState::Announced]),
        days: DateRange::new(today, ahead(REMINDER_DAYS)),
        ..VisitFilter::default()
    };
    let mut coming = visits::list(conn, branch, &filter, Page::everything())?;
    coming.sort_by_key(|visit| (visit.day, visit.id));
    let call = |visit: VisitRecord| {
        let near = visit.day.is_some_and(|day| day <= ahead(1));
        let late = visit.state == VisitState::Placed && near && visit.kind != VisitKind::NoCoolCall;
        let reason = match reached.contains(&visit.site_id) {
            false => CallReason::NoMail,
            true if late => CallReason::NotToldYet,
            true => return None,
        };
        let subject = CallSubject::Visit(Box::new(visit));
        Some(OpenCall { subject, reason, words: None, asked_at: None })
    };
    Ok(coming.into_iter().filter_map(call).collect())
}
