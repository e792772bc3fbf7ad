//! What happened to a plan, what to do about it, and why a visit stands where it stands.

use chrono::{NaiveDate, NaiveTime};
use hotspell_domain::{DateRange, PlanId, RunId, SiteId, TechnicianId, VisitId};
use hotspell_planning::reasons::{Block, Choice};
use hotspell_planning::season::CostParts;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::checks::Checks;
use crate::api::error::ApiError;
use crate::app::calendar::time_of_day;
use crate::app::explain::{Explained, Offered};
use crate::app::plan_change::PlanChange;
use crate::app::repair::{Happened, RepairRequest};
use crate::app::season_plan::Composed;

/// Most events of one repair.
const EVENTS_MAX: usize = 100;
/// Longest that a visit may take in addition, in seconds.
const OVERRUN_MAX_SECONDS: i32 = 8 * 3600;

/// What happened to the adopted plan.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "events": [
        { "kind": "technician-absent", "technician_id": 1, "first_day": "2026-04-14",
          "last_day": "2026-04-14" },
        { "kind": "visit-added", "visit_id": 17 }
    ],
    "first_day": "2026-04-14", "last_day": "2026-04-17", "seed": 1
}))]
pub struct RepairInput {
    /// What happened, 1 to 100 events.
    #[schema(min_items = 1, max_items = 100)]
    pub events: Vec<EventInput>,
    /// First day that may change; only with `last_day`. All of the adopted plan's days from today on
    /// may change if absent.
    pub first_day: Option<NaiveDate>,
    /// Last day that may change.
    pub last_day: Option<NaiveDate>,
    /// Of the solver (no unit): the same seed and inputs give the same plan; the setting's if absent.
    #[schema(minimum = 0)]
    pub seed: Option<u32>,
}

/// One event.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum EventInput {
    /// A technician does not work on some days. Kept as an absence, so that later plans know it.
    TechnicianAbsent {
        /// Who.
        #[schema(value_type = i64)]
        technician_id: TechnicianId,
        /// First day.
        first_day: NaiveDate,
        /// Last day.
        last_day: NaiveDate,
    },
    /// A technician cannot work for some hours of a day.
    TechnicianBlocked {
        /// Who.
        #[schema(value_type = i64)]
        technician_id: TechnicianId,
        /// The day.
        day: NaiveDate,
        /// From this time of the branch's clock.
        from: NaiveTime,
        /// Until this time.
        until: NaiveTime,
    },
    /// Homes cannot be reached for some hours of a day, such as behind a closed road.
    RoadBlocked {
        /// Which homes.
        #[schema(value_type = Vec<i64>)]
        site_ids: Vec<SiteId>,
        /// The day.
        day: NaiveDate,
        /// From this time of the branch's clock.
        from: NaiveTime,
        /// Until this time.
        until: NaiveTime,
    },
    /// A household declines a day, or hours of it. A whole day is kept as an absence of the home.
    SlotDeclined {
        /// Which visit.
        #[schema(value_type = i64)]
        visit_id: VisitId,
        /// The day.
        day: NaiveDate,
        /// From this time of the branch's clock; only with `until`. The whole day if absent.
        from: Option<NaiveTime>,
        /// Until this time.
        until: Option<NaiveTime>,
    },
    /// A visit that was added, such as a no-cool call, needs a place.
    VisitAdded {
        /// Which visit.
        #[schema(value_type = i64)]
        visit_id: VisitId,
    },
    /// A visit takes longer than planned. Kept as its duration.
    Overrun {
        /// Which visit.
        #[schema(value_type = i64)]
        visit_id: VisitId,
        /// How much longer, in seconds.
        #[schema(minimum = 60, maximum = 28_800)]
        extra_seconds: i32,
    },
}

impl RepairInput {
    /// What is asked, or every mistake in it.
    ///
    /// # Errors
    /// 422 naming each wrong field.
    pub fn request(self, seed: u64) -> Result<RepairRequest, ApiError> {
        let mut checks = Checks::default();
        if self.events.is_empty() || self.events.len() > EVENTS_MAX {
            checks.refuse("/events", format!("expected 1 to {EVENTS_MAX} events"));
        }
        let days = match (self.first_day, self.last_day) {
            (None, None) => None,
            (Some(first), Some(last)) => {
                let range = DateRange::new(first, last);
                if range.is_none() {
                    checks.refuse("/last_day", format!("{last} comes before {first}"));
                }
                range
            }
            _ => {
                checks.refuse("/last_day", "give first_day and last_day or neither");
                None
            }
        };
        let events = self
            .events
            .into_iter()
            .enumerate()
            .map(|(number, event)| event.happened(&format!("/events/{number}"), &mut checks))
            .collect();
        checks.finish()?;
        Ok(RepairRequest { events, days, seed: self.seed.map_or(seed, u64::from) })
    }
}

impl EventInput {
    fn happened(self, at: &str, checks: &mut Checks) -> Happened {
        match self {
            Self::TechnicianAbsent { technician_id, first_day, last_day } => {
                if last_day < first_day {
                    let pointer = format!("{at}/last_day");
                    checks.refuse(&pointer, format!("{last_day} comes before {first_day}"));
                }
                Happened::TechnicianAbsent { technician_id, first_day, last_day }
            }
            Self::TechnicianBlocked { technician_id, day, from, until } => {
                hours(at, checks, from, until);
                Happened::TechnicianBlocked { technician_id, day, from, until }
            }
            Self::RoadBlocked { site_ids, day, from, until } => {
                hours(at, checks, from, until);
                if site_ids.is_empty() {
                    checks.refuse(&format!("{at}/site_ids"), "expected at least one home");
                }
                Happened::RoadBlocked { site_ids, day, from, until }
            }
            Self::SlotDeclined { visit_id, day, from, until } => {
                let span = from.zip(until);
                if span.is_none() && (from.is_some() || until.is_some()) {
                    checks.refuse(&format!("{at}/until"), "give from and until or neither");
                }
                if let Some((from, until)) = span {
                    hours(at, checks, from, until);
                }
                Happened::SlotDeclined { visit_id, day, hours: span }
            }
            Self::VisitAdded { visit_id } => Happened::VisitAdded { visit_id },
            Self::Overrun { visit_id, extra_seconds } => {
                if !(60..=OVERRUN_MAX_SECONDS).contains(&extra_seconds) {
                    let detail = format!("expected 60 to {OVERRUN_MAX_SECONDS} s");
                    checks.refuse(&format!("{at}/extra_seconds"), detail);
                }
                Happened::Overrun { visit_id, extra_seconds }
            }
        }
    }
}

fn hours(at: &str, checks: &mut Checks, from: NaiveTime, until: NaiveTime) {
    if until <= from {
        checks.refuse(&format!("{at}/until"), format!("{until} does not come after {from}"));
    }
}

/// The mended plan: a draft, to be adopted like any other.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RepairView {
    /// The draft.
    #[schema(value_type = i64)]
    pub plan_id: PlanId,
    /// The recorded run.
    #[schema(value_type = i64)]
    pub run_id: RunId,
    /// Number of visits that would be on another day.
    pub moved_day: usize,
    /// Number of visits on the same day with another person or at another time.
    pub moved_within_day: usize,
    /// Number of visits that had no place and would get one.
    pub added: usize,
    /// Number of visits that would lose their place.
    pub removed: usize,
    /// Number of visits that keep day, person and time within a quarter of an hour.
    pub kept: usize,
    /// Driving that it saves against leaving everything as it is, in minutes; below zero when it costs
    /// some, such as for a visit that gets a place.
    pub travel_saved_minutes: i64,
    /// Number of visits without a place if everything stays as it is, what happened taken into account.
    pub left_out_before: usize,
    /// Number of visits without a place in the draft.
    pub left_out_after: usize,
    /// Each change in words.
    pub changes: Vec<String>,
}

impl RepairView {
    /// What a repair says of itself.
    #[must_use]
    pub fn new(composed: &Composed, change: PlanChange) -> Self {
        Self {
            plan_id: composed.plan,
            run_id: composed.run,
            moved_day: change.moved_day,
            moved_within_day: change.moved_within_day,
            added: change.added,
            removed: change.removed,
            kept: change.kept,
            travel_saved_minutes: change.travel_saved_minutes,
            left_out_before: change.left_out_before,
            left_out_after: change.left_out_after,
            changes: change.sentences,
        }
    }
}

/// Another slot for a visit.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfferView {
    /// The day.
    pub day: NaiveDate,
    /// Who would come.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// Earliest start of the work, of the branch's clock.
    pub earliest_start: NaiveTime,
    /// Latest start of the work that moves nobody else.
    pub latest_start: NaiveTime,
    /// What it costs, in seconds of a technician's time: detour, risk until then, lateness.
    pub cost_seconds: i64,
    /// The detour in it, in seconds.
    pub detour_seconds: i64,
}

impl From<Offered> for OfferView {
    fn from(offered: Offered) -> Self {
        let Offered { day, technician, offer } = offered;
        Self {
            day,
            technician_id: technician,
            earliest_start: time_of_day(offer.earliest_s),
            latest_start: time_of_day(offer.latest_s),
            cost_seconds: offer.cost_s,
            detour_seconds: offer.detour_s,
        }
    }
}

/// Other slots for a visit, the best first.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OffersView {
    /// At most one for each half of a day.
    pub offers: Vec<OfferView>,
}

/// One way to place a visit, with what it adds to the objective there.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ChoiceView {
    /// The day.
    pub day: NaiveDate,
    /// Who would come.
    #[schema(value_type = i64)]
    pub technician_id: TechnicianId,
    /// Start of the work, of the branch's clock.
    pub start: NaiveTime,
    /// All parts together, in seconds of a technician's time.
    pub cost_seconds: i64,
    /// Detour, in seconds.
    pub travel_seconds: i64,
    /// Failures expected before the day times what one costs, in seconds.
    pub risk_seconds: i64,
    /// Lateness past the due day, in seconds.
    pub late_seconds: i64,
    /// Change of what the household was told, in seconds.
    pub change_seconds: i64,
}

/// A day on which the visit cannot be, all others staying where they are.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BlockedDayView {
    /// The day.
    pub day: NaiveDate,
    /// `nobody-works`, `nobody-may`, `does-not-fit` or `full`.
    #[schema(example = "full")]
    pub why: &'static str,
    /// Number of visits that fill it, for `full`.
    pub visits: Option<usize>,
}

/// Why a visit stands where it stands.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReasonsView {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// Its place; absent when it has none.
    pub chosen: Option<ChoiceView>,
    /// The best way on each other day that is allowed, cheapest first.
    pub other_days: Vec<ChoiceView>,
    /// The best other person on the same day.
    pub other_person: Option<ChoiceView>,
    /// Allowed days without a way.
    pub blocked_days: Vec<BlockedDayView>,
    /// What the next best day would cost more, in seconds of a technician's time; below 0 if moving
    /// this visit alone would be better.
    pub next_day_costs_seconds: Option<i64>,
    /// All of it in sentences.
    pub sentences: Vec<String>,
}

impl ReasonsView {
    /// The account of a visit.
    #[must_use]
    pub fn new(visit: VisitId, explained: &Explained) -> Self {
        let account = &explained.account;
        let choice = |choice: &Choice| choice_view(explained, choice);
        Self {
            visit_id: visit,
            chosen: account.chosen.as_ref().and_then(choice),
            other_days: account.other_days.iter().filter_map(choice).collect(),
            other_person: account.other_person.as_ref().and_then(choice),
            blocked_days: account
                .blocked
                .iter()
                .filter_map(|(day, block)| {
                    let (why, visits) = match block {
                        Block::NobodyWorks => ("nobody-works", None),
                        Block::NobodyMay => ("nobody-may", None),
                        Block::DoesNotFit => ("does-not-fit", None),
                        Block::Full { visits } => ("full", Some(*visits)),
                    };
                    Some(BlockedDayView { day: *explained.days.get(*day)?, why, visits })
                })
                .collect(),
            next_day_costs_seconds: account.next_day_costs_s(),
            sentences: explained.sentences.clone(),
        }
    }
}

fn choice_view(explained: &Explained, choice: &Choice) -> Option<ChoiceView> {
    let CostParts { travel_s, risk_s, late_s, change_s, .. } = choice.cost;
    Some(ChoiceView {
        day: *explained.days.get(choice.day)?,
        technician_id: *explained.technicians.get(choice.technician)?,
        start: time_of_day(choice.start_s),
        cost_seconds: choice.cost.total_s(),
        travel_seconds: travel_s,
        risk_seconds: risk_s,
        late_seconds: late_s,
        change_seconds: change_s,
    })
}
