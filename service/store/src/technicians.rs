//! People who visit: skills, shifts and days off.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use diesel::{BoolExpressionMethods, ExpressionMethods};
use hotspell_domain::{Language, Position, Skill, TechnicianId};

use crate::columns::{RawText, naive};
use crate::listing::listing;
use crate::owned::owned_list;
use crate::record::{editable, keyed};
use crate::schema::technicians;

editable! {
    /// A person who visits.
    technicians, Technician, TechnicianRecord, TechnicianFields, TechnicianId {
        /// The user's own name of the person.
        key: String,
        /// As households and the office know the person.
        name: String,
        /// Where the route goes each evening.
        email: Option<String>,
        /// E.164.
        phone: Option<String>,
        /// Of the mails.
        language: Language as RawText,
        /// Where the day starts and ends; nothing means at the depot.
        start_latitude_degrees: Option<f64>,
        /// Where the day starts and ends; nothing means at the depot.
        start_longitude_degrees: Option<f64>,
        /// First day of work; nothing means always.
        active_from: Option<NaiveDate>,
        /// Last day of work; nothing means that no end is known.
        active_until: Option<NaiveDate>,
    }
}
keyed!(technicians, TechnicianRecord, TechnicianFields, TechnicianId, key);

impl TechnicianFields {
    /// Where the day starts and ends, if that is not the depot.
    #[must_use]
    pub fn start(&self) -> Option<Position> {
        Position::new(self.start_latitude_degrees?, self.start_longitude_degrees?).ok()
    }
}

listing! {
    technicians, TechnicianRecord, list,
    /// Which technicians.
    TechnicianFilter {
        /// At work at some time on or after this day and on or before it.
        active_on: NaiveDate => |day| technicians::active_from
            .is_null()
            .or(technicians::active_from.le(*day))
            .and(technicians::active_until.is_null().or(technicians::active_until.ge(*day))),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| technicians::updated_at.gt(naive(*at)),
    }
    sorted by TechnicianSort {
        Key "key": Text key,
        Name "name": Text name,
        ActiveFrom "active_from": Day active_from,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

owned_list! {
    /// One thing a technician is trained for.
    technician_skills, technician_id: TechnicianId, TechnicianSkill, skills, set_skills,
    order id {
        /// Which.
        skill: Skill as RawText,
    }
}

owned_list! {
    /// When a technician works on a weekday.
    technician_shifts, technician_id: TechnicianId, Shift, shifts, set_shifts,
    order weekday {
        /// 0 is Monday.
        weekday: i32,
        /// Of the branch's clock.
        starts: NaiveTime,
        /// Of the branch's clock, later than the start.
        ends: NaiveTime,
    }
}

owned_list! {
    /// Days on which a technician does not work.
    technician_absences, technician_id: TechnicianId, TechnicianAbsence, absences, set_absences,
    order first_day {
        /// First day.
        first_day: NaiveDate,
        /// Last day.
        last_day: NaiveDate,
        /// Such as «holiday».
        reason: Option<String>,
    }
}
