//! What was measured or seen.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{Amperes, ComponentClass, Condition, Microfarads, TechnicianId, Volts};
use hotspell_store::components::ComponentRecord;
use hotspell_store::readings::{ReadingFields, ReadingRecord};
use hotspell_store::words::Section;
use hotspell_store::{AnyConnection, KeyedRecord, technicians};

use crate::context::Context;
use crate::report::{ImportRefusal, Outcome};
use crate::sync::{Fate, sync};
use crate::table::{Cells, Column, Table, optional, required};
use crate::values::{self, NOTE_MAX};

pub(crate) const COLUMNS: &[Column] = &[
    required("reading"),
    required("component"),
    required("taken_on"),
    optional("technician"),
    optional("taken_at"),
    optional("section"),
    optional("microfarads"),
    optional("volts"),
    optional("amperes"),
    optional("conditions"),
    optional("note"),
];

struct Known {
    components: HashMap<String, ComponentRecord>,
    technicians: HashMap<String, TechnicianId>,
}

fn read(
    cells: &mut Cells<'_>,
    known: &Known,
    (now, today): (DateTime<Utc>, NaiveDate),
) -> Option<ReadingFields> {
    let client_key = cells.required("reading", values::key);
    cells.required("component", values::key);
    let component = known.components.get(cells.raw("component"));
    if component.is_none() && !cells.raw("component").is_empty() {
        cells.refuse("component", "the key of a stored component".to_owned());
    }
    let taken_on = cells.required("taken_on", values::past_day(today));
    if let (Some(component), Some(day)) = (component, taken_on) {
        check_day(cells, component, day);
    }
    let technician_id = cells.reference("technician", &known.technicians, "technician");
    let taken_at = cells.optional("taken_at", values::past_instant(now));
    let section = cells.optional("section", values::word).unwrap_or(Section::Main);
    let dual = |component: &ComponentRecord| component.class == ComponentClass::RunCapacitorDual;
    if section == Section::Fan && component.is_some_and(|component| !dual(component)) {
        cells.refuse("section", "main, because the part has one section".to_owned());
    }
    let microfarads =
        cells.optional("microfarads", values::number(Microfarads::MIN, Microfarads::MAX));
    let (volts, amperes) = under_load(cells);
    let conditions: Vec<Condition> =
        cells.optional("conditions", values::words).unwrap_or_default();
    let note = cells.optional("note", values::text(NOTE_MAX));
    let says = ["microfarads", "volts", "amperes", "conditions", "note"];
    if says.iter().all(|column| cells.raw(column).is_empty()) {
        cells.refuse("microfarads", "a number, a condition or a note".to_owned());
    }
    Some(ReadingFields {
        technician_id,
        taken_at,
        section,
        microfarads,
        volts,
        amperes,
        conditions,
        note,
        client_key: client_key?,
        component_id: component?.id,
        taken_on: taken_on?,
    })
}

fn check_day(cells: &mut Cells<'_>, component: &ComponentRecord, day: NaiveDate) {
    if let Some(ended) = component.ended_on.filter(|ended| day > *ended) {
        cells.refuse("taken_on", format!("a day not after {ended}, when the component ended"));
    }
    if let Some(installed) = component.installed_earliest.filter(|installed| day < *installed) {
        cells.refuse("taken_on", format!("a day from {installed} on, when the component came in"));
    }
}

fn under_load(cells: &mut Cells<'_>) -> (Option<f64>, Option<f64>) {
    let volts = cells.optional("volts", values::number(Volts::MIN, Volts::MAX));
    let amperes = cells.optional("amperes", values::number(Amperes::MIN, Amperes::MAX));
    for (there, other) in [("volts", "amperes"), ("amperes", "volts")] {
        if !cells.raw(there).is_empty() && cells.raw(other).is_empty() {
            cells.refuse(other, format!("a value, because {there} has one"));
        }
    }
    (volts, amperes)
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let known = Known {
        components: ComponentRecord::by_key(conn, context.branch)?,
        technicians: technicians::ids_by_key(conn, context.branch)?,
    };
    let wanted = table
        .read(context, |cells| read(cells, &known, (context.now, context.today)))?
        .into_iter()
        .map(|(_, draft)| draft)
        .collect();
    table.check()?;
    let stored = ReadingRecord::by_key(conn, context.branch)?;
    let synced = sync(conn, context, &stored, wanted)?;
    Ok(Outcome {
        inserted: synced.count(Fate::Inserted),
        changed: synced.count(Fate::Changed),
        unchanged: synced.count(Fate::Unchanged),
        ..Outcome::default()
    })
}
