//! Parts: one row for one part in one position for one stretch of time.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::{BoolExpressionMethods, ExpressionMethods, JoinOnDsl, QueryDsl, RunQueryDsl};
use hotspell_domain::{
    BranchId, ComponentClass, ComponentEnd, ComponentId, DateRange, SiteId, UnitId,
};

use crate::columns::{RawId, RawNullId, RawNullText, RawText, naive};
use crate::listing::listing;
use crate::record::{editable, keyed};
use crate::schema::{components, units};
use crate::words::Resource;
use crate::{AnyConnection, StoreError, changes, sightings};

editable! {
    /// A part in one position of a unit for one stretch of time.
    components, Component, ComponentRecord, ComponentFields, ComponentId {
        /// The user's own name of it.
        key: String,
        /// The machine.
        unit_id: UnitId as RawId,
        /// The place in the machine, the same for all that sat there.
        position: String,
        /// What it is.
        class: ComponentClass as RawText,
        /// As printed; a capacitor's reads as `hotspell_domain::CapacitorRating`.
        rating: Option<String>,
        /// It was not installed before this day; equal to the latest when the day is known.
        installed_earliest: Option<NaiveDate>,
        /// It was installed by this day.
        installed_latest: Option<NaiveDate>,
        /// Before this day its failure would not have been noticed (left truncation).
        observed_from: NaiveDate,
        /// Whether every part that ever sat in the position is on record.
        history_complete: bool,
        /// The day on which its end was found; nothing while it lives.
        ended_on: Option<NaiveDate>,
        /// How it ended.
        end_kind: Option<ComponentEnd> as RawNullText,
        /// Last day on which it was seen working.
        last_seen_good_on: Option<NaiveDate>,
        /// The part that followed it.
        replaced_by_id: Option<ComponentId> as RawNullId,
        /// Maker's date code or lot.
        batch: Option<String>,
    }
}
keyed!(components, ComponentRecord, ComponentFields, ComponentId, key);

listing! {
    components, ComponentRecord, list,
    /// Which components.
    ComponentFilter {
        /// One of these, at most a few hundred.
        numbers: Vec<ComponentId> => |numbers| components::id
            .eq_any(numbers.iter().map(|id| id.0).collect::<Vec<_>>()),
        /// Of this machine.
        unit: UnitId => |unit| components::unit_id.eq(unit.0),
        /// Of the machines at this home.
        site: SiteId => |site| components::unit_id.eq_any(
            units::table.filter(units::site_id.eq(site.0)).select(units::id),
        ),
        /// Of the machines at one of these homes, at most a few hundred.
        sites: Vec<SiteId> => |sites| components::unit_id.eq_any(
            units::table
                .filter(units::site_id.eq_any(sites.iter().map(|id| id.0).collect::<Vec<_>>()))
                .select(units::id),
        ),
        /// Of this class.
        class: ComponentClass => |class| components::class.eq(class.as_str()),
        /// In this position.
        position: String => |position| components::position.eq(position.as_str()),
        /// Still in service, or ended.
        living: bool => |living| components::ended_on.is_null().eq(*living),
        /// Ended so.
        end_kind: ComponentEnd => |kind| components::end_kind
            .eq(kind.as_str()),
        /// Whose end was found in the range.
        ended: DateRange => |range| components::ended_on
            .between(range.first, range.last),
        /// In service at some time of the range, as far as the install day is known.
        in_service: DateRange => |range| components::ended_on
            .is_null()
            .or(components::ended_on.ge(range.first))
            .and(
                components::installed_earliest
                    .is_null()
                    .or(components::installed_earliest.le(range.last)),
            ),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| components::updated_at.gt(naive(*at)),
    }
    sorted by ComponentSort {
        Key "key": Text key,
        Position "position": Text position,
        InstalledEarliest "installed_earliest": Day installed_earliest,
        LastSeenGoodOn "last_seen_good_on": Day last_seen_good_on,
        EndedOn "ended_on": Day ended_on,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// The parts in service with the homes that they are in, by their numbers.
///
/// # Errors
/// Those of the database.
pub fn living_homes(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<Vec<(ComponentId, SiteId)>, StoreError> {
    let rows: Vec<(i64, i64)> = components::table
        .inner_join(units::table.on(units::id.eq(components::unit_id)))
        .filter(components::branch_id.eq(branch.0))
        .filter(components::ended_on.is_null())
        .order(components::id)
        .select((components::id, units::site_id))
        .load(conn)?;
    Ok(rows.into_iter().map(|(component, site)| (ComponentId(component), SiteId(site))).collect())
}

/// How a component's time ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ending {
    /// The day on which it was found.
    pub ended_on: NaiveDate,
    /// How.
    pub kind: ComponentEnd,
    /// Last day on which it was seen working; nothing keeps what is stored.
    pub last_seen_good_on: Option<NaiveDate>,
}

/// The part that takes the place of another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Successor {
    /// The user's own name of it.
    pub key: String,
    /// What it is.
    pub class: ComponentClass,
    /// As printed.
    pub rating: Option<String>,
    /// Maker's date code or lot.
    pub batch: Option<String>,
}

/// Ends a living component.
///
/// # Errors
/// [`StoreError::StaleVersion`], [`StoreError::Conflict`] when it has ended already, `NotFound`,
/// `Check` when the end lies before the beginning.
pub fn end(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: ComponentId,
    expected_version: i64,
    ending: Ending,
    now: DateTime<Utc>,
) -> Result<ComponentRecord, StoreError> {
    let old = find(conn, branch, id)?;
    if let Some(day) = old.ended_on {
        return Err(StoreError::Conflict {
            what: format!("component {} ended on {day} already", old.key),
        });
    }
    let fields = ComponentFields {
        ended_on: Some(ending.ended_on),
        end_kind: Some(ending.kind),
        last_seen_good_on: ending.last_seen_good_on.or(old.last_seen_good_on),
        ..old.fields
    };
    update(conn, branch, id, expected_version, &fields, now)
}

/// Ends a living component and puts its successor into the position from the same day on.
/// Returns the old row and the new one.
///
/// # Errors
/// As [`end`], and [`StoreError::Conflict`] when the successor's key is taken.
pub fn replace(
    conn: &mut AnyConnection,
    branch: BranchId,
    id: ComponentId,
    expected_version: i64,
    ending: Ending,
    successor: Successor,
    now: DateTime<Utc>,
) -> Result<(ComponentRecord, ComponentRecord), StoreError> {
    let old = end(conn, branch, id, expected_version, ending, now)?;
    let new = insert(
        conn,
        branch,
        &ComponentFields {
            key: successor.key,
            unit_id: old.unit_id,
            position: old.position.clone(),
            class: successor.class,
            rating: successor.rating,
            installed_earliest: Some(ending.ended_on),
            installed_latest: Some(ending.ended_on),
            observed_from: ending.ended_on,
            history_complete: old.history_complete,
            ended_on: None,
            end_kind: None,
            last_seen_good_on: None,
            replaced_by_id: None,
            batch: successor.batch,
        },
        now,
    )?;
    let fields = ComponentFields { replaced_by_id: Some(new.id), ..old.fields };
    let old = update(conn, branch, id, old.version, &fields, now)?;
    Ok((old, new))
}

/// Notes that components were seen working on a day of their service, if that is later than what is
/// stored; the earlier day is kept beside ([`crate::sightings`]).
///
/// # Errors
/// Those of the database.
pub fn seen_good(
    conn: &mut AnyConnection,
    branch: BranchId,
    ids: &[ComponentId],
    day: NaiveDate,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    let numbers: Vec<i64> = ids.iter().map(|id| id.0).collect();
    let before: Vec<(i64, Option<NaiveDate>)> = components::table
        .filter(components::branch_id.eq(branch.0))
        .filter(components::id.eq_any(&numbers))
        .filter(components::ended_on.is_null().or(components::ended_on.ge(day)))
        .filter(components::last_seen_good_on.lt(day))
        .select((components::id, components::last_seen_good_on))
        .load(conn)?;
    let earlier: Vec<_> =
        before.into_iter().filter_map(|(id, seen)| Some((id.into(), seen?))).collect();
    sightings::keep(conn, branch, &earlier)?;
    let changed: Vec<(i64, i64)> = diesel::update(
        components::table
            .filter(components::branch_id.eq(branch.0))
            .filter(components::id.eq_any(numbers))
            .filter(components::ended_on.is_null().or(components::ended_on.ge(day)))
            .filter(
                components::last_seen_good_on.is_null().or(components::last_seen_good_on.lt(day)),
            ),
    )
    .set((
        components::last_seen_good_on.eq(day),
        components::version.eq(components::version + 1),
        components::updated_at.eq(naive(now)),
    ))
    .returning((components::id, components::version))
    .get_results(conn)?;
    changes::record(conn, branch, Resource::Component, &changed, now)?;
    Ok(changed.len())
}
