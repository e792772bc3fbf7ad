//! Measurements on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{
    Amperes, ComponentId, Condition, Microfarads, ReadingId, TechnicianId, Volts,
};
use hotspell_store::readings::{ReadingFields, ReadingRecord};
use hotspell_store::words::Section;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::stored::stored_view;
use crate::api::checks::{Checks, NOTE_MAX};
use crate::api::error::ApiError;

/// What was measured or seen on a part. At least one number, condition or note is needed.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "R-1", "component_id": 1, "taken_on": "2026-04-02", "technician_id": 1,
    "section": "main", "microfarads": 43.1, "volts": null, "amperes": null,
    "conditions": ["hot"], "note": null
}))]
pub struct ReadingInput {
    /// Made by whoever measured, so that the same submission counts once.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The part.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// The day, of the branch's calendar.
    pub taken_on: NaiveDate,
    /// By whom.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// When exactly, if that is known: orders the readings of one day.
    pub taken_at: Option<DateTime<Utc>>,
    /// Which section of a capacitor; `main` if absent.
    #[serde(default = "main_section")]
    pub section: Section,
    /// As the meter showed, in microfarads.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 500)]
    pub microfarads: Option<Microfarads>,
    /// Across the part under load, in volts; only together with the amperes.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1000)]
    pub volts: Option<Volts>,
    /// Through the part under load, in amperes; only together with the volts.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 400)]
    pub amperes: Option<Amperes>,
    /// What could be seen or felt.
    #[serde(default)]
    pub conditions: Vec<Condition>,
    /// Free text.
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

const fn main_section() -> Section {
    Section::Main
}

stored_view!(
    /// A measurement, as stored.
    ReadingView, ReadingInput, ReadingRecord, ReadingId
);

impl ReadingInput {
    /// What is stored of it.
    pub(crate) fn fields(&self, now: DateTime<Utc>) -> Result<ReadingFields, ApiError> {
        let mut checks = Checks::default();
        let mut conditions = self.conditions.clone();
        conditions.sort();
        conditions.dedup();
        let fields = ReadingFields {
            client_key: checks.key("/key", &self.key),
            component_id: self.component_id,
            taken_on: self.taken_on,
            technician_id: self.technician_id,
            taken_at: self.taken_at,
            section: self.section,
            microfarads: self.microfarads.map(Microfarads::get),
            volts: self.volts.map(Volts::get),
            amperes: self.amperes.map(Amperes::get),
            conditions,
            note: checks.optional("/note", self.note.as_deref(), NOTE_MAX),
        };
        checks.past_day("/taken_on", Some(self.taken_on), now);
        checks.both_or_neither("/amperes", self.volts.is_some(), self.amperes.is_some());
        if fields.microfarads.is_none()
            && fields.volts.is_none()
            && fields.conditions.is_empty()
            && fields.note.is_none()
        {
            checks.refuse("", "expected a number, a condition or a note");
        }
        checks.finish()?;
        Ok(fields)
    }
}

impl From<&ReadingFields> for ReadingInput {
    fn from(fields: &ReadingFields) -> Self {
        Self {
            key: fields.client_key.clone(),
            component_id: fields.component_id,
            taken_on: fields.taken_on,
            technician_id: fields.technician_id,
            taken_at: fields.taken_at,
            section: fields.section,
            microfarads: fields.microfarads.and_then(|value| Microfarads::new(value).ok()),
            volts: fields.volts.and_then(|value| Volts::new(value).ok()),
            amperes: fields.amperes.and_then(|value| Amperes::new(value).ok()),
            conditions: fields.conditions.clone(),
            note: fields.note.clone(),
        }
    }
}
