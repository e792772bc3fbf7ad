//! Machines, their parts, what became of these and what was measured on them.

use std::collections::HashMap;
use std::io::Write;

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use hotspell_domain::{BranchId, CapacitorRating, ComponentId, SiteId, TechnicianId, UnitId};
use hotspell_store::components::{self, ComponentFilter, ComponentRecord};
use hotspell_store::readings::{self, ReadingFilter};
use hotspell_store::units::{self, UnitFilter};
use hotspell_store::{AnyConnection, Page, StoreError, sites, technicians};

use super::{ExportError, ROWS, Sheet, cells, paged};
use crate::units::WATTS_PER_TON;

/// Keys by number.
fn turned<Id: core::hash::Hash + Eq>(ids: HashMap<String, Id>) -> HashMap<Id, String> {
    ids.into_iter().map(|(key, id)| (id, key)).collect()
}

pub(super) fn units(
    conn: &mut AnyConnection,
    branch: BranchId,
    sheet: &mut Sheet<impl Write>,
) -> Result<(), ExportError> {
    let homes: HashMap<SiteId, String> = turned(sites::ids_by_key(conn, branch)?);
    let list =
        |conn: &mut AnyConnection, page| units::list(conn, branch, &UnitFilter::default(), page);
    paged(
        conn,
        list,
        |unit| unit.id.0,
        |_, page| {
            for unit in page {
                let (column, capacity) = capacity(unit.capacity_watts);
                sheet.row(&[
                    ("unit", cells::text(&unit.key)),
                    ("site", cells::note(homes.get(&unit.site_id))),
                    ("kind", unit.kind.to_string()),
                    ("label", cells::note(unit.label.as_ref())),
                    (column, capacity),
                    (
                        "installed_on",
                        cells::between(unit.installed_earliest, unit.installed_latest),
                    ),
                    ("removed_on", cells::plain(unit.removed_on)),
                    ("exposure", unit.exposure.to_string()),
                    ("supply_volts", unit.supply_volts.to_string()),
                ])?;
            }
            Ok(())
        },
    )
}

/// In tons if that is what it was stated in, to a thousandth; else in watts.
fn capacity(watts: Option<f64>) -> (&'static str, String) {
    let Some(watts) = watts else { return ("capacity_watts", String::new()) };
    let tons = (watts / WATTS_PER_TON * 1_000.0).round() / 1_000.0;
    // The same product as the import's: equal to the last bit or not that number of tons.
    if (0.5..=30.0).contains(&tons) && (tons * WATTS_PER_TON).to_bits() == watts.to_bits() {
        ("capacity_tons", tons.to_string())
    } else {
        ("capacity_watts", watts.to_string())
    }
}

/// The keys of every part, and their numbers in the order of the keys.
struct Parts {
    keys: HashMap<ComponentId, String>,
    order: Vec<ComponentId>,
}

impl Parts {
    /// Successors are stored before what they followed, so that numbers tell no order that comes
    /// back after an import; keys do.
    fn load(conn: &mut AnyConnection, branch: BranchId) -> Result<Self, StoreError> {
        let mut by_key: Vec<(String, ComponentId)> =
            components::ids_by_key(conn, branch)?.into_iter().collect();
        by_key.sort_unstable();
        let order = by_key.iter().map(|(_, id)| *id).collect();
        Ok(Self { keys: by_key.into_iter().map(|(key, id)| (id, key)).collect(), order })
    }

    fn key(&self, id: Option<ComponentId>) -> String {
        cells::note(id.and_then(|id| self.keys.get(&id)))
    }
}

/// The parts with these numbers, by number.
fn parts(
    conn: &mut AnyConnection,
    branch: BranchId,
    numbers: Vec<ComponentId>,
) -> Result<HashMap<ComponentId, ComponentRecord>, StoreError> {
    let filter = ComponentFilter { numbers: Some(numbers), ..ComponentFilter::default() };
    let found = components::list(conn, branch, &filter, Page::everything())?;
    Ok(found.into_iter().map(|part| (part.id, part)).collect())
}

fn chunks(order: &[ComponentId]) -> impl Iterator<Item = &[ComponentId]> {
    order.chunks(usize::try_from(ROWS).unwrap_or(usize::MAX))
}

/// A capacitor's rating in the one spelling, whatever it was stored as.
fn rating(part: &ComponentRecord) -> String {
    let printed = part.rating.as_deref().unwrap_or_default();
    match printed.parse::<CapacitorRating>() {
        Ok(rating) if part.class.is_run_capacitor() => rating.to_string(),
        _ => cells::text(printed),
    }
}

pub(super) fn components(
    conn: &mut AnyConnection,
    branch: BranchId,
    sheet: &mut Sheet<impl Write>,
) -> Result<(), ExportError> {
    let machines: HashMap<UnitId, String> = turned(units::ids_by_key(conn, branch)?);
    let all = Parts::load(conn, branch)?;
    for chunk in chunks(&all.order) {
        let found = parts(conn, branch, chunk.to_vec())?;
        for part in chunk.iter().filter_map(|id| found.get(id)) {
            sheet.row(&[
                ("component", cells::text(&part.key)),
                ("unit", cells::note(machines.get(&part.unit_id))),
                ("position", cells::text(&part.position)),
                ("class", part.class.to_string()),
                ("rating", rating(part)),
                ("installed_on", cells::between(part.installed_earliest, part.installed_latest)),
                ("observed_from", part.observed_from.to_string()),
                ("history_complete", cells::yes_no(part.history_complete)),
                ("ended_on", cells::plain(part.ended_on)),
                ("end_kind", cells::plain(part.end_kind)),
                ("last_seen_good_on", cells::plain(part.last_seen_good_on)),
                ("replaced_by", all.key(part.replaced_by_id)),
                ("batch", cells::note(part.batch.as_ref())),
            ])?;
        }
    }
    Ok(())
}

/// The ends of all parts in the order of time.
pub(super) fn replacements(
    conn: &mut AnyConnection,
    branch: BranchId,
    sheet: &mut Sheet<impl Write>,
) -> Result<(), ExportError> {
    let ended = ComponentFilter { living: Some(false), ..ComponentFilter::default() };
    let mut order: Vec<(Option<NaiveDate>, String, ComponentId)> = Vec::new();
    let list = |conn: &mut AnyConnection, page| components::list(conn, branch, &ended, page);
    paged(
        conn,
        list,
        |part| part.id.0,
        |_, page| {
            order.extend(page.into_iter().map(|part| (part.ended_on, part.key.clone(), part.id)));
            Ok(())
        },
    )?;
    order.sort_unstable();
    let order: Vec<ComponentId> = order.into_iter().map(|(.., id)| id).collect();
    for chunk in chunks(&order) {
        let found = parts(conn, branch, chunk.to_vec())?;
        let successors = found.values().filter_map(|part| part.replaced_by_id).collect();
        let successors = parts(conn, branch, successors)?;
        for part in chunk.iter().filter_map(|id| found.get(id)) {
            let next = part.replaced_by_id.and_then(|id| successors.get(&id));
            sheet.row(&[
                ("component", cells::text(&part.key)),
                ("ended_on", cells::plain(part.ended_on)),
                ("end_kind", cells::plain(part.end_kind)),
                ("last_seen_good_on", cells::plain(part.last_seen_good_on)),
                ("new_component", next.map(|next| cells::text(&next.key)).unwrap_or_default()),
                ("new_rating", next.map(rating).unwrap_or_default()),
                ("new_batch", cells::note(next.and_then(|next| next.batch.as_ref()))),
            ])?;
        }
    }
    Ok(())
}

pub(super) fn readings(
    conn: &mut AnyConnection,
    branch: BranchId,
    sheet: &mut Sheet<impl Write>,
) -> Result<(), ExportError> {
    let all: HashMap<ComponentId, String> = turned(components::ids_by_key(conn, branch)?);
    let people: HashMap<TechnicianId, String> = turned(technicians::ids_by_key(conn, branch)?);
    let list = |conn: &mut AnyConnection, page| {
        readings::list(conn, branch, &ReadingFilter::default(), page)
    };
    paged(
        conn,
        list,
        |reading| reading.id.0,
        |_, page| {
            for reading in page {
                let mut conditions = reading.conditions.clone();
                conditions.sort_unstable();
                conditions.dedup();
                let person = reading.technician_id.and_then(|id| people.get(&id));
                sheet.row(&[
                    ("reading", cells::text(&reading.client_key)),
                    ("component", cells::note(all.get(&reading.component_id))),
                    ("taken_on", reading.taken_on.to_string()),
                    ("technician", cells::note(person)),
                    ("taken_at", cells::plain(reading.taken_at.map(instant))),
                    ("section", reading.section.to_string()),
                    ("microfarads", cells::plain(reading.microfarads)),
                    ("volts", cells::plain(reading.volts)),
                    ("amperes", cells::plain(reading.amperes)),
                    ("conditions", cells::words(conditions)),
                    ("note", cells::note(reading.note.as_ref())),
                ])?;
            }
            Ok(())
        },
    )
}

/// RFC 3339 in UTC, as fine as it is stored.
fn instant(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}
