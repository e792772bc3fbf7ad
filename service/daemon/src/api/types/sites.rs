//! Homes on the wire.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::{Language, Position, SiteId};
use hotspell_store::sites::{SiteAbsence, SiteFields, SiteRecord};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::stored::stored_view;
use super::weekday::{self, Weekday};
use crate::api::checks::{Checks, LINE_MAX, NOTE_MAX};
use crate::api::error::ApiError;
use crate::app::history::{Happening, HistoryEntry};

/// Days from first to last on which somebody is away.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AbsenceInput {
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
    /// As it was said.
    #[schema(max_length = 200)]
    pub reason: Option<String>,
}

/// A home.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "S-1", "name": "Alvarez home", "address_1": "12 Ironwood Lane", "address_2": null,
    "city": "Mesquite Flats", "region": "AZ", "postal_code": "85001",
    "position": {"latitude_degrees": 33.45, "longitude_degrees": -112.07},
    "access_notes": "gate code at the office", "refused_weekdays": ["fri"],
    "visit_from": "08:00:00", "visit_until": "17:00:00", "vulnerability": null,
    "language": "en",
    "absences": [{"first_day": "2026-06-01", "last_day": "2026-06-14", "reason": "holiday"}]
}))]
pub struct SiteInput {
    /// Your own name of it, unique in the branch.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// As the office knows it.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub name: String,
    /// Street and number.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub address_1: String,
    /// Second line.
    #[schema(max_length = 200)]
    pub address_2: Option<String>,
    /// City.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub city: String,
    /// State or region.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub region: String,
    /// Postal code.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub postal_code: String,
    /// Where it is (WGS 84, degrees). Without one, travel there cannot be planned.
    pub position: Option<Position>,
    /// Above sea level, in metres. Where the branch has several weather stations, they are weighed
    /// by distance and height; without it by distance alone.
    #[schema(minimum = -500, maximum = 9000)]
    pub elevation_metres: Option<f64>,
    /// Gate, dog, key.
    #[schema(max_length = 4000)]
    pub access_notes: Option<String>,
    /// Days of the week on which nobody may come.
    #[serde(default)]
    pub refused_weekdays: Vec<Weekday>,
    /// Nobody may come before this time, of the branch's clock.
    pub visit_from: Option<NaiveTime>,
    /// Nobody may come after this time, of the branch's clock.
    pub visit_until: Option<NaiveTime>,
    /// What the household itself has said; a no-cool call here goes first.
    #[schema(max_length = 200)]
    pub vulnerability: Option<String>,
    /// Language of its notices; English if absent.
    #[serde(default = "english")]
    pub language: Language,
    /// Days on which nobody is at home.
    #[serde(default)]
    #[schema(max_items = 100)]
    pub absences: Vec<AbsenceInput>,
}

pub(crate) const fn english() -> Language {
    Language::English
}

stored_view!(
    /// A home, as it is stored.
    SiteView, SiteInput, SiteRecord, SiteId
);

/// Checks a stated position.
pub(crate) fn checked_position(checks: &mut Checks, pointer: &str, position: Option<Position>) {
    if let Some(position) = position {
        checks.keep(pointer, Position::new(position.latitude_degrees, position.longitude_degrees));
    }
}

/// Checks a list of absences and gives each to `make`.
pub(crate) fn checked_absences<T>(
    checks: &mut Checks,
    absences: &[AbsenceInput],
    make: impl Fn(NaiveDate, NaiveDate, Option<String>) -> T,
) -> Vec<T> {
    let row = |(i, absence): (usize, &AbsenceInput)| {
        checks.day(&format!("/absences/{i}/first_day"), Some(absence.first_day));
        checks.day(&format!("/absences/{i}/last_day"), Some(absence.last_day));
        checks.order(
            &format!("/absences/{i}/last_day"),
            Some(absence.first_day),
            Some(absence.last_day),
        );
        let reason =
            checks.optional(&format!("/absences/{i}/reason"), absence.reason.as_deref(), LINE_MAX);
        make(absence.first_day, absence.last_day, reason)
    };
    absences.iter().enumerate().map(row).collect()
}

impl SiteInput {
    /// What is stored of it.
    pub(crate) fn fields(&self) -> Result<(SiteFields, Vec<SiteAbsence>), ApiError> {
        let mut checks = Checks::default();
        let fields = SiteFields {
            key: checks.key("/key", &self.key),
            name: checks.text("/name", &self.name, LINE_MAX),
            address_1: checks.text("/address_1", &self.address_1, LINE_MAX),
            address_2: checks.optional("/address_2", self.address_2.as_deref(), LINE_MAX),
            city: checks.text("/city", &self.city, LINE_MAX),
            region: checks.text("/region", &self.region, LINE_MAX),
            postal_code: checks.text("/postal_code", &self.postal_code, LINE_MAX),
            latitude_degrees: self.position.map(|position| position.latitude_degrees),
            longitude_degrees: self.position.map(|position| position.longitude_degrees),
            elevation_metres: self.elevation_metres,
            access_notes: checks.optional("/access_notes", self.access_notes.as_deref(), NOTE_MAX),
            refused_weekdays: weekday::set(&self.refused_weekdays),
            visit_from: self.visit_from,
            visit_until: self.visit_until,
            vulnerability: checks.optional(
                "/vulnerability",
                self.vulnerability.as_deref(),
                LINE_MAX,
            ),
            language: self.language,
        };
        checked_position(&mut checks, "/position", self.position);
        if let Some(metres) = self.elevation_metres {
            checks.number("/elevation_metres", metres, -500.0, 9_000.0, "m");
        }
        if let (Some(from), Some(until)) = (self.visit_from, self.visit_until)
            && until <= from
        {
            checks.refuse("/visit_until", format!("{until} is not later than {from}"));
        }
        let absences =
            checked_absences(&mut checks, &self.absences, |first_day, last_day, reason| {
                SiteAbsence { first_day, last_day, reason }
            });
        checks.finish()?;
        Ok((fields, absences))
    }

    /// As it is answered.
    pub(crate) fn of(record: &SiteRecord, absences: Vec<SiteAbsence>) -> Self {
        let fields = &record.fields;
        Self {
            key: fields.key.clone(),
            name: fields.name.clone(),
            address_1: fields.address_1.clone(),
            address_2: fields.address_2.clone(),
            city: fields.city.clone(),
            region: fields.region.clone(),
            postal_code: fields.postal_code.clone(),
            position: fields.position(),
            elevation_metres: fields.elevation_metres,
            access_notes: fields.access_notes.clone(),
            refused_weekdays: weekday::days(fields.refused_weekdays),
            visit_from: fields.visit_from,
            visit_until: fields.visit_until,
            vulnerability: fields.vulnerability.clone(),
            language: fields.language,
            absences: absences
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

/// What kind of thing happened.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum HappeningView {
    /// An agreement began or ended.
    Agreement,
    /// A visit moved from one state to another.
    Visit,
    /// A technician sent something in.
    Result,
    /// A part was measured or looked at.
    Reading,
    /// A part ended.
    Replacement,
    /// A notice was composed.
    Notice,
    /// The household answered.
    Answer,
}

/// One line of a home's history.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HistoryEntryView {
    /// The day, of the branch's calendar.
    pub on: NaiveDate,
    /// When exactly, if that is known.
    pub at: Option<DateTime<Utc>>,
    /// What kind of thing.
    pub what: HappeningView,
    /// Number of the agreement, visit, part or notice that it is about; of an answer that of the
    /// visit, 0 when it was about the mail alone.
    pub subject_id: i64,
    /// In words for the office.
    pub text: String,
}

/// What happened at a home in a stretch of days, earliest first.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HistoryView {
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
    /// The lines.
    pub items: Vec<HistoryEntryView>,
}

impl From<HistoryEntry> for HistoryEntryView {
    fn from(entry: HistoryEntry) -> Self {
        Self {
            on: entry.on,
            at: entry.at,
            what: match entry.what {
                Happening::Agreement => HappeningView::Agreement,
                Happening::Visit => HappeningView::Visit,
                Happening::Result => HappeningView::Result,
                Happening::Reading => HappeningView::Reading,
                Happening::Replacement => HappeningView::Replacement,
                Happening::Notice => HappeningView::Notice,
                Happening::Answer => HappeningView::Answer,
            },
            subject_id: entry.subject,
            text: entry.text,
        }
    }
}
