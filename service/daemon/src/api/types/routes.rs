//! Day routes and load lists on the wire.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use hotspell_domain::{ComponentClass, LoadListId, PlanId, RouteId, RunId, TechnicianId, VisitId};
use hotspell_store::routes::{LoadListLineRecord, LoadListRecord, RouteRecord, RouteStopRecord};
use hotspell_store::words::RouteState;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;
use crate::app::delays::{Delay, LateOutcome, LateStop, MINUTES_MAX};

/// One stop of a route.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RouteStopView {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Its place in the order, from 0 (no unit).
    pub place: i32,
    /// Arrival, in seconds after midnight of the branch's clock.
    pub arrival_seconds: i32,
    /// Start of work, in seconds after midnight of the branch's clock.
    pub start_seconds: i32,
    /// Departure, in seconds after midnight of the branch's clock.
    pub leave_seconds: i32,
}

/// One technician's stops on one day, in order.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RouteView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: RouteId,
    /// Who drives.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// The day.
    pub day: NaiveDate,
    /// Raised by one each time that the day changes (no unit).
    pub revision: i32,
    /// The plan it comes from; absent for a day made by hand.
    #[schema(value_type = Option<i64>)]
    pub plan_id: Option<PlanId>,
    /// Whether it is the one in force.
    pub state: RouteState,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// The stops.
    pub stops: Vec<RouteStopView>,
}

/// One kind of part on a load list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LoadLineView {
    /// What.
    pub class: ComponentClass,
    /// Which rating.
    #[schema(example = "45+5 uF 370/440 V")]
    pub rating: String,
    /// How many pieces.
    pub quantity: i32,
    /// Chance that these are too few, 0 to 1 (no unit).
    pub chance_short: f64,
    /// Why so many.
    pub why: String,
}

/// What a truck must carry for one route.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LoadListView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: LoadListId,
    /// The route.
    #[schema(value_type = i64)]
    pub route_id: RouteId,
    /// Who drives.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// The day.
    pub day: NaiveDate,
    /// The run that made it.
    #[schema(value_type = Option<i64>)]
    pub run_id: Option<RunId>,
    /// The bound on the chance of missing a part that was asked for, 0 to 1 (no unit).
    pub chance_bound: f64,
    /// The chance of missing any part that is left, 0 to 1 (no unit).
    pub chance_short: f64,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// What to carry.
    pub lines: Vec<LoadLineView>,
}

/// A route of today runs late.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "minutes": 90, "why": "the first repair took longer" }))]
pub struct DelayInput {
    /// How much later than the route says the coming stops begin, in minutes.
    #[schema(minimum = 5, maximum = 480)]
    pub minutes: i32,
    /// Number of the first visit that begins late; if absent, the one after the visit that is
    /// under way by the route's times.
    #[schema(value_type = Option<i64>)]
    pub first_visit_id: Option<VisitId>,
    /// Why, in words; kept in the history of the visits, not told to households.
    #[schema(max_length = 200)]
    pub why: Option<String>,
}

/// How the household of a late stop hears of it.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LateOutcomeView {
    /// A message is on its way.
    Told,
    /// The work still starts inside the promised window: nobody is disturbed.
    InsideWindow,
    /// No mail may or can reach it in time: call it.
    ByPhone,
    /// It was never told of this visit.
    NotAnnounced,
}

/// A stop that is still to come.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LateStopView {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Earliest arrival that is promised now, of the branch's clock.
    pub starts: NaiveTime,
    /// Latest arrival that is promised now.
    pub ends: NaiveTime,
    /// How its household hears of it.
    pub outcome: LateOutcomeView,
}

/// Whether a route was mailed now.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct RouteMailView {
    /// Whether the mail is new; this revision of the route was mailed before otherwise.
    pub written: bool,
}

/// The stops of a late route that are still to come.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DelayView {
    /// The route.
    #[schema(value_type = i64)]
    pub route_id: RouteId,
    /// How late, in minutes.
    pub minutes: i32,
    /// In the order of the route.
    pub stops: Vec<LateStopView>,
}

impl DelayInput {
    /// What is reported.
    pub(crate) fn delay(&self) -> Result<Delay, ApiError> {
        let mut checks = Checks::default();
        if !(5..=MINUTES_MAX).contains(&self.minutes) {
            let detail = format!("{} is outside 5 to {MINUTES_MAX} minutes", self.minutes);
            checks.refuse("/minutes", detail);
        }
        let why = checks.optional("/why", self.why.as_deref(), LINE_MAX);
        checks.finish()?;
        Ok(Delay { minutes: self.minutes, first: self.first_visit_id, why })
    }
}

impl DelayView {
    pub(crate) fn new(route_id: RouteId, minutes: i32, stops: Vec<LateStop>) -> Self {
        let view = |stop: LateStop| LateStopView {
            visit_id: stop.visit,
            starts: stop.window.0,
            ends: stop.window.1,
            outcome: match stop.outcome {
                LateOutcome::Told => LateOutcomeView::Told,
                LateOutcome::InsideWindow => LateOutcomeView::InsideWindow,
                LateOutcome::ByPhone => LateOutcomeView::ByPhone,
                LateOutcome::NotAnnounced => LateOutcomeView::NotAnnounced,
            },
        };
        Self { route_id, minutes, stops: stops.into_iter().map(view).collect() }
    }
}

impl RouteView {
    pub(crate) fn of(record: RouteRecord, mut stops: Vec<RouteStopRecord>) -> Self {
        stops.sort_by_key(|stop| stop.place);
        Self {
            id: record.id,
            technician_id: record.technician_id,
            day: record.day,
            revision: record.revision,
            plan_id: record.plan_id,
            state: record.state,
            created_at: record.created_at,
            stops: stops
                .into_iter()
                .map(|stop| RouteStopView {
                    visit_id: stop.visit_id,
                    place: stop.place,
                    arrival_seconds: stop.arrival_seconds,
                    start_seconds: stop.start_seconds,
                    leave_seconds: stop.leave_seconds,
                })
                .collect(),
        }
    }
}

impl LoadListView {
    pub(crate) fn of(
        route: &RouteRecord,
        list: LoadListRecord,
        lines: Vec<LoadListLineRecord>,
    ) -> Self {
        Self {
            id: list.id,
            route_id: list.route_id,
            technician_id: route.technician_id,
            day: route.day,
            run_id: list.run_id,
            chance_bound: list.chance_bound,
            chance_short: list.chance_short,
            created_at: list.created_at,
            lines: lines
                .into_iter()
                .map(|line| LoadLineView {
                    class: line.class,
                    rating: line.rating.clone(),
                    quantity: line.quantity,
                    chance_short: line.chance_short,
                    why: line.why.clone(),
                })
                .collect(),
        }
    }
}
