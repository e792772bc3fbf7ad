//! What is owed to sites.

use std::collections::HashMap;

use hotspell_domain::agreement::parse_rules;
use hotspell_domain::{SiteId, VisitKind, VisitRule};
use hotspell_store::agreements::{AgreementFields, AgreementRecord};
use hotspell_store::{AnyConnection, KeyedRecord, sites};

use crate::context::Context;
use crate::report::{ImportRefusal, Outcome};
use crate::sync::{Fate, sync};
use crate::table::{Cells, Column, Table, optional, required};
use crate::values;

pub(crate) const COLUMNS: &[Column] = &[
    required("agreement"),
    required("site"),
    required("first_day"),
    optional("last_day"),
    required("visits"),
];

fn rules(text: &str) -> Result<Vec<VisitRule>, String> {
    let rules = parse_rules(text).map_err(|error| error.to_string())?;
    let owed =
        |rule: &VisitRule| matches!(rule.kind, VisitKind::TuneUp | VisitKind::CapacitorCheck);
    if rules.is_empty() || !rules.iter().all(owed) {
        return Err("visits such as tune-up@02-01..05-15; capacitor-check@09-15..11-30".to_owned());
    }
    Ok(rules)
}

fn read(cells: &mut Cells<'_>, known: &HashMap<String, SiteId>) -> Option<AgreementFields> {
    let key = cells.required("agreement", values::key);
    cells.required("site", values::key);
    let site = cells.reference("site", known, "site");
    let first_day = cells.required("first_day", values::any_day);
    let last_day = cells.optional("last_day", values::any_day);
    if first_day.zip(last_day).is_some_and(|(first, last)| last < first) {
        cells.refuse("last_day", "a day not before first_day".to_owned());
    }
    let rules = cells.required("visits", rules);
    Some(AgreementFields {
        key: key?,
        site_id: site?,
        first_day: first_day?,
        last_day,
        rules: rules?,
    })
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let known = sites::ids_by_key(conn, context.branch)?;
    let wanted = table
        .read(context, |cells| read(cells, &known))?
        .into_iter()
        .map(|(_, draft)| draft)
        .collect();
    table.check()?;
    let stored = AgreementRecord::by_key(conn, context.branch)?;
    let synced = sync(conn, context, &stored, wanted)?;
    Ok(Outcome {
        inserted: synced.count(Fate::Inserted),
        changed: synced.count(Fate::Changed),
        unchanged: synced.count(Fate::Unchanged),
        ..Outcome::default()
    })
}
