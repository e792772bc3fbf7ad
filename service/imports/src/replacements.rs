//! Ends of stored parts and their successors, one row for each, in the order of time. Each row is
//! applied before the next is read, so that a part may come and go in one file; a finding in any
//! row takes all of them back.

use hotspell_domain::{CapacitorRating, ComponentEnd};
use hotspell_store::components::{self, ComponentFields, ComponentRecord, Ending, Successor};
use hotspell_store::{AnyConnection, StoreError};

use crate::components::rating;
use crate::context::Context;
use crate::report::{ImportRefusal, Outcome};
use crate::sync::Fate;
use crate::table::{Cells, Column, Table, optional, required};
use crate::values::{self, LINE_MAX};

pub(crate) const COLUMNS: &[Column] = &[
    required("component"),
    required("ended_on"),
    required("end_kind"),
    optional("last_seen_good_on"),
    optional("new_component"),
    optional("new_rating"),
    optional("new_batch"),
];

struct Draft {
    old: ComponentRecord,
    ending: Ending,
    successor: Option<Successor>,
}

fn read(cells: &mut Cells<'_>, old: ComponentRecord, context: &Context<'_>) -> Option<Draft> {
    let ended_on = cells.required("ended_on", values::past_day(context.today));
    let kind: Option<ComponentEnd> = cells.required("end_kind", values::word);
    let last_seen_good_on = cells.optional("last_seen_good_on", values::past_day(context.today));
    if old.installed_earliest.zip(ended_on).is_some_and(|(from, until)| until < from) {
        cells.refuse("ended_on", "a day not before the part was installed".to_owned());
    }
    let seen = last_seen_good_on.or(old.last_seen_good_on);
    if seen.zip(ended_on).is_some_and(|(seen, ended)| seen > ended) {
        cells.refuse("ended_on", "a day not before the part was last seen working".to_owned());
    }
    let key = cells.optional("new_component", values::key);
    let new_rating = cells.optional("new_rating", rating(Some(old.class)));
    let batch = cells.optional("new_batch", values::text(LINE_MAX));
    for column in ["new_rating", "new_batch"] {
        if key.is_none() && !cells.raw(column).is_empty() {
            cells.refuse("new_component", format!("a key, because {column} has a value"));
        }
    }
    // What is stored has happened, by the rule or by the office's word.
    if old.ended_on.is_none() {
        check_rating(cells, &old, new_rating.as_deref());
    }
    let successor = key.map(|key| Successor {
        key,
        class: old.class,
        rating: new_rating.or_else(|| old.rating.clone()),
        batch,
    });
    let ending = Ending { ended_on: ended_on?, kind: kind?, last_seen_good_on };
    Some(Draft { old, ending, successor })
}

fn check_rating(cells: &mut Cells<'_>, old: &ComponentRecord, new: Option<&str>) {
    let parse = |text: Option<&str>| text.and_then(|text| text.parse::<CapacitorRating>().ok());
    if let Some((old, new)) = parse(old.rating.as_deref()).zip(parse(new))
        && let Err(refusal) = old.check_replacement(&new)
    {
        cells.refuse("new_rating", format!("a rating that may replace the old one: {refusal}"));
    }
}

/// Compares with an end that is stored already; nothing means that it was reported.
fn same_end(cells: &mut Cells<'_>, draft: &Draft, successor: Option<&str>) -> Option<Fate> {
    let old = &draft.old;
    let same =
        (old.ended_on, old.end_kind) == (Some(draft.ending.ended_on), Some(draft.ending.kind));
    if !same {
        let day = old.ended_on.map(|day| day.to_string()).unwrap_or_default();
        let kind = old.end_kind.map(ComponentEnd::as_str).unwrap_or_default();
        cells.refuse("component", format!("a living part; this one ended on {day} ({kind})"));
        return None;
    }
    let wanted = draft.successor.as_ref().map(|successor| successor.key.as_str());
    if wanted.is_some() && wanted != successor {
        let there = successor.unwrap_or("none");
        cells.refuse("new_component", format!("the stored successor, {there}"));
        return None;
    }
    Some(Fate::Unchanged)
}

fn apply(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    cells: &mut Cells<'_>,
) -> Result<Option<Fate>, StoreError> {
    let (branch, now) = (context.branch, context.now);
    let Some(key) = cells.required("component", values::key) else { return Ok(None) };
    let Some(old) = components::find_by_key(conn, branch, &key)? else {
        cells.refuse("component", "the key of a stored component".to_owned());
        return Ok(None);
    };
    let draft = read(cells, old, context).filter(|_| cells.is_clean());
    let Some(draft) = draft else { return Ok(None) };
    let old = &draft.old;
    if old.ended_on.is_some() {
        let successor = match old.replaced_by_id {
            Some(id) => Some(components::find(conn, branch, id)?.key.clone()),
            None => None,
        };
        let fate = same_end(cells, &draft, successor.as_deref());
        let later = draft.ending.last_seen_good_on > old.last_seen_good_on;
        if fate.is_some() && later {
            let fields = ComponentFields {
                last_seen_good_on: draft.ending.last_seen_good_on,
                ..old.fields.clone()
            };
            components::update(conn, branch, old.id, old.version, &fields, now)?;
            return Ok(Some(Fate::Changed));
        }
        return Ok(fate);
    }
    match draft.successor {
        None => {
            components::end(conn, branch, old.id, old.version, draft.ending, now)?;
        }
        Some(successor) => {
            if components::find_by_key(conn, branch, &successor.key)?.is_some() {
                cells.refuse("new_component", "a key that is not stored yet".to_owned());
                return Ok(None);
            }
            let (id, version) = (old.id, old.version);
            components::replace(conn, branch, id, version, draft.ending, successor, now)?;
        }
    }
    Ok(Some(Fate::Changed))
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let mut failed = None;
    let fates = table.read(context, |cells| {
        if failed.is_some() {
            return None;
        }
        apply(conn, context, cells).unwrap_or_else(|error| {
            failed = Some(error);
            None
        })
    })?;
    if let Some(error) = failed {
        return Err(error.into());
    }
    table.check()?;
    let count = |wanted: Fate| fates.iter().filter(|(_, fate)| *fate == wanted).count();
    Ok(Outcome {
        changed: count(Fate::Changed),
        unchanged: count(Fate::Unchanged),
        ..Outcome::default()
    })
}
