//! Which days a branch works and who works on them.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, NaiveDate, NaiveTime, Timelike};
use hotspell_domain::{BranchId, DateRange, Skill, TechnicianId};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::technicians::{
    self, Shift, TechnicianAbsence, TechnicianFilter, TechnicianRecord,
};
use hotspell_store::{AnyConnection, Page, StoreError};

/// The people and days of a branch.
#[derive(Debug, Clone)]
pub struct Calendar {
    weekdays: hotspell_store::WeekdaySet,
    holidays: BTreeSet<NaiveDate>,
    /// Everyone who was ever employed, by number.
    pub technicians: BTreeMap<TechnicianId, TechnicianRecord>,
    /// What each is trained for.
    pub skills: BTreeMap<TechnicianId, Vec<Skill>>,
    shifts: BTreeMap<TechnicianId, Vec<Shift>>,
    absences: BTreeMap<TechnicianId, Vec<TechnicianAbsence>>,
}

impl Calendar {
    /// Loads the branch's calendar.
    ///
    /// # Errors
    /// Those of the database.
    pub fn load(conn: &mut AnyConnection, branch: &BranchRecord) -> Result<Self, StoreError> {
        let id: BranchId = branch.id;
        let holidays = branches::holidays(conn, id)?;
        let people = technicians::list(conn, id, &TechnicianFilter::default(), Page::everything())?;
        let skills = technicians::skills(conn, id, None)?;
        Ok(Self {
            weekdays: branch.working_weekdays,
            holidays: holidays.into_iter().map(|holiday| holiday.day).collect(),
            technicians: people.into_iter().map(|person| (person.id, person)).collect(),
            skills: skills
                .into_iter()
                .map(|(id, list)| (id, list.into_iter().map(|item| item.skill).collect()))
                .collect(),
            shifts: technicians::shifts(conn, id, None)?,
            absences: technicians::absences(conn, id, None)?,
        })
    }

    /// The days of a range on which the office works.
    #[must_use]
    pub fn working_days(&self, range: DateRange) -> Vec<NaiveDate> {
        range
            .each_day()
            .filter(|day| self.weekdays.contains(day.weekday()) && !self.holidays.contains(day))
            .collect()
    }

    /// When the technician works on a day, seconds after local midnight; `None` when off.
    #[must_use]
    pub fn shift(&self, technician: TechnicianId, day: NaiveDate) -> Option<(i32, i32)> {
        let person = self.technicians.get(&technician)?;
        let employed = person.active_from.is_none_or(|first| first <= day)
            && person.active_until.is_none_or(|last| day <= last);
        let away = self.absences.get(&technician).is_some_and(|list| {
            list.iter().any(|absence| absence.first_day <= day && day <= absence.last_day)
        });
        if !employed || away {
            return None;
        }
        let weekday = i32::try_from(day.weekday().num_days_from_monday()).ok()?;
        let shift = self.shifts.get(&technician)?.iter().find(|shift| shift.weekday == weekday)?;
        Some((seconds_of_day(shift.starts), seconds_of_day(shift.ends)))
    }
}

/// Seconds after midnight.
#[must_use]
pub fn seconds_of_day(time: NaiveTime) -> i32 {
    i32::try_from(time.num_seconds_from_midnight()).unwrap_or(0)
}

/// A time of day as people here read it, such as «8:05 AM».
#[must_use]
pub fn clock_time(time: NaiveTime) -> String {
    time.format("%-I:%M %p").to_string()
}

/// The time so many seconds after midnight; the last second of the day for more.
#[must_use]
pub fn time_of_day(seconds: i32) -> NaiveTime {
    u32::try_from(seconds)
        .ok()
        .and_then(|seconds| NaiveTime::from_num_seconds_from_midnight_opt(seconds, 0))
        .unwrap_or(NaiveTime::MIN)
}
