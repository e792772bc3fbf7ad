//! Technicians: skills, shifts and days off with them.

use hotspell_domain::{Language, Skill};
use hotspell_store::technicians::{
    self, Shift, TechnicianAbsence, TechnicianFields, TechnicianRecord, TechnicianSkill,
};
use hotspell_store::{AnyConnection, KeyedRecord};

use crate::context::{Context, KEEPING};
use crate::report::{ImportRefusal, Outcome};
use crate::sync::{Fate, sync};
use crate::table::{Cells, Column, Table, optional, required};
use crate::values::{self, LINE_MAX};

pub(crate) const WEEKDAYS: [&str; 7] =
    ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];

pub(crate) const COLUMNS: &[Column] = &[
    required("technician"),
    required("name"),
    optional("email"),
    optional("phone"),
    optional("language"),
    optional("skills"),
    optional("start_latitude"),
    optional("start_longitude"),
    optional("monday"),
    optional("tuesday"),
    optional("wednesday"),
    optional("thursday"),
    optional("friday"),
    optional("saturday"),
    optional("sunday"),
    optional("absences"),
    optional("active_from"),
    optional("active_until"),
];

struct Draft {
    fields: TechnicianFields,
    skills: Vec<TechnicianSkill>,
    shifts: Vec<Shift>,
    absences: Vec<TechnicianAbsence>,
}

fn read(cells: &mut Cells<'_>) -> Option<Draft> {
    let key = cells.required("technician", values::key);
    let name = cells.required("name", values::text(LINE_MAX));
    let start = values::position(cells, "start_latitude", "start_longitude");
    let active_from = cells.optional("active_from", values::any_day);
    let active_until = cells.optional("active_until", values::any_day);
    if active_from.zip(active_until).is_some_and(|(from, until)| until < from) {
        cells.refuse("active_until", "a day not before active_from".to_owned());
    }
    let skills = cells
        .optional("skills", values::words::<Skill>)
        .unwrap_or_else(|| vec![Skill::Standard])
        .into_iter()
        .map(|skill| TechnicianSkill { skill })
        .collect();
    let shifts = (0..)
        .zip(WEEKDAYS)
        .filter_map(|(weekday, column)| {
            let (starts, ends) = cells.optional(column, values::shift)?;
            Some(Shift { weekday, starts, ends })
        })
        .collect();
    let absences = cells
        .optional("absences", values::day_list)
        .unwrap_or_default()
        .into_iter()
        .map(|days| TechnicianAbsence { first_day: days.first, last_day: days.last, reason: None })
        .collect();
    let fields = TechnicianFields {
        email: cells.optional("email", values::email),
        phone: cells.optional("phone", values::phone),
        language: cells.optional("language", values::word).unwrap_or(Language::English),
        start_latitude_degrees: start.map(|start| start.latitude_degrees),
        start_longitude_degrees: start.map(|start| start.longitude_degrees),
        active_from,
        active_until,
        key: key?,
        name: name?,
    };
    Some(Draft { fields, skills, shifts, absences })
}

pub(crate) fn run(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    table: &mut Table<'_>,
) -> Result<Outcome, ImportRefusal> {
    let drafts: Vec<Draft> =
        table.read(context, read)?.into_iter().map(|(_, draft)| draft).collect();
    table.check()?;
    let stored = TechnicianRecord::by_key(conn, context.branch)?;
    let wanted = drafts.iter().map(|draft| draft.fields.clone()).collect();
    let mut synced = sync(conn, context, &stored, wanted)?;
    for (done, draft) in drafts.iter().enumerate() {
        context.step(KEEPING, done, drafts.len())?;
        let Some((id, _)) = synced.records.get(&draft.fields.key).copied() else { continue };
        let branch = context.branch;
        let skills = technicians::set_skills(conn, branch, id, &draft.skills)?;
        let shifts = technicians::set_shifts(conn, branch, id, &draft.shifts)?;
        // An absence with a reason was entered by a person: the file's days keep it.
        let absences = absences(conn, context, id, &draft.absences)?;
        if (skills || shifts || absences) && synced.also_changed(&draft.fields.key) {
            technicians::touch(conn, branch, id, context.now)?;
        }
    }
    let mut outcome = Outcome {
        inserted: synced.count(Fate::Inserted),
        changed: synced.count(Fate::Changed),
        unchanged: synced.count(Fate::Unchanged),
        ..Outcome::default()
    };
    let keys = |missing: fn(&Draft) -> bool| {
        drafts.iter().filter(|draft| missing(draft)).map(|draft| draft.fields.key.clone()).collect()
    };
    outcome
        .assume("no shift on any weekday: nothing can be planned", keys(|d| d.shifts.is_empty()));
    outcome.assume(
        "no start position: days start and end at the depot",
        keys(|d| d.fields.start().is_none()),
    );
    Ok(outcome)
}

fn absences(
    conn: &mut AnyConnection,
    context: &Context<'_>,
    id: hotspell_domain::TechnicianId,
    wanted: &[TechnicianAbsence],
) -> Result<bool, ImportRefusal> {
    let stored =
        technicians::absences(conn, context.branch, Some(id))?.remove(&id).unwrap_or_default();
    let kept: Vec<TechnicianAbsence> = wanted
        .iter()
        .map(|absence| {
            let same = stored
                .iter()
                .find(|old| (old.first_day, old.last_day) == (absence.first_day, absence.last_day));
            same.unwrap_or(absence).clone()
        })
        .collect();
    Ok(technicians::set_absences(conn, context.branch, id, &kept)?)
}
