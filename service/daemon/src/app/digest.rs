//! The office's digest of the day: whom to call, who has not answered, parts, heat, what changed.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{
    Celsius, DateRange, Language, NoticeKind, Role, SiteId, VisitId, VisitState,
};
use hotspell_notices::compose::{
    DigestList, DigestRow, HeatAhead, HeatOutlook, OfficeDigest, ReachByPhone, Unanswered,
    office_digest,
};
use hotspell_store::accounts::{self, AccountFilter};
use hotspell_store::branches::BranchRecord;
use hotspell_store::contacts::ContactRecord;
use hotspell_store::notices::{self, NoticeFilter};
use hotspell_store::sites::SiteRecord;
use hotspell_store::visits::{self, VisitFilter};
use hotspell_store::{AnyConnection, Page};
use hotspell_weather::season::SpellAhead;

use super::call_list::OpenCall;
use super::letters::{self, Letter, Staff};
use super::notices::SECOND_REMINDER_DAYS;
use super::parts_ahead::{self, PartsAhead};
use super::{AppError, digest_changes, outlook, telling};
use crate::state::AppState;

/// Homes with the person who is written to.
pub(super) type People = BTreeMap<SiteId, (SiteRecord, Option<ContactRecord>)>;

/// What takes long to reckon, before anything is written.
pub(super) struct Outlook {
    heat: outlook::ForecastHeat,
    parts: PartsAhead,
}

/// Reckons heat and parts to come.
///
/// # Errors
/// Those of the store and of reckoning.
pub(super) fn look_ahead(
    state: &AppState,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<Outlook, AppError> {
    Ok(Outlook {
        heat: outlook::forecast_heat(state, branch, today)?,
        parts: parts_ahead::of_branch(state, branch.id, today)?,
    })
}

/// Writes the digest of the day to every office account that has none yet; says how many were new.
///
/// # Errors
/// Those of the store and of composing.
pub(super) fn write(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    people: &People,
    ahead: Outlook,
    calls: &[OpenCall],
) -> Result<usize, AppError> {
    let now = state.now();
    let today = local_day(now, branch.time_zone);
    let key = format!("{}/{today}", NoticeKind::OfficeDigest);
    let filter = AccountFilter {
        role: Some(Role::Office),
        disabled: Some(false),
        ..AccountFilter::default()
    };
    let mut waiting = Vec::new();
    for account in accounts::list(conn, branch.id, &filter, Page::everything())? {
        if !notices::is_enqueued(conn, branch.id, &key, &account.email)? {
            waiting.push(account);
        }
    }
    if waiting.is_empty() {
        return Ok(0);
    }
    let values = values(conn, state, branch, people, ahead, calls)?;
    let content = office_digest(&values).map_err(|error| AppError::internal("digest", error))?;
    let mut count = 0;
    for account in waiting {
        let to = Staff { email: account.email.clone(), name: account.name.clone(), phone: None };
        let letter = Letter::to_staff(
            NoticeKind::OfficeDigest,
            key.clone(),
            to,
            &values.branch,
            values.language,
            content.clone(),
        );
        count += usize::from(letters::enqueue(conn, state, branch, letter)?);
    }
    Ok(count)
}

fn values(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: &BranchRecord,
    people: &People,
    ahead: Outlook,
    calls: &[OpenCall],
) -> Result<OfficeDigest, AppError> {
    let now = state.now();
    let today = local_day(now, branch.time_zone);
    let last = last_digest(conn, branch, today)?;
    let since = last.unwrap_or(now - TimeDelta::days(1));
    let changed = digest_changes::between(conn, branch.id, since, now)?;
    let name = |site: SiteId| {
        people.get(&site).map_or_else(|| format!("site {site}"), |(site, _)| site.name.clone())
    };
    let changes = changed.rows.into_iter().map(|row| DigestRow {
        household_name: name(row.site),
        visit_kind: row.visit_kind,
        what: row.what,
    });
    let page = |path: &str| format!("{}{path}", state.config.server.public_url);
    Ok(OfficeDigest {
        branch: letters::branch_of(branch, &state.config.mail.from),
        language: Language::English,
        day: today,
        temperature_unit: branch.temperature_unit,
        heat: heat(conn, branch, ahead.heat, today)?,
        reach_by_phone: DigestList::new(calls.iter().map(|call| to_call(people, call)).collect()),
        unanswered: DigestList::new(unanswered(conn, branch, people, calls, today)?),
        parts_short: DigestList::new(ahead.parts.short),
        next_load: ahead.parts.next,
        changes: DigestList::new(changes.collect()),
        newly_placed: changed.newly_placed,
        last_digest: last.map(|at| local_day(at, branch.time_zone)),
        calls_url: page("/office/season#needs"),
        overview_url: page("/office/season"),
    })
}

/// When the digest of an earlier day was composed last.
fn last_digest(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<Option<DateTime<Utc>>, AppError> {
    let filter = NoticeFilter { kind: Some(NoticeKind::OfficeDigest), ..NoticeFilter::default() };
    let written = notices::list(conn, branch.id, &filter, Page::everything())?;
    let before = |at: &DateTime<Utc>| local_day(*at, branch.time_zone) < today;
    Ok(written.iter().map(|notice| notice.created_at).filter(before).max())
}

fn to_call(people: &People, call: &OpenCall) -> ReachByPhone {
    let home = people.get(&call.site());
    let contact = home.and_then(|(_, contact)| contact.as_ref());
    ReachByPhone {
        household_name: home
            .map_or_else(|| format!("site {}", call.site()), |(site, _)| site.name.clone()),
        phone: contact.and_then(|contact| contact.phone.clone()),
        about: call.about(),
        why: call.why(contact),
        words: call.words.clone(),
    }
}

/// Households that were told of a visit of the next days and have said nothing, earliest first.
fn unanswered(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    people: &People,
    calls: &[OpenCall],
    today: NaiveDate,
) -> Result<Vec<Unanswered>, AppError> {
    let to_call: BTreeSet<VisitId> =
        calls.iter().filter_map(|call| call.visit().map(|visit| visit.id)).collect();
    let ahead = |days: u64| today.checked_add_days(Days::new(days)).unwrap_or(today);
    let filter = VisitFilter {
        states: Some(vec![VisitState::Announced]),
        days: DateRange::new(ahead(1), ahead(SECOND_REMINDER_DAYS)),
        ..VisitFilter::default()
    };
    let mut rows = Vec::new();
    for visit in visits::list(conn, branch.id, &filter, Page::everything())? {
        let Some(told) = letters::Told::of(&visit).filter(|_| !to_call.contains(&visit.id)) else {
            continue;
        };
        let times_told = telling::times_told(conn, branch.id, visit.id, &told)?;
        let Some((site, contact)) = people.get(&visit.site_id).filter(|_| times_told > 0) else {
            continue;
        };
        rows.push(Unanswered {
            household_name: site.name.clone(),
            phone: contact.as_ref().and_then(|contact| contact.phone.clone()),
            visit_kind: visit.kind,
            window: told.window(),
            times_told,
        });
    }
    rows.sort_by_key(|row| (row.window.day, row.window.from));
    Ok(rows)
}

/// The heat of the forecast, and how many visits whose windows open by then have no day before it.
fn heat(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    heat: outlook::ForecastHeat,
    today: NaiveDate,
) -> Result<HeatAhead, AppError> {
    let spell = match heat {
        outlook::ForecastHeat::Unknown => return Ok(HeatAhead::Unknown),
        outlook::ForecastHeat::None { until } => return Ok(HeatAhead::None { until }),
        outlook::ForecastHeat::Spell(spell) => spell,
    };
    let SpellAhead { first_day, goes_on, days, open_end, highest_celsius } = spell;
    let filter = VisitFilter {
        states: Some(VisitState::holding_a_place_or(&[VisitState::Owed, VisitState::Missed])),
        window: DateRange::new(today, first_day),
        ..VisitFilter::default()
    };
    let due = visits::list(conn, branch.id, &filter, Page::everything())?;
    let before = |day: NaiveDate| (today..first_day).contains(&day);
    let visits_still_open = due
        .iter()
        .filter(|visit| !(visit.state.holds_a_place() && visit.day.is_some_and(before)))
        .count();
    let highest = Celsius::new(highest_celsius)
        .map_err(|error| AppError::internal("temperature of a forecast", error))?;
    Ok(HeatAhead::Spell(HeatOutlook {
        first_day,
        goes_on,
        days,
        open_end,
        highest,
        visits_still_open,
    }))
}
