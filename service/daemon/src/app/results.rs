//! What a technician found: readings, conditions, replacements; and what follows from it.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{
    BranchId, CapacitorRating, ComponentClass, ComponentEnd, ComponentId, Condition, Microfarads,
    TechnicianId, VisitId, VisitState,
};
use hotspell_store::components::{self, ComponentRecord};
use hotspell_store::readings::{self, ReadingFields};
use hotspell_store::visits::{self, Cause, NewVisitResult, VisitChange, VisitRecord};
use hotspell_store::words::Section;
use hotspell_store::{AnyConnection, branches, units};
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::AppError;
use super::follow_up::{self, FollowUp};
use super::judging::measured_section;
use super::position::{self, Refusal, ReplacementReport};
use super::scoring::{self, ScoringSummary};
use super::visit_report;
use crate::state::AppState;

/// One measurement or observation of a part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResultReading {
    /// The part.
    pub component: ComponentId,
    /// Section of a capacitor.
    pub section: Section,
    /// As the meter showed, microfarads.
    pub microfarads: Option<f64>,
    /// Under load, volts.
    pub volts: Option<f64>,
    /// Under load, amperes.
    pub amperes: Option<f64>,
    /// What was seen.
    pub conditions: Vec<Condition>,
    /// Free text.
    pub note: Option<String>,
    /// When exactly; its day is then that of the branch's clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_at: Option<DateTime<Utc>>,
}

/// One part that was replaced.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResultReplacement {
    /// The part that went out.
    pub component: ComponentId,
    /// How it ended.
    pub end_kind: ComponentEnd,
    /// Rating of the new part; as the old one if absent.
    pub new_rating: Option<String>,
    /// Maker's date code or lot of the new part.
    pub new_batch: Option<String>,
    /// The office takes a rating that the replacement rule refuses, for this reason.
    pub office_override: Option<String>,
    /// When exactly; its day is then that of the branch's clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub taken_at: Option<DateTime<Utc>>,
}

/// Parts of one kind that were taken from the truck.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartsUsed {
    /// What.
    pub class: ComponentClass,
    /// Which rating, as printed.
    pub rating: Option<String>,
    /// How many pieces.
    pub quantity: u32,
}

/// What a technician sends in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VisitResult {
    /// Made by the phone: the same submission counts once.
    pub client_key: String,
    /// The day of the work.
    pub day: NaiveDate,
    /// Who did it.
    pub technician: Option<TechnicianId>,
    /// Measurements and observations.
    pub readings: Vec<ResultReading>,
    /// Replacements.
    pub replacements: Vec<ResultReplacement>,
    /// Whether the visit is finished; partial results are kept too.
    pub complete: bool,
    /// What was taken from the truck.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts_used: Vec<PartsUsed>,
    /// What is to be done at another visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follow_up: Option<FollowUp>,
    /// Free text for the office.
    pub note: Option<String>,
}

/// What became of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// The visit as it stands now.
    pub visit: VisitRecord,
    /// Whether this submission was new.
    pub new: bool,
    /// The verdict of each measured part: the worst of its sections.
    pub verdicts: BTreeMap<ComponentId, Verdict>,
    /// Old and new part of each replacement.
    pub replaced: Vec<(ComponentId, ComponentId)>,
    /// The return visit that was asked for.
    pub follow_up: Option<VisitId>,
    /// The scoring that followed; none when the branch was never scored.
    pub scoring: Option<ScoringSummary>,
}

/// Keeps a result and scores the home again at once.
///
/// `office` says whether the caller may override the replacement rule. A submission that came
/// before changes nothing and is answered with the present state. One that comes late is merged
/// by the rule of [`super::position`].
///
/// # Errors
/// [`AppError::Invalid`] names the field; [`AppError::Conflict`] when the visit was dropped.
/// Nothing is kept then.
pub fn record(
    state: &AppState,
    branch: BranchId,
    visit: VisitId,
    result: &VisitResult,
    who: &str,
    office: bool,
) -> Result<Recorded, AppError> {
    let now = state.now();
    let payload =
        serde_json::to_value(result).map_err(|error| AppError::internal("visit result", error))?;
    let mut recorded = state.store.write(|conn| {
        let record = visits::find(conn, branch, visit)?;
        check(state, conn, branch, &record, result)?;
        let new = NewVisitResult {
            visit_id: visit,
            client_key: result.client_key.clone(),
            technician_id: result.technician,
            payload,
            received_at: now,
        };
        let (_, new) = visits::insert_result_once(conn, branch, new)?;
        if !new {
            return Ok(Recorded {
                visit: record,
                new: false,
                verdicts: BTreeMap::new(),
                replaced: Vec::new(),
                follow_up: None,
                scoring: None,
            });
        }
        let days = Days::of(conn, branch, now)?;
        let verdicts = keep_readings(conn, &days, &record, result)?;
        let replaced = keep_replacements(conn, &days, &record, result, office)?;
        let follow_up = result
            .follow_up
            .as_ref()
            .map(|wish| follow_up::ask(conn, branch, &record, (wish, result.day), who, now))
            .transpose()?;
        let before = record.state;
        let visit = finish(conn, branch, record, result, who, now)?;
        if visit.state == VisitState::Done && before != VisitState::Done {
            visit_report::write(conn, state, branch, &visit)?;
        }
        Ok::<_, AppError>(Recorded {
            visit,
            new: true,
            verdicts,
            replaced,
            follow_up,
            scoring: None,
        })
    })?;
    if recorded.new {
        recorded.scoring = rescore(state, branch, &recorded.visit)?;
    }
    Ok(recorded)
}

/// Scores the home of a visit again, if the branch was ever scored.
fn rescore(
    state: &AppState,
    branch: BranchId,
    visit: &VisitRecord,
) -> Result<Option<ScoringSummary>, AppError> {
    let zone = state.store.read(|conn| branches::find(conn, branch))?.time_zone;
    let today = local_day(state.now(), zone);
    match scoring::score_site(state, branch, visit.site_id, today) {
        Ok(summary) => Ok(Some(summary)),
        Err(AppError::NotReady(_)) => Ok(None),
        Err(error) => Err(error),
    }
}

fn check(
    state: &AppState,
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
    result: &VisitResult,
) -> Result<(), AppError> {
    if result.client_key.trim().is_empty() {
        return Err(AppError::field("/client_key", "expected a key of the submission's own"));
    }
    if visit.state == VisitState::Dropped {
        return Err(AppError::Conflict(format!("visit {} was dropped", visit.id)));
    }
    let zone = branches::find(conn, branch)?.time_zone;
    let today = local_day(state.now(), zone);
    if result.day > today {
        let detail = format!("{} is in the future; today is {today}", result.day);
        return Err(AppError::field("/day", detail));
    }
    Ok(())
}

/// The part, if it sits at the visit's home.
fn part_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: &VisitRecord,
    id: ComponentId,
    pointer: &str,
) -> Result<ComponentRecord, AppError> {
    let wrong = || AppError::field(pointer, format!("{id} is no part at the home of this visit"));
    let component = components::find(conn, branch, id).map_err(|error| match error {
        hotspell_store::StoreError::NotFound(_) => wrong(),
        other => other.into(),
    })?;
    let unit = units::find(conn, branch, component.unit_id)?;
    if unit.site_id == visit.site_id { Ok(component) } else { Err(wrong()) }
}

/// What turns moments into days, and the branch they are of.
struct Days {
    branch: BranchId,
    zone: Tz,
    mains_hertz: f64,
    now: DateTime<Utc>,
}

impl Days {
    fn of(
        conn: &mut AnyConnection,
        branch: BranchId,
        now: DateTime<Utc>,
    ) -> Result<Self, AppError> {
        let record = branches::find(conn, branch)?;
        Ok(Self { branch, zone: record.time_zone, mains_hertz: record.mains_hertz, now })
    }

    /// The day of a reading or replacement: that of its moment, else that of the submission.
    fn day(
        &self,
        taken_at: Option<DateTime<Utc>>,
        result: &VisitResult,
        pointer: &str,
    ) -> Result<NaiveDate, AppError> {
        let Some(at) = taken_at else { return Ok(result.day) };
        let (day, today) = (local_day(at, self.zone), local_day(self.now, self.zone));
        if day > today {
            let detail = format!("{at} is in the future; today is {today}");
            return Err(AppError::field(format!("{pointer}/taken_at"), detail));
        }
        Ok(day)
    }
}

fn keep_readings(
    conn: &mut AnyConnection,
    days: &Days,
    visit: &VisitRecord,
    result: &VisitResult,
) -> Result<BTreeMap<ComponentId, Verdict>, AppError> {
    let mut verdicts: BTreeMap<ComponentId, Verdict> = BTreeMap::new();
    let mut by_day: BTreeMap<(NaiveDate, ComponentId), Verdict> = BTreeMap::new();
    for (index, reading) in result.readings.iter().enumerate() {
        let pointer = format!("/readings/{index}");
        let named = part_of(conn, days.branch, visit, reading.component, &pointer)?;
        let day = days.day(reading.taken_at, result, &pointer)?;
        let part = position::meant_on(conn, days.branch, named, day)?;
        let measured = measured_section(&part, reading, days.mains_hertz)
            .map_err(|(field, detail)| AppError::field(format!("{pointer}{field}"), detail))?;
        if let Some(verdict) = measured {
            for worst in [
                verdicts.entry(part.id).or_insert(verdict),
                by_day.entry((day, part.id)).or_insert(verdict),
            ] {
                *worst = (*worst).max(verdict);
            }
        }
        let fields = ReadingFields {
            client_key: format!("{}/{index}", result.client_key),
            component_id: part.id,
            taken_on: day,
            technician_id: result.technician,
            taken_at: reading.taken_at,
            section: reading.section,
            microfarads: reading.microfarads,
            volts: reading.volts,
            amperes: reading.amperes,
            conditions: reading.conditions.clone(),
            note: reading.note.clone(),
        };
        readings::insert(conn, days.branch, &fields, days.now)?;
    }
    for ((day, part), _) in by_day.iter().filter(|(_, verdict)| **verdict != Verdict::Out) {
        components::seen_good(conn, days.branch, &[*part], *day, days.now)?;
    }
    Ok(verdicts)
}

fn keep_replacements(
    conn: &mut AnyConnection,
    days: &Days,
    visit: &VisitRecord,
    result: &VisitResult,
    office: bool,
) -> Result<Vec<(ComponentId, ComponentId)>, AppError> {
    let mut replaced = Vec::new();
    for (index, replacement) in result.replacements.iter().enumerate() {
        let pointer = format!("/replacements/{index}");
        let named = part_of(conn, days.branch, visit, replacement.component, &pointer)?;
        let report = ReplacementReport {
            day: days.day(replacement.taken_at, result, &pointer)?,
            at: replacement.taken_at,
            client_key: result.client_key.clone(),
            index,
            end_kind: replacement.end_kind,
            rating: replacement.new_rating.clone(),
            batch: replacement.new_batch.clone(),
            overridden: office && replacement.office_override.is_some(),
        };
        let pair = position::take(conn, days.branch, &named, &report, days.mains_hertz, days.now)
            .map_err(|refusal| match refusal {
            Refusal::Field(field, detail) => AppError::field(format!("{pointer}{field}"), detail),
            Refusal::Other(error) => error,
        })?;
        replaced.push(pair);
    }
    Ok(replaced)
}

fn finish(
    conn: &mut AnyConnection,
    branch: BranchId,
    visit: VisitRecord,
    result: &VisitResult,
    who: &str,
    now: DateTime<Utc>,
) -> Result<VisitRecord, AppError> {
    if !result.complete || !visit.state.holds_a_place() {
        return Ok(visit);
    }
    let to = VisitChange {
        state: VisitState::Done,
        place: visit.day.zip(visit.technician_id),
        slot: visit.starts.zip(visit.ends),
    };
    let cause = Cause { who, why: result.note.as_deref().or(Some("result received")) };
    Ok(visits::change(conn, branch, visit.id, visit.version, to, cause, now)?)
}

/// What the record of a result says in the audit log.
#[must_use]
pub fn audit_of(recorded: &Recorded) -> serde_json::Value {
    json!({
        "visit": recorded.visit.id,
        "state": recorded.visit.state,
        "measured": recorded.verdicts.len(),
        "replaced": recorded.replaced,
        "follow_up": recorded.follow_up,
    })
}

/// The rated value of a section, for pages.
#[must_use]
pub fn rated(component: &ComponentRecord, section: Section) -> Option<Microfarads> {
    let rating: CapacitorRating = component.rating.as_deref()?.parse().ok()?;
    match section {
        Section::Main => Some(rating.main),
        Section::Fan => rating.fan,
    }
}
