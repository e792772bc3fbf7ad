//! Calls from homes without cooling on the wire.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::{ComponentClass, ComponentId, SiteId, TechnicianId, VisitId, Vulnerability};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;
use crate::api::types::visits::VisitView;
use crate::app::no_cool::{self, Acceptance, Accepted, Assessed, LikelyPart, NoCoolCall, Way};

/// A call: nothing cools.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "site_id": 1, "vulnerabilities": ["infant"], "words": "warm air since noon"
}))]
pub struct NoCoolInput {
    /// The home.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// Who there bears heat badly, as the household says; nobody if absent.
    #[serde(default)]
    #[schema(max_items = 5)]
    pub vulnerabilities: Vec<Vulnerability>,
    /// What it says besides.
    #[schema(max_length = 200)]
    pub words: Option<String>,
    /// When it called; now if absent.
    pub called_at: Option<DateTime<Utc>>,
}

/// A part that may be what failed.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LikelyPartView {
    /// The part.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// What it is.
    pub class: ComponentClass,
    /// The machine.
    pub unit: String,
    /// Its rating: a part of this rating should ride along.
    pub rating: Option<String>,
    /// Chance that it is the one, among the parts on record, 0 to 1 (no unit).
    pub share: f64,
    /// What speaks for it most.
    pub why: Option<String>,
}

/// Work of somebody else that starts later.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OthersDelayView {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// How much later it starts, in seconds.
    pub later_seconds: i32,
    /// How far past the end of the promised window it starts, in seconds; 0 within it.
    pub past_promise_seconds: i32,
}

/// A way to serve the call.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WayView {
    /// The day.
    pub day: NaiveDate,
    /// Who would go.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// Earliest arrival to be told, of the branch's clock.
    pub starts: NaiveTime,
    /// Latest arrival to be told.
    pub ends: NaiveTime,
    /// Further driving, in seconds.
    pub detour_seconds: i64,
    /// Whom it delays.
    pub delays: Vec<OthersDelayView>,
    /// Whether somebody loses a promised window; accept it with `break_promises`.
    pub breaks_a_promise: bool,
    /// The same in words.
    pub sentence: String,
}

/// A call as it stands.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct NoCoolView {
    /// Its number.
    #[schema(example = 1)]
    pub id: i64,
    /// The visit that it asks for, with its priority.
    pub visit: VisitView,
    /// Who at home bears heat badly.
    pub vulnerabilities: Vec<Vulnerability>,
    /// When the household called.
    pub called_at: DateTime<Utc>,
    /// Highest temperature of that day, in degrees Celsius, if it is known.
    pub today_celsius: Option<f64>,
    /// Highest temperature foretold for the next days, in degrees Celsius, if there is a forecast.
    pub to_come_celsius: Option<f64>,
    /// What is likely broken, most likely first.
    pub likely_parts: Vec<LikelyPartView>,
    /// Ways to serve it today and tomorrow, best first; none once it is decided.
    pub ways: Vec<WayView>,
    /// Why something is missing.
    pub notes: Vec<String>,
}

/// Where the office puts a call.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "day": "2026-06-02", "technician_id": 1 }))]
pub struct AcceptanceInput {
    /// The day.
    pub day: NaiveDate,
    /// Who goes.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// Whether others on that day may lose the window that they were promised, as a way says. Their
    /// households are written to.
    #[serde(default)]
    pub break_promises: bool,
}

/// Why the office turns a call down.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "why": "the breaker had tripped; it cools again" }))]
pub struct RejectionInput {
    /// In words.
    #[schema(min_length = 1, max_length = 200)]
    pub why: String,
}

/// An accepted call.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AcceptedView {
    /// The visit in its place.
    pub visit: VisitView,
    /// Visits whose households are written to, since what they were told no longer holds.
    #[schema(value_type = Vec<i64>)]
    pub told: Vec<VisitId>,
    /// Visits whose households must be called.
    #[schema(value_type = Vec<i64>)]
    pub by_phone: Vec<VisitId>,
    /// Number of load lists that were written for the changed routes.
    pub load_lists: usize,
}

impl NoCoolInput {
    /// The call.
    pub(crate) fn call(&self, now: DateTime<Utc>) -> Result<NoCoolCall, ApiError> {
        let mut checks = Checks::default();
        let words = checks.optional("/words", self.words.as_deref(), LINE_MAX);
        if self.vulnerabilities.len() > Vulnerability::ALL.len() {
            checks.refuse("/vulnerabilities", "name each at most once");
        }
        let called_at = self.called_at.unwrap_or(now);
        if called_at > now {
            checks.refuse("/called_at", format!("{called_at} lies in the future"));
        }
        checks.day("/called_at", Some(called_at.date_naive()));
        checks.finish()?;
        let mut vulnerabilities = self.vulnerabilities.clone();
        vulnerabilities.sort_unstable();
        vulnerabilities.dedup();
        Ok(NoCoolCall { site: self.site_id, vulnerabilities, words, called_at })
    }
}

impl AcceptanceInput {
    /// The place.
    pub(crate) fn place(&self) -> Result<Acceptance, ApiError> {
        let mut checks = Checks::default();
        checks.day("/day", Some(self.day));
        checks.finish()?;
        Ok(Acceptance {
            day: self.day,
            technician: self.technician_id,
            break_promises: self.break_promises,
        })
    }
}

impl RejectionInput {
    /// The reason.
    pub(crate) fn reason(&self) -> Result<String, ApiError> {
        let mut checks = Checks::default();
        let why = checks.text("/why", &self.why, LINE_MAX);
        checks.finish()?;
        Ok(why)
    }
}

impl From<LikelyPart> for LikelyPartView {
    fn from(part: LikelyPart) -> Self {
        Self {
            component_id: part.component,
            class: part.class,
            unit: part.unit,
            rating: part.rating,
            share: part.share,
            why: part.why,
        }
    }
}

impl From<Way> for WayView {
    fn from(way: Way) -> Self {
        let (starts, ends) = no_cool::window_times(&way);
        Self {
            day: way.day,
            technician_id: way.technician,
            starts,
            ends,
            detour_seconds: way.detour_s,
            delays: way
                .delays
                .into_iter()
                .map(|delay| OthersDelayView {
                    visit_id: delay.visit,
                    later_seconds: delay.later_s,
                    past_promise_seconds: delay.past_promise_s,
                })
                .collect(),
            breaks_a_promise: way.breaks_a_promise,
            sentence: way.sentence,
        }
    }
}

impl TryFrom<Assessed> for NoCoolView {
    type Error = ApiError;

    fn try_from(found: Assessed) -> Result<Self, ApiError> {
        let (vulnerabilities, heat) = (found.vulnerabilities()?, found.heat()?);
        Ok(Self {
            id: found.call.id,
            visit: found.visit.into(),
            vulnerabilities,
            called_at: found.call.called_at,
            today_celsius: heat.today_celsius,
            to_come_celsius: heat.to_come_celsius,
            likely_parts: found.parts.into_iter().map(Into::into).collect(),
            ways: found.ways.into_iter().map(Into::into).collect(),
            notes: found.notes,
        })
    }
}

impl From<Accepted> for AcceptedView {
    fn from(accepted: Accepted) -> Self {
        Self {
            visit: accepted.visit.into(),
            told: accepted.adopted.told,
            by_phone: accepted.adopted.by_phone,
            load_lists: accepted.load_lists,
        }
    }
}
