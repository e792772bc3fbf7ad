//! Parts that the office must see to: what today's trucks lack, and what the next trucks must carry.
//!
//! Nobody counts what lies on the shelf. What a truck holds is known from the load list with which it
//! was loaded; what it needs is reckoned from what is known now.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate, NaiveTime};
use hotspell_domain::local_time;
use hotspell_domain::{BranchId, ComponentClass, DateRange, LoadListId, TechnicianId};
use hotspell_notices::compose::{DayLoad, DigestList, PartShort, PartToCarry};
use hotspell_store::branches::BranchRecord;
use hotspell_store::routes::{
    self, LoadLine, LoadListLineFilter, LoadListRecord, RouteFilter, RouteRecord,
};
use hotspell_store::words::RouteState;
use hotspell_store::{AnyConnection, Page};

use super::loads::{self, Reckoned};
use super::notices::technician_names;
use super::{AppError, letters};
use crate::state::AppState;

/// Days ahead among which the next day with a route is looked for: over a long weekend.
const LOOK_AHEAD_DAYS: u64 = 4;

/// What the office must see to.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct PartsAhead {
    /// What today's trucks lack.
    pub(super) short: Vec<PartShort>,
    /// What the trucks of the next day with a route must carry.
    pub(super) next: Option<DayLoad>,
}

/// Reckons the parts of a branch; nothing before its first scoring.
///
/// # Errors
/// Those of the store and of reckoning.
pub(super) fn of_branch(
    state: &AppState,
    branch: BranchId,
    today: NaiveDate,
) -> Result<PartsAhead, AppError> {
    let last = today.checked_add_days(Days::new(LOOK_AHEAD_DAYS)).unwrap_or(today);
    let days = DateRange { first: today, last };
    let reckoned = match loads::reckon(state, branch, days, today) {
        Ok(reckoned) => reckoned,
        Err(AppError::NotReady(_)) => return Ok(PartsAhead::default()),
        Err(error) => return Err(error),
    };
    state.store.read(|conn| {
        let names = technician_names(conn, branch)?;
        let name = |id: TechnicianId| {
            names.get(&id).map(|name| letters::first_name(name)).unwrap_or_default()
        };
        let mut short = Vec::new();
        for route in reckoned.iter().filter(|it| it.route.day == today) {
            if let Some(loaded) = loaded(conn, branch, &route.route)? {
                short.extend(lacking(route, &loaded, &name(route.route.technician_id)));
            }
        }
        let next = reckoned.iter().map(|it| it.route.day).filter(|day| *day > today).min();
        let next = next.map(|day| DayLoad { day, parts: to_carry(&reckoned, day, name) });
        Ok(PartsAhead { short, next: next.filter(|load| load.parts.total > 0) })
    })
}

/// What today's trucks lack because a day changed after its truck was loaded: what the list of the route
/// in force asks for beyond the list with which the day began. Read from stored lists, so that a page can
/// show it at any time; what readings of the last night ask for besides is in [`of_branch`].
///
/// # Errors
/// Those of the store.
pub fn short_since_loading(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    today: NaiveDate,
) -> Result<Vec<PartShort>, AppError> {
    let names = technician_names(conn, branch.id)?;
    let dawn = local_time::instant(today, NaiveTime::MIN, branch.time_zone);
    let mut by_technician: BTreeMap<TechnicianId, Vec<(RouteRecord, LoadListRecord)>> =
        BTreeMap::new();
    for (route, list) in lists(conn, branch.id, None, today)? {
        by_technician.entry(route.technician_id).or_default().push((route, list));
    }
    let mut short = Vec::new();
    for (technician, lists) in by_technician {
        let in_force = lists.iter().find(|(route, _)| route.state == RouteState::Current);
        let before = lists.iter().rev().find(|(_, list)| list.created_at < dawn);
        let (Some((route, asked)), Some((_, loaded))) = (in_force, before.or(lists.first())) else {
            continue;
        };
        let needed = Reckoned { route: route.clone(), lines: lines(conn, branch.id, asked.id)? };
        let name = names.get(&technician).map(|it| letters::first_name(it)).unwrap_or_default();
        short.extend(lacking(&needed, &lines(conn, branch.id, loaded.id)?, &name));
    }
    Ok(short)
}

/// The load lists of a day in the order of the routes' revisions; of one technician or of all.
fn lists(
    conn: &mut AnyConnection,
    branch: BranchId,
    technician: Option<TechnicianId>,
    day: NaiveDate,
) -> Result<Vec<(RouteRecord, LoadListRecord)>, AppError> {
    let filter =
        RouteFilter { technician, days: DateRange::new(day, day), ..RouteFilter::default() };
    let mut found = Vec::new();
    for route in routes::list(conn, branch, &filter, Page::everything())? {
        if let Some(list) = routes::load_list_of(conn, branch, route.id)? {
            found.push((route, list));
        }
    }
    found.sort_by_key(|(route, _)| route.revision);
    Ok(found)
}

/// The lines of the newest load list of a technician's day, whatever the revision of the route: with it
/// the truck was loaded.
fn loaded(
    conn: &mut AnyConnection,
    branch: BranchId,
    route: &RouteRecord,
) -> Result<Option<Vec<LoadLine>>, AppError> {
    let newest = lists(conn, branch, Some(route.technician_id), route.day)?.pop();
    newest.map(|(_, list)| lines(conn, branch, list.id)).transpose()
}

fn lines(
    conn: &mut AnyConnection,
    branch: BranchId,
    list: LoadListId,
) -> Result<Vec<LoadLine>, AppError> {
    let filter = LoadListLineFilter { load_list: Some(list) };
    let rows = routes::list_lines(conn, branch, &filter, Page::everything())?;
    let line = |row: &routes::LoadListLineRecord| LoadLine {
        class: row.class,
        rating: row.rating.clone(),
        quantity: row.quantity,
        chance_short: row.chance_short,
        why: row.why.clone(),
    };
    Ok(rows.iter().map(line).collect())
}

fn lacking(needed: &Reckoned, loaded: &[LoadLine], technician: &str) -> Vec<PartShort> {
    let open = loads::uncovered_by(&needed.lines, loaded);
    let short = needed.lines.iter().zip(open).filter(|(_, open)| *open > 0);
    short
        .map(|(line, open)| {
            let needed_count = u32::try_from(line.quantity).unwrap_or(0);
            PartShort {
                class: line.class,
                rating: line.rating.clone(),
                needed: needed_count,
                loaded: needed_count.saturating_sub(u32::try_from(open).unwrap_or(u32::MAX)),
                technician_first_name: technician.to_owned(),
                day: needed.route.day,
            }
        })
        .collect()
}

fn to_carry(
    reckoned: &[Reckoned],
    day: NaiveDate,
    name: impl Fn(TechnicianId) -> String,
) -> DigestList<PartToCarry> {
    let mut parts: BTreeMap<(ComponentClass, String), Vec<(String, u32)>> = BTreeMap::new();
    for route in reckoned.iter().filter(|it| it.route.day == day) {
        for line in &route.lines {
            let quantity = u32::try_from(line.quantity).unwrap_or(0);
            let carried = parts.entry((line.class, line.rating.clone())).or_default();
            carried.push((name(route.route.technician_id), quantity));
        }
    }
    let row = |((class, rating), carried_by): ((ComponentClass, String), Vec<(String, u32)>)| {
        let quantity = carried_by.iter().map(|(_, quantity)| quantity).sum();
        PartToCarry { class, rating, quantity, carried_by }
    };
    DigestList::new(parts.into_iter().map(row).collect())
}
