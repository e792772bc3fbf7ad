//! Parts: the living and those that ended, with who followed whom.

use std::collections::{HashMap, HashSet};

use chrono::NaiveDate;
use hotspell_domain::{CapacitorRating, ComponentClass, ComponentEnd, ComponentId, SiteId, UnitId};
use hotspell_store::components::{self, ComponentFields, ComponentRecord};
use hotspell_store::units::UnitRecord;
use hotspell_store::{AnyConnection, KeyedRecord, Page, StoreError, agreements};

use crate::context::{Context, KEEPING, STEP};
use crate::report::{ImportRefusal, Outcome};
use crate::table::{Cells, Column, RowRef, Table, optional, required};
use crate::values::{self, Between, LINE_MAX};

pub(crate) const COLUMNS: &[Column] = &[
    required("component"),
    required("unit"),
    required("position"),
    required("class"),
    optional("rating"),
    optional("installed_on"),
    optional("observed_from"),
    optional("history_complete"),
    optional("ended_on"),
    optional("end_kind"),
    optional("last_seen_good_on"),
    optional("replaced_by"),
    optional("batch"),
];

struct Known {
    units: HashMap<String, UnitRecord>,
    /// First day of each site's earliest agreement.
    under_agreement_from: HashMap<SiteId, NaiveDate>,
    stored: HashMap<String, ComponentRecord>,
}

impl Known {
    fn load(conn: &mut AnyConnection, context: &Context<'_>) -> Result<Self, StoreError> {
        let all = agreements::AgreementFilter::default();
        let mut under_agreement_from = HashMap::new();
        for agreement in agreements::list(conn, context.branch, &all, Page::everything())? {
            let first =
                under_agreement_from.entry(agreement.site_id).or_insert(agreement.first_day);
            *first = agreement.first_day.min(*first);
        }
        Ok(Self {
            units: UnitRecord::by_key(conn, context.branch)?,
            under_agreement_from,
            stored: ComponentRecord::by_key(conn, context.branch)?,
        })
    }
}

struct Draft {
    /// Without its successor.
    fields: ComponentFields,
    replaced_by: Option<String>,
    observed_from_assumed: bool,
    end_kept: bool,
}

/// Reads the rating of a part of a class: for run capacitors in the one spelling, for others any
/// text.
pub(crate) fn rating(class: Option<ComponentClass>) -> impl Fn(&str) -> Result<String, String> {
    move |value| {
        let Some(class) = class.filter(|class| class.is_run_capacitor()) else {
            return values::text(LINE_MAX)(value);
        };
        let rating: CapacitorRating =
            value.parse().map_err(|_| "a rating such as 45+5 uF 370/440 V or 7.5 uF 440 V")?;
        match (class, rating.fan) {
            (ComponentClass::RunCapacitorDual, None) => {
                Err("two sections such as 45+5 uF 440 V, because the part is dual".to_owned())
            }
            (ComponentClass::RunCapacitorSingle, Some(_)) => {
                Err("one section such as 7.5 uF 440 V, because the part is single".to_owned())
            }
            _ => Ok(rating.to_string()),
        }
    }
}

struct End {
    on: Option<NaiveDate>,
    kind: Option<ComponentEnd>,
    last_seen_good_on: Option<NaiveDate>,
}

fn end(cells: &mut Cells<'_>, installed: Between, today: NaiveDate) -> End {
    let on = cells.optional("ended_on", values::past_day(today));
    let kind = cells.optional("end_kind", values::word);
    for (there, other) in [("ended_on", "end_kind"), ("end_kind", "ended_on")] {
        if !cells.raw(there).is_empty() && cells.raw(other).is_empty() {
            cells.refuse(other, format!("a value, because {there} has one"));
        }
    }
    let last_seen_good_on = cells.optional("last_seen_good_on", values::past_day(today));
    if installed.earliest.zip(on).is_some_and(|(installed, ended)| ended < installed) {
        cells.refuse("ended_on", "a day not before installed_on".to_owned());
    }
    if last_seen_good_on.zip(on).is_some_and(|(seen, ended)| seen > ended) {
        cells.refuse("last_seen_good_on", "a day not after ended_on".to_owned());
    }
    End { on, kind, last_seen_good_on }
}

fn read(cells: &mut Cells<'_>, known: &Known, today: NaiveDate) -> Option<Draft> {
    let key = cells.required("component", values::key);
    cells.required("unit", values::key);
    let unit = known.units.get(cells.raw("unit"));
    if unit.is_none() && !cells.raw("unit").is_empty() {
        cells.refuse("unit", "the key of a stored unit".to_owned());
    }
    let position = cells.required("position", values::text(LINE_MAX));
    let class: Option<ComponentClass> = cells.required("class", values::word);
    let rating_text = cells.optional("rating", rating(class));
    if class.is_some_and(ComponentClass::is_run_capacitor) && cells.raw("rating").is_empty() {
        cells.refuse("rating", "a rating such as 45+5 uF 370/440 V or 7.5 uF 440 V".to_owned());
    }
    let installed = cells.optional("installed_on", values::day_or_range(today)).unwrap_or_default();
    let observed_from = cells.optional("observed_from", values::past_day(today));
    let history_complete = cells.optional("history_complete", values::yes_no).unwrap_or(false);
    let end = end(cells, installed, today);
    let replaced_by = cells.optional("replaced_by", values::key);
    if replaced_by.is_some() && cells.raw("ended_on").is_empty() {
        cells.refuse("ended_on", "a day, because replaced_by has a value".to_owned());
    }
    let batch = cells.optional("batch", values::text(LINE_MAX));
    let (key, unit) = (key?, unit?);
    let stored = known.stored.get(&key);
    let assumed = || {
        let stored = stored.map(|component| component.observed_from);
        let agreement = || known.under_agreement_from.get(&unit.site_id).copied();
        stored.or_else(agreement).unwrap_or(today).min(today)
    };
    // An end that was recorded since is not taken back by a file that does not know of it.
    let kept = stored.filter(|old| end.on.is_none() && old.ended_on.is_some());
    Some(Draft {
        fields: ComponentFields {
            unit_id: unit.id,
            position: position?,
            class: class?,
            rating: rating_text,
            installed_earliest: installed.earliest,
            installed_latest: installed.latest,
            observed_from: observed_from.unwrap_or_else(assumed),
            history_complete,
            ended_on: kept.map_or(end.on, |old| old.ended_on),
            end_kind: kept.map_or(end.kind, |old| old.end_kind),
            last_seen_good_on: end
                .last_seen_good_on
                .max(stored.and_then(|old| old.last_seen_good_on)),
            replaced_by_id: None,
            batch,
            key,
        },
        replaced_by,
        observed_from_assumed: observed_from.is_none(),
        end_kept: kept.is_some(),
    })
}

/// Rows in an order in which every successor comes before what it followed, as layers that can be
/// inserted at once. What is left goes round in a circle.
fn layers(drafts: &[(RowRef, Draft)], known: &Known) -> (Vec<Vec<usize>>, Vec<usize>) {
    let mut placed: HashSet<&str> = HashSet::new();
    let mut left: Vec<usize> = (0..drafts.len()).collect();
    let mut layers = Vec::new();
    let in_file: HashSet<&str> = drafts.iter().map(|(_, d)| d.fields.key.as_str()).collect();
    loop {
        let ready = |index: &usize| {
            drafts[*index].1.replaced_by.as_deref().is_none_or(|successor| {
                placed.contains(successor)
                    || (!in_file.contains(successor) && known.stored.contains_key(successor))
            })
        };
        let (layer, rest): (Vec<usize>, Vec<usize>) = left.iter().copied().partition(ready);
        if layer.is_empty() {
            return (layers, rest);
        }
        placed.extend(layer.iter().map(|index| drafts[*index].1.fields.key.as_str()));
        layers.push(layer);
        left = rest;
    }
}

/// A successor must be known and sit in the same place.
fn check_successors(table: &mut Table<'_>, drafts: &[(RowRef, Draft)], known: &Known) -> bool {
    let in_file: HashMap<&str, &ComponentFields> =
        drafts.iter().map(|(_, draft)| (draft.fields.key.as_str(), &draft.fields)).collect();
    let mut right = true;
    for (row, draft) in drafts {
        let Some(successor) = draft.replaced_by.as_deref() else { continue };
        let found = in_file
            .get(successor)
            .copied()
            .or_else(|| known.stored.get(successor).map(|record| &record.fields));
        let place = (draft.fields.unit_id, draft.fields.position.as_str());
        let expected = match found {
            None => "the key of a component in this file or stored",
            Some(other) if (other.unit_id, other.position.as_str()) != place => {
                "a component in the same position of the same unit"
            }
            Some(_) => continue,
        };
        table.refuse(*row, "replaced_by", successor, expected.to_owned());
        right = false;
    }
    right
}

struct Stay<'a> {
    key: &'a str,
    row: Option<RowRef>,
    from: Option<NaiveDate>,
    until: Option<NaiveDate>,
}

/// At any time one part sits in a position.
fn check_occupants(table: &mut Table<'_>, drafts: &[(RowRef, Draft)], known: &Known) {
    let mut places: HashMap<(UnitId, &str), Vec<Stay<'_>>> = HashMap::new();
    let in_file: HashSet<&str> = drafts.iter().map(|(_, d)| d.fields.key.as_str()).collect();
    let from_file = drafts.iter().map(|(row, draft)| (&draft.fields, Some(*row)));
    let from_store = known
        .stored
        .values()
        .filter(|record| !in_file.contains(record.key.as_str()))
        .map(|record| (&record.fields, None));
    for (fields, row) in from_file.chain(from_store) {
        places.entry((fields.unit_id, fields.position.as_str())).or_default().push(Stay {
            key: &fields.key,
            row,
            // Only a day that is known exactly can contradict another.
            from: fields
                .installed_earliest
                .filter(|_| fields.installed_earliest == fields.installed_latest),
            until: fields.ended_on,
        });
    }
    let mut clashes: Vec<(RowRef, String, String)> =
        places.values_mut().flat_map(|stays| clashes(stays)).collect();
    clashes.sort_by_key(|(row, ..)| row.number());
    for (row, key, expected) in clashes {
        table.refuse(row, "position", &key, expected);
    }
}

fn clashes(stays: &mut [Stay<'_>]) -> Vec<(RowRef, String, String)> {
    let mut found = Vec::new();
    // By their ends, so that the living one is last; then by key for the same order every time.
    stays.sort_by_key(|stay| (stay.until.is_none(), stay.until, stay.from, stay.key));
    for (before, after) in stays.iter().zip(stays.iter().skip(1)) {
        let expected = match (before.until, after.from) {
            (None, _) => format!("one living part in the position, not also {}", before.key),
            (Some(until), Some(from)) if from < until => {
                format!("no other part while {} sat there until {until}", before.key)
            }
            _ => continue,
        };
        // At least one of the two is in the file, or they were stored so.
        match (after.row, before.row) {
            (Some(row), _) => found.push((row, after.key.to_owned(), expected)),
            (None, Some(row)) => found.push((row, before.key.to_owned(), expected)),
            (None, None) => {}
        }
    }
    found
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let known = Known::load(conn, context)?;
    let drafts = table.read(context, |cells| read(cells, &known, context.today))?;
    let mut order = Vec::new();
    if check_successors(table, &drafts, &known) {
        let (layers, circle) = layers(&drafts, &known);
        for index in circle {
            let (row, draft) = &drafts[index];
            let successor = draft.replaced_by.as_deref().unwrap_or_default();
            table.refuse(*row, "replaced_by", successor, "a part that came later".to_owned());
        }
        order = layers;
    }
    check_occupants(table, &drafts, &known);
    table.check()?;
    let mut outcome = assumptions(&drafts);
    apply(conn, context, known.stored, &drafts, &order, &mut outcome)?;
    Ok(outcome)
}

fn assumptions(drafts: &[(RowRef, Draft)]) -> Outcome {
    let keys = |which: fn(&Draft) -> bool| {
        drafts
            .iter()
            .filter(|(_, draft)| which(draft))
            .map(|(_, draft)| draft.fields.key.clone())
            .collect()
    };
    let mut outcome = Outcome::default();
    outcome.assume(
        "no install day: the part's heat age is as uncertain as its unit's",
        keys(|draft| {
            draft.fields.installed_earliest.is_none() && draft.fields.installed_latest.is_none()
        }),
    );
    outcome.assume(
        "no observed_from: taken as the first day of the site's earliest agreement, else the day \
         of the first import",
        keys(|draft| draft.observed_from_assumed),
    );
    outcome.assume(
        "ended here since, living in the file: the stored end is kept",
        keys(|draft| draft.end_kept),
    );
    outcome
}

/// First ends what ends, so that places are free; then inserts successors before what they
/// followed; then changes the rest.
fn apply(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    mut stored: HashMap<String, ComponentRecord>,
    drafts: &[(RowRef, Draft)],
    layers: &[Vec<usize>],
    outcome: &mut Outcome,
) -> Result<(), ImportRefusal> {
    let (branch, now) = (context.branch, context.now);
    let mut changed: HashSet<ComponentId> = HashSet::new();
    for (_, draft) in drafts {
        let Some(old) = stored.get_mut(&draft.fields.key) else { continue };
        if old.ended_on.is_none() && draft.fields.ended_on.is_some() {
            *old = components::update(conn, branch, old.id, old.version, &draft.fields, now)?;
            changed.insert(old.id);
        }
    }
    let mut ids: HashMap<&str, ComponentId> = HashMap::new();
    for layer in layers {
        let mut new = Vec::new();
        for (_, draft) in layer.iter().map(|index| &drafts[*index]) {
            let successor = draft.replaced_by.as_deref();
            let linked = successor.and_then(|key| {
                ids.get(key).copied().or_else(|| stored.get(key).map(|record| record.id))
            });
            let fields = ComponentFields { replaced_by_id: linked, ..draft.fields.clone() };
            let Some(old) = stored.get(&fields.key) else {
                new.push((draft.fields.key.as_str(), fields));
                continue;
            };
            let fields =
                ComponentFields { replaced_by_id: linked.or(old.replaced_by_id), ..fields };
            ids.insert(&draft.fields.key, old.id);
            if old.fields != fields {
                components::update(conn, branch, old.id, old.version, &fields, now)?;
                changed.insert(old.id);
            }
        }
        for step in new.chunks(STEP) {
            context.step(KEEPING, outcome.inserted, drafts.len())?;
            let (keys, rows): (Vec<&str>, Vec<ComponentFields>) = step.iter().cloned().unzip();
            let numbers = components::insert_many(conn, branch, &rows, now)?;
            outcome.inserted += numbers.len();
            ids.extend(keys.into_iter().zip(numbers));
        }
    }
    outcome.changed = changed.len();
    outcome.unchanged = drafts.len() - outcome.inserted - outcome.changed;
    Ok(())
}
