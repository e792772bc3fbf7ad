//! Machines.

use std::collections::HashMap;

use chrono::NaiveDate;
use hotspell_domain::{Exposure, SiteId};
use hotspell_store::units::{UnitFields, UnitRecord};
use hotspell_store::{AnyConnection, KeyedRecord, sites};

use crate::context::Context;
use crate::report::{ImportRefusal, Outcome};
use crate::sync::{Fate, sync};
use crate::table::{Cells, Column, Table, optional, required};
use crate::values::{self, LINE_MAX};

pub(crate) const COLUMNS: &[Column] = &[
    required("unit"),
    required("site"),
    required("kind"),
    optional("label"),
    optional("capacity_tons"),
    optional("capacity_watts"),
    optional("installed_on"),
    optional("removed_on"),
    optional("exposure"),
    optional("supply_volts"),
];

/// One ton of refrigeration, 12,000 Btu (IT) an hour, in watts. NIST SP 811, appendix B.8.
pub(crate) const WATTS_PER_TON: f64 = 3516.853;
const TONS: (f64, f64) = (0.5, 30.0);
/// A common nominal supply of residential outdoor units (common practice, no source).
const SUPPLY_VOLTS: f64 = 240.0;

fn capacity(cells: &mut Cells<'_>) -> Option<f64> {
    let (low, high) = TONS;
    let tons = cells.optional("capacity_tons", values::number(low, high));
    let watts =
        cells.optional("capacity_watts", values::number(1.0, (high * WATTS_PER_TON).ceil()));
    if tons.is_some() && watts.is_some() {
        cells.refuse("capacity_watts", "nothing, because capacity_tons has a value".to_owned());
    }
    watts.or(tons.map(|tons| tons * WATTS_PER_TON))
}

fn read(
    cells: &mut Cells<'_>,
    known: &HashMap<String, SiteId>,
    today: NaiveDate,
) -> Option<UnitFields> {
    let key = cells.required("unit", values::key);
    cells.required("site", values::key);
    let site = cells.reference("site", known, "site");
    let kind = cells.required("kind", values::word);
    let capacity_watts = capacity(cells);
    let installed = cells.optional("installed_on", values::day_or_range(today)).unwrap_or_default();
    let removed_on = cells.optional("removed_on", values::past_day(today));
    if installed.earliest.zip(removed_on).is_some_and(|(installed, removed)| removed < installed) {
        cells.refuse("removed_on", "a day not before installed_on".to_owned());
    }
    Some(UnitFields {
        label: cells.optional("label", values::text(LINE_MAX)),
        capacity_watts,
        installed_earliest: installed.earliest,
        installed_latest: installed.latest,
        removed_on,
        exposure: cells.optional("exposure", values::word).unwrap_or(Exposure::PartSun),
        supply_volts: cells
            .optional("supply_volts", values::number(100.0, 600.0))
            .unwrap_or(SUPPLY_VOLTS),
        key: key?,
        site_id: site?,
        kind: kind?,
    })
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let known = sites::ids_by_key(conn, context.branch)?;
    let wanted: Vec<UnitFields> = table
        .read(context, |cells| read(cells, &known, context.today))?
        .into_iter()
        .map(|(_, draft)| draft)
        .collect();
    table.check()?;
    let keys = |missing: fn(&UnitFields) -> bool| {
        wanted.iter().filter(|unit| missing(unit)).map(|unit| unit.key.clone()).collect()
    };
    let mut outcome = Outcome::default();
    outcome.assume(
        "no install day: the age of the unit and its parts is uncertain",
        keys(|unit| unit.installed_earliest.is_none() && unit.installed_latest.is_none()),
    );
    outcome.assume("no capacity", keys(|unit| unit.capacity_watts.is_none()));
    let stored = UnitRecord::by_key(conn, context.branch)?;
    let synced = sync(conn, context, &stored, wanted)?;
    outcome.inserted = synced.count(Fate::Inserted);
    outcome.changed = synced.count(Fate::Changed);
    outcome.unchanged = synced.count(Fate::Unchanged);
    Ok(outcome)
}
