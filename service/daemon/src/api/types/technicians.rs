//! People who visit, on the wire.

use chrono::{NaiveDate, NaiveTime};
use hotspell_domain::{Language, Position, Skill, TechnicianId};
use hotspell_store::technicians::{
    Shift, TechnicianAbsence, TechnicianFields, TechnicianRecord, TechnicianSkill,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::sites::{AbsenceInput, checked_absences, checked_position, english};
use super::stored::stored_view;
use super::weekday::Weekday;
use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;

/// When somebody works on a weekday.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ShiftInput {
    /// The day of the week.
    pub weekday: Weekday,
    /// Begin, of the branch's clock.
    pub starts: NaiveTime,
    /// End, of the branch's clock; later than the begin.
    pub ends: NaiveTime,
}

/// A person who visits.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "T-1", "name": "Rosa Delgado", "email": "rosa@example.com",
    "phone": "+12025550143", "language": "en",
    "start": {"latitude_degrees": 33.42, "longitude_degrees": -111.94},
    "active_from": "2019-03-01", "active_until": null,
    "skills": ["standard", "heat-pump"],
    "shifts": [{"weekday": "mon", "starts": "07:30:00", "ends": "16:00:00"}],
    "absences": [{"first_day": "2026-07-06", "last_day": "2026-07-10", "reason": "holiday"}]
}))]
pub struct TechnicianInput {
    /// Your own name of the person, unique in the branch.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// As households and the office know the person.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub name: String,
    /// Where the route goes each evening.
    #[schema(max_length = 254)]
    pub email: Option<String>,
    /// E.164; blanks, dots, hyphens and brackets are taken out.
    #[schema(max_length = 40)]
    pub phone: Option<String>,
    /// Language of the mails; English if absent.
    #[serde(default = "english")]
    pub language: Language,
    /// Where the day starts and ends (WGS 84, degrees); absent means at the depot.
    pub start: Option<Position>,
    /// First day of work; absent means always.
    pub active_from: Option<NaiveDate>,
    /// Last day of work; absent means that no end is known.
    pub active_until: Option<NaiveDate>,
    /// What the person is trained for; `standard` alone if absent.
    #[serde(default = "standard")]
    #[schema(min_items = 1)]
    pub skills: Vec<Skill>,
    /// When the person works; no row for a free day.
    #[serde(default)]
    #[schema(max_items = 7)]
    pub shifts: Vec<ShiftInput>,
    /// Days off.
    #[serde(default)]
    #[schema(max_items = 100)]
    pub absences: Vec<AbsenceInput>,
}

fn standard() -> Vec<Skill> {
    vec![Skill::Standard]
}

stored_view!(
    /// A person who visits, as stored.
    TechnicianView, TechnicianInput, TechnicianRecord, TechnicianId
);

/// The lists that belong to a technician.
#[derive(Debug, Clone, Default)]
pub(crate) struct TechnicianLists {
    pub(crate) skills: Vec<TechnicianSkill>,
    pub(crate) shifts: Vec<Shift>,
    pub(crate) absences: Vec<TechnicianAbsence>,
}

impl TechnicianInput {
    /// What is stored of it.
    pub(crate) fn fields(&self) -> Result<(TechnicianFields, TechnicianLists), ApiError> {
        let mut checks = Checks::default();
        let fields = TechnicianFields {
            key: checks.key("/key", &self.key),
            name: checks.text("/name", &self.name, LINE_MAX),
            email: checks.email("/email", self.email.as_deref()),
            phone: checks.phone("/phone", self.phone.as_deref()),
            language: self.language,
            start_latitude_degrees: self.start.map(|start| start.latitude_degrees),
            start_longitude_degrees: self.start.map(|start| start.longitude_degrees),
            active_from: self.active_from,
            active_until: self.active_until,
        };
        checked_position(&mut checks, "/start", self.start);
        checks.day("/active_from", self.active_from);
        checks.day("/active_until", self.active_until);
        checks.order("/active_until", self.active_from, self.active_until);
        if self.skills.is_empty() {
            checks.refuse("/skills", "expected at least one of standard, heat-pump, large");
        }
        let mut skills: Vec<TechnicianSkill> =
            self.skills.iter().map(|skill| TechnicianSkill { skill: *skill }).collect();
        skills.sort();
        skills.dedup();
        let shifts = self.shifts(&mut checks);
        let absences =
            checked_absences(&mut checks, &self.absences, |first_day, last_day, reason| {
                TechnicianAbsence { first_day, last_day, reason }
            });
        checks.finish()?;
        Ok((fields, TechnicianLists { skills, shifts, absences }))
    }

    fn shifts(&self, checks: &mut Checks) -> Vec<Shift> {
        for (i, shift) in self.shifts.iter().enumerate() {
            if shift.ends <= shift.starts {
                checks.refuse(&format!("/shifts/{i}/ends"), "expected a time after the start");
            }
            if self.shifts.iter().take(i).any(|earlier| earlier.weekday == shift.weekday) {
                checks.refuse(&format!("/shifts/{i}/weekday"), "this weekday is there twice");
            }
        }
        self.shifts
            .iter()
            .map(|shift| Shift {
                weekday: i32::try_from(chrono::Weekday::from(shift.weekday).num_days_from_monday())
                    .unwrap_or_default(),
                starts: shift.starts,
                ends: shift.ends,
            })
            .collect()
    }

    /// As it is answered.
    pub(crate) fn of(record: &TechnicianRecord, lists: TechnicianLists) -> Self {
        let fields = &record.fields;
        Self {
            key: fields.key.clone(),
            name: fields.name.clone(),
            email: fields.email.clone(),
            phone: fields.phone.clone(),
            language: fields.language,
            start: fields.start(),
            active_from: fields.active_from,
            active_until: fields.active_until,
            skills: lists.skills.into_iter().map(|row| row.skill).collect(),
            shifts: lists
                .shifts
                .into_iter()
                .filter_map(|shift| {
                    let weekday =
                        chrono::Weekday::try_from(u8::try_from(shift.weekday).ok()?).ok()?;
                    Some(ShiftInput {
                        weekday: weekday.into(),
                        starts: shift.starts,
                        ends: shift.ends,
                    })
                })
                .collect(),
            absences: lists
                .absences
                .into_iter()
                .map(|absence| AbsenceInput {
                    first_day: absence.first_day,
                    last_day: absence.last_day,
                    reason: absence.reason,
                })
                .collect(),
        }
    }
}
