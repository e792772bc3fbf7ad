//! Who may be sent to a home: whoever is trained for all of its machines. The rule of the planner, asked
//! for one visit that somebody puts elsewhere by hand.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use hotspell_domain::{Skill, TechnicianId, skills_needed};
use hotspell_store::branches::BranchRecord;
use hotspell_store::units::{self, UnitFilter};
use hotspell_store::visits::VisitRecord;
use hotspell_store::{AnyConnection, Page};

use super::AppError;
use super::calendar::Calendar;

/// Refuses to send somebody to a visit who is not trained for the home's machines.
///
/// # Errors
/// [`AppError::Invalid`] with what is missing and who could go instead; those of the store.
pub fn check(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    visit: &VisitRecord,
    day: NaiveDate,
    technician: TechnicianId,
) -> Result<(), AppError> {
    let filter = UnitFilter {
        site: Some(visit.site_id),
        // As the planner has it: the machines that are there when the visit may happen first.
        present_on: Some(visit.within_first),
        ..UnitFilter::default()
    };
    let machines = units::list(conn, branch.id, &filter, Page::everything())?;
    let needed = skills_needed(machines.iter().map(|unit| (unit.kind, unit.capacity_watts)));
    check_skills(&Calendar::load(conn, branch)?, &needed, day, technician)
}

/// Refuses somebody who lacks one of the skills.
///
/// # Errors
/// [`AppError::Invalid`] with what is missing and who works on that day and has it.
pub fn check_skills(
    calendar: &Calendar,
    needed: &BTreeSet<Skill>,
    day: NaiveDate,
    technician: TechnicianId,
) -> Result<(), AppError> {
    let missing = missing(calendar, needed, technician);
    if missing.is_empty() {
        return Ok(());
    }
    let words: Vec<&str> = missing.iter().map(|skill| skill.as_str()).collect();
    let name = |id: &TechnicianId| {
        calendar
            .technicians
            .get(id)
            .map_or_else(|| format!("technician {id}"), |it| it.name.clone())
    };
    let able: Vec<String> = calendar
        .technicians
        .keys()
        .filter(|id| calendar.shift(**id, day).is_some())
        .filter(|id| self::missing(calendar, needed, **id).is_empty())
        .map(name)
        .collect();
    let instead = if able.is_empty() {
        format!("nobody who works on {day} is")
    } else {
        format!("on {day} could go: {}", able.join(", "))
    };
    let detail = format!(
        "{} is not trained for this home ({}); {instead}",
        name(&technician),
        words.join(", ")
    );
    Err(AppError::field("/technician_id", detail))
}

fn missing(calendar: &Calendar, needed: &BTreeSet<Skill>, technician: TechnicianId) -> Vec<Skill> {
    let trained = calendar.skills.get(&technician).map_or(&[][..], Vec::as_slice);
    needed.iter().copied().filter(|skill| !trained.contains(skill)).collect()
}
