//! Parts that the office must see to: what today's trucks lack, and what the next trucks must carry.
//!
//! Nobody counts what lies on the shelf. What a truck holds is known from the load list with which it
//! was loaded; what it needs is reckoned from what is known now.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use hotspell_domain::{BranchId, ComponentClass, DateRange, TechnicianId};
use hotspell_notices::compose::{DayLoad, DigestList, PartShort, PartToCarry};
use hotspell_store::routes::{self, LoadLine, LoadListLineFilter, RouteFilter, RouteRecord};
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

/// The lines of the newest load list of a technician's day, whatever the revision of the route: with it
/// the truck was loaded.
fn loaded(
    conn: &mut AnyConnection,
    branch: BranchId,
    route: &RouteRecord,
) -> Result<Option<Vec<LoadLine>>, AppError> {
    let filter = RouteFilter {
        technician: Some(route.technician_id),
        days: DateRange::new(route.day, route.day),
        ..RouteFilter::default()
    };
    let mut newest = None;
    for revision in routes::list(conn, branch, &filter, Page::everything())? {
        let Some(list) = routes::load_list_of(conn, branch, revision.id)? else { continue };
        let earlier: Option<i32> = newest.as_ref().map(|(revision, _)| *revision);
        if earlier.is_none_or(|earlier| earlier < revision.revision) {
            newest = Some((revision.revision, list.id));
        }
    }
    let Some((_, list)) = newest else { return Ok(None) };
    let filter = LoadListLineFilter { load_list: Some(list) };
    let lines = routes::list_lines(conn, branch, &filter, Page::everything())?;
    let line = |row: &routes::LoadListLineRecord| LoadLine {
        class: row.class,
        rating: row.rating.clone(),
        quantity: row.quantity,
        chance_short: row.chance_short,
        why: row.why.clone(),
    };
    Ok(Some(lines.iter().map(line).collect()))
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
