//! Agreements that end soon: their households are told once a term, and may answer by a link.

use chrono::{Days, NaiveDate, NaiveTime, TimeDelta};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{AgreementId, BranchId, DateRange, NoticeKind, SiteId, VisitState};
use hotspell_notices::compose::{self, RenewalDue};
use hotspell_notices::links::{LinkClaims, LinkPurpose};
use hotspell_store::agreements::{self, AgreementFilter, AgreementRecord};
use hotspell_store::answers::AnswerRecord;
use hotspell_store::branches::BranchRecord;
use hotspell_store::contacts::{self, ContactRecord};
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::visits::{self, VisitFilter};
use hotspell_store::words::AnswerKind;
use hotspell_store::{AnyConnection, Page, branches, link_generations, notices};
use serde_json::json;

use super::AppError;
use super::answers::{Said, claims, find_contact, keep, still_counts};
use super::letters::{self, HouseholdLetter};
use crate::state::AppState;

/// Writes to the households whose agreement ends within the set number of days and has no successor;
/// says how many were new.
///
/// # Errors
/// Those of the store and of composing.
pub fn write_due(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<usize, AppError> {
    let ahead = Days::new(u64::from(state.config.mail.renewal_days));
    let until = today.checked_add_days(ahead).unwrap_or(today);
    let mut count = 0;
    for agreement in ending(conn, branch.id, None, DateRange::new(today, until))? {
        count += usize::from(write_one(conn, state, branch, &agreement)?);
    }
    Ok(count)
}

/// The agreement that an answer is about, if it is about one.
#[must_use]
pub fn answered_agreement(answer: &AnswerRecord) -> Option<AgreementId> {
    answer.detail.as_ref()?.get("agreement_id")?.as_i64().map(AgreementId)
}

/// Agreements whose last day lies in a range and after which no other one of the home begins.
pub(super) fn ending(
    conn: &mut AnyConnection,
    branch: BranchId,
    site: Option<SiteId>,
    range: Option<DateRange>,
) -> Result<Vec<AgreementRecord>, AppError> {
    let filter = AgreementFilter { site, ends_within: range, ..AgreementFilter::default() };
    let mut kept = Vec::new();
    for agreement in agreements::list(conn, branch, &filter, Page::everything())? {
        let Some(last_day) = agreement.last_day else { continue };
        let filter =
            AgreementFilter { site: Some(agreement.site_id), ..AgreementFilter::default() };
        let others = agreements::list(conn, branch, &filter, Page::everything())?;
        let goes_on = others.iter().any(|other| {
            other.id != agreement.id && other.last_day.is_none_or(|last| last > last_day)
        });
        if !goes_on {
            kept.push(agreement);
        }
    }
    kept.sort_by_key(|agreement| (agreement.last_day, agreement.id));
    Ok(kept)
}

fn write_one(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    agreement: &AgreementRecord,
) -> Result<bool, AppError> {
    let contact = letters::addressee(conn, branch.id, agreement.site_id)?;
    let (Some(contact), Some(last_day)) =
        (contact.filter(|contact| contact.may_be_mailed()), agreement.last_day)
    else {
        return Ok(false);
    };
    let event_key = format!("{}/agreement-{}/{last_day}", NoticeKind::RenewalDue, agreement.id);
    let email = contact.email.clone().unwrap_or_default();
    if notices::is_enqueued(conn, branch.id, &event_key, &email)? {
        return Ok(false);
    }
    let site = sites::find(conn, branch.id, agreement.site_id)?;
    let filter = VisitFilter { agreement: Some(agreement.id), ..VisitFilter::default() };
    let all = visits::list(conn, branch.id, &filter, Page::everything())?;
    let count = |wanted: fn(VisitState) -> bool| {
        u32::try_from(all.iter().filter(|visit| wanted(visit.state)).count()).unwrap_or(u32::MAX)
    };
    let stop_url = letters::stop_url(state, contact.id, state.now());
    let values = RenewalDue {
        branch: letters::writer_of(conn, state, branch, NoticeKind::RenewalDue, site.language)?,
        household: letters::household_of(&site, &contact),
        last_day,
        visits_done: count(|state| state == VisitState::Done),
        visits_open: count(|state| !state.next_states().is_empty()),
        answer_url: answer_url(conn, state, &contact, last_day)?,
        stop_url: stop_url.clone(),
    };
    let content = compose::renewal_due(&values)
        .map_err(|error| AppError::internal("notice of a renewal", error))?;
    let letter = HouseholdLetter {
        branch,
        site: &site,
        contact: &contact,
        kind: NoticeKind::RenewalDue,
        event_key,
        visit: None,
        content,
        stop_url,
        told: None,
        sequence: None,
        useful_until: None,
    };
    letters::to_household(conn, state, letter)
}

/// Link to the page on which the household answers about its agreement; it counts to the last day.
fn answer_url(
    conn: &mut AnyConnection,
    state: &AppState,
    contact: &ContactRecord,
    last_day: NaiveDate,
) -> Result<String, AppError> {
    let generation = link_generations::current(conn, contact.branch_id, contact.id)?;
    let token = state.links.sign(&LinkClaims {
        purpose: LinkPurpose::AnswerRenewal,
        visit: None,
        contact: contact.id,
        generation,
        expires_at: last_day.and_time(NaiveTime::MIN).and_utc() + TimeDelta::days(2),
    });
    Ok(format!("{}/renew/{token}", state.config.server.public_url))
}

/// What the page about an agreement shows.
#[derive(Debug, Clone)]
pub struct RenewalView {
    /// The branch.
    pub branch: BranchRecord,
    /// The home.
    pub site: SiteRecord,
    /// The person.
    pub contact: ContactRecord,
    /// The agreement that ends next.
    pub agreement: AgreementRecord,
}

/// Loads the page behind a renewal link. Reading changes nothing.
///
/// # Errors
/// [`AppError::Forbidden`] for a link that does not count, [`AppError::NotFound`] when the agreement
/// has ended or goes on.
pub fn view(state: &AppState, token: &str) -> Result<RenewalView, AppError> {
    let claims = claims(state, token, LinkPurpose::AnswerRenewal)?;
    state.store.read(|conn| load(conn, state, &claims))
}

fn load(
    conn: &mut AnyConnection,
    state: &AppState,
    claims: &LinkClaims,
) -> Result<RenewalView, AppError> {
    let (branch, _) = find_contact(conn, claims.contact)?;
    let branch = branches::find(conn, branch)?;
    let contact = contacts::find(conn, branch.id, claims.contact)?;
    still_counts(conn, branch.id, claims)?;
    let site = sites::find(conn, branch.id, contact.site_id)?;
    let today = local_day(state.now(), branch.time_zone);
    let all = ending(conn, branch.id, Some(site.id), None)?;
    let next = all.into_iter().find(|agreement| agreement.last_day >= Some(today));
    let agreement = next.ok_or_else(|| AppError::not_found("agreement that ends at", site.id))?;
    Ok(RenewalView { branch, site, contact, agreement })
}

/// What a household says about its agreement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RenewalAnswer {
    /// It wants to go on; the office makes the new agreement.
    GoOn,
    /// It wants to be called, perhaps with a question.
    CallMe {
        /// What the household wrote.
        words: String,
    },
}

/// Keeps an answer about an agreement for the office.
///
/// # Errors
/// As [`view`].
pub fn answer(
    state: &AppState,
    token: &str,
    answer: &RenewalAnswer,
) -> Result<RenewalView, AppError> {
    let claims = claims(state, token, LinkPurpose::AnswerRenewal)?;
    let now = state.now();
    state.store.write(|conn| {
        let view = load(conn, state, &claims)?;
        let (what, words) = match answer {
            RenewalAnswer::GoOn => (AnswerKind::Confirmed, None),
            RenewalAnswer::CallMe { words } => (AnswerKind::CallMe, Some(words)),
        };
        let detail = json!({
            "about": "renewal",
            "agreement_id": view.agreement.id,
            "words": words,
        });
        let (by, detail) = (view.contact.id, Some(detail));
        keep(conn, view.branch.id, Said { token, by, visit: None, what, detail }, now)?;
        Ok(view)
    })
}
