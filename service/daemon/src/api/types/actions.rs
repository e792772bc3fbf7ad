//! What is asked of the engine, and what it answers.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{
    ComponentClass, ComponentEnd, ComponentId, Condition, PlanId, RunId, TechnicianId, VisitId,
};
use hotspell_store::words::Section;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::components::checked_rating;
use super::visits::VisitView;
use crate::api::checks::Checks;
use crate::api::error::ApiError;
use crate::app::adopt::Adopted;
use crate::app::delivery::Delivered;
use crate::app::follow_up::FollowUp;
use crate::app::notices::Written;
use crate::app::results::{PartsUsed, Recorded, ResultReading, ResultReplacement, VisitResult};
use crate::app::scoring::ScoringSummary;
use crate::app::season_plan::DAYS_MAX;

/// Longest reason of a follow-up, in characters.
const REASON_MAX: usize = 1_000;

/// When the parts are scored.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "as_of": null }))]
pub struct ScoringRunInput {
    /// The day on which the parts are taken to work; the branch's today if absent.
    pub as_of: Option<NaiveDate>,
}

/// What a scoring run says of itself.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ScoringRunView {
    /// The recorded run.
    #[schema(value_type = i64)]
    pub run_id: RunId,
    /// The day of scoring.
    pub as_of: NaiveDate,
    /// The probabilities of a part's season run up to this day.
    pub season_end: NaiveDate,
    /// Number of parts scored.
    pub components: usize,
    /// Number of failures that the life model learned from.
    pub failures: usize,
    /// Number of failures to be expected by the season's end.
    pub expected_failures: f64,
    /// What was assumed, and how many parts it touches.
    pub assumptions: Vec<String>,
}

/// What is to be planned.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "first_day": "2026-02-02", "last_day": "2026-05-29", "seed": 1, "iterations_per_visit": 400
}))]
pub struct PlanInput {
    /// First day of the plan.
    pub first_day: NaiveDate,
    /// Last day of the plan, at most a year later.
    pub last_day: NaiveDate,
    /// Of the solver (no unit): the same seed and inputs give the same plan; the setting's if
    /// absent.
    #[schema(minimum = 0)]
    pub seed: Option<u32>,
    /// Search iterations for each visit (no unit), 1 to 100,000; the setting's if absent.
    #[schema(minimum = 1, maximum = 100_000)]
    pub iterations_per_visit: Option<u32>,
}

/// For which days load lists are written.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "first_day": "2026-02-02", "last_day": "2026-02-06" }))]
pub struct LoadListsInput {
    /// First day.
    pub first_day: NaiveDate,
    /// Last day, at most a year later.
    pub last_day: NaiveDate,
}

/// How many load lists were written.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LoadListsView {
    /// Number of lists written; routes that have one keep it.
    pub written: usize,
}

/// What became of an adopted plan.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AdoptionView {
    /// The plan.
    #[schema(value_type = i64)]
    pub plan_id: PlanId,
    /// Number of visits that got a place or another one.
    pub placed: usize,
    /// Number of visits that keep the place they had.
    pub kept: usize,
    /// Visits that changed since the plan was composed and were left as they are.
    #[schema(value_type = Vec<i64>)]
    pub left_alone: Vec<VisitId>,
    /// Visits that the plan leaves out and that lost the place they had.
    #[schema(value_type = Vec<i64>)]
    pub taken_away: Vec<VisitId>,
    /// Number of technician-days with a route.
    pub routes: usize,
    /// Visits whose households are written to, since what they were told no longer holds.
    #[schema(value_type = Vec<i64>)]
    pub told: Vec<VisitId>,
    /// Visits whose households must be called: no mail may or can reach them in time.
    #[schema(value_type = Vec<i64>)]
    pub by_phone: Vec<VisitId>,
}

/// How many notices were written.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CompositionView {
    /// Number of first reminders.
    pub reminders: usize,
    /// Number of second reminders.
    pub second_reminders: usize,
    /// Number of notices about tomorrow's visits.
    pub day_before: usize,
    /// Number of notices about agreements that end soon.
    pub renewals: usize,
    /// Number of digests to the office.
    pub digests: usize,
    /// Number of households that mail does not reach.
    pub by_phone: usize,
}

/// How many notices are delivered at most.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "limit": 100 }))]
pub struct DeliveryInput {
    /// Number of notices at most, 1 to 1,000; 100 if absent.
    #[schema(minimum = 1, maximum = 1000)]
    pub limit: Option<u32>,
}

/// How a round of deliveries ended.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct DeliveryView {
    /// Number of notices taken by the receiver.
    pub delivered: usize,
    /// Number of notices to be tried again later.
    pub again: usize,
    /// Number of notices refused or given up: reach these people by phone.
    pub refused: usize,
}

/// One measurement or observation of a part.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ResultReadingInput {
    /// The part.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// Which section of a capacitor; `main` if absent.
    #[serde(default = "main_section")]
    pub section: Section,
    /// As the meter showed, in microfarads.
    #[schema(minimum = 0, maximum = 500)]
    pub microfarads: Option<f64>,
    /// Across the part under load, in volts; only together with the amperes.
    #[schema(minimum = 0, maximum = 1000)]
    pub volts: Option<f64>,
    /// Through the part under load, in amperes; only together with the volts.
    #[schema(minimum = 0, maximum = 400)]
    pub amperes: Option<f64>,
    /// What could be seen or felt.
    #[serde(default)]
    pub conditions: Vec<Condition>,
    /// Free text.
    #[schema(max_length = 4000)]
    pub note: Option<String>,
    /// When exactly: orders what several phones report of one day, and its day on the branch's
    /// clock is the reading's. The day of the work if absent.
    pub taken_at: Option<DateTime<Utc>>,
}

const fn main_section() -> Section {
    Section::Main
}

/// One part that was replaced.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ResultReplacementInput {
    /// The part that went out.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// How it ended.
    pub end_kind: ComponentEnd,
    /// Rating of the new part; as the old one if absent.
    #[schema(max_length = 200)]
    pub rating: Option<String>,
    /// Maker's date code or lot of the new part.
    #[schema(max_length = 200)]
    pub batch: Option<String>,
    /// Why a rating that may not replace the old one is right all the same; the office alone.
    #[schema(max_length = 200)]
    pub rating_override: Option<String>,
    /// When exactly; of two reports of one replacement the later one counts.
    pub taken_at: Option<DateTime<Utc>>,
}

/// Parts of one kind that were taken from the truck.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PartsUsedInput {
    /// What.
    pub class: ComponentClass,
    /// Which rating, as printed.
    #[schema(max_length = 200)]
    pub rating: Option<String>,
    /// How many pieces.
    #[schema(minimum = 1, maximum = 100)]
    pub quantity: u32,
}

/// What is to be done at another visit: a return visit becomes owed.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FollowUpInput {
    /// Why somebody must come again.
    #[schema(min_length = 1, max_length = 1000, pattern = r"\S")]
    pub reason: String,
    /// Last day on which it helps; two weeks after the work if absent.
    pub by: Option<NaiveDate>,
}

/// What a technician sends in about a visit; partial results are kept too.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "3f0e2c86-result-1", "day": "2026-06-02", "technician_id": 1,
    "readings": [{
        "component_id": 1, "section": "main", "microfarads": 40.2, "volts": null,
        "amperes": null, "conditions": ["hot"], "note": null
    }],
    "replacements": [{
        "component_id": 1, "end_kind": "replaced-before-failing", "rating": "45+5 uF 440 V",
        "batch": "2615", "rating_override": null
    }],
    "parts_used": [{ "class": "run-capacitor-dual", "rating": "45+5 uF 440 V", "quantity": 1 }],
    "complete": true, "note": "sister unit checked too"
}))]
pub struct VisitResultInput {
    /// Made by the sender: the same submission counts once.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The day of the work.
    pub day: NaiveDate,
    /// Who did it; a technician sends own results.
    #[schema(value_type = Option<i64>)]
    pub technician_id: Option<TechnicianId>,
    /// Measurements and observations.
    #[serde(default)]
    #[schema(max_items = 500)]
    pub readings: Vec<ResultReadingInput>,
    /// Replacements.
    #[serde(default)]
    #[schema(max_items = 100)]
    pub replacements: Vec<ResultReplacementInput>,
    /// Whether the visit is finished.
    #[serde(default)]
    pub complete: bool,
    /// What was taken from the truck.
    #[serde(default)]
    #[schema(max_items = 100)]
    pub parts_used: Vec<PartsUsedInput>,
    /// What is to be done at another visit. A home has one open return visit: a further wish is
    /// added to it.
    pub follow_up: Option<FollowUpInput>,
    /// Free text for the office.
    #[schema(max_length = 4000)]
    pub note: Option<String>,
}

/// What a measured part's reading says.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct VerdictView {
    /// The part.
    #[schema(value_type = i64)]
    pub component_id: ComponentId,
    /// `within-tolerance`, `due` or `out`: the worst of its sections.
    #[schema(example = "due")]
    pub verdict: String,
}

/// An old part and its successor.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReplacedView {
    /// The part that ended.
    #[schema(value_type = i64)]
    pub ended_id: ComponentId,
    /// The part that began.
    #[schema(value_type = i64)]
    pub started_id: ComponentId,
}

/// What became of a submission.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RecordedView {
    /// The visit as it stands now.
    pub visit: VisitView,
    /// Whether this submission was new; an old one changes nothing.
    pub new: bool,
    /// The verdict on each measured part.
    pub verdicts: Vec<VerdictView>,
    /// Old and new part of each replacement.
    pub replaced: Vec<ReplacedView>,
    /// The return visit that was asked for.
    #[schema(value_type = Option<i64>)]
    pub follow_up_visit_id: Option<VisitId>,
    /// The scoring of the home that followed; absent when the branch was never scored.
    pub scoring: Option<ScoringRunView>,
}

/// Checks a stretch of days.
pub(crate) fn check_stretch(checks: &mut Checks, first: NaiveDate, last: NaiveDate) {
    checks.day("/first_day", Some(first));
    checks.day("/last_day", Some(last));
    checks.order("/last_day", Some(first), Some(last));
    if (last - first).num_days() >= DAYS_MAX {
        checks.refuse("/last_day", format!("expected at most {DAYS_MAX} days"));
    }
}

impl PlanInput {
    /// Checks that the plan has a length and the search an end.
    pub(crate) fn check(&self) -> Result<(), ApiError> {
        let mut checks = Checks::default();
        check_stretch(&mut checks, self.first_day, self.last_day);
        if self.iterations_per_visit.is_some_and(|n| !(1..=100_000).contains(&n)) {
            checks.refuse("/iterations_per_visit", "expected 1 to 100,000");
        }
        checks.finish()
    }
}

impl VisitResultInput {
    fn parts_used(&self, checks: &mut Checks) -> Vec<PartsUsed> {
        let one = |(i, used): (usize, &PartsUsedInput)| {
            if !(1..=100).contains(&used.quantity) {
                checks.refuse(&format!("/parts_used/{i}/quantity"), "expected 1 to 100 pieces");
            }
            let pointer = format!("/parts_used/{i}/rating");
            let rating = checked_rating(checks, &pointer, used.class, used.rating.as_deref());
            PartsUsed { class: used.class, rating, quantity: used.quantity }
        };
        self.parts_used.iter().enumerate().map(one).collect()
    }

    /// The same for the use case; what it checks itself is not checked here.
    pub(crate) fn into_result(self) -> Result<VisitResult, ApiError> {
        let mut checks = Checks::default();
        let client_key = checks.key("/key", &self.key);
        let parts_used = self.parts_used(&mut checks);
        let follow_up = self.follow_up.as_ref().map(|wish| FollowUp {
            reason: checks.text("/follow_up/reason", &wish.reason, REASON_MAX),
            by: wish.by,
        });
        if let Some(by) = follow_up.as_ref().and_then(|wish| wish.by) {
            checks.day("/follow_up/by", Some(by));
        }
        checks.finish()?;
        Ok(VisitResult {
            client_key,
            day: self.day,
            technician: self.technician_id,
            readings: self
                .readings
                .into_iter()
                .map(|reading| ResultReading {
                    component: reading.component_id,
                    section: reading.section,
                    microfarads: reading.microfarads,
                    volts: reading.volts,
                    amperes: reading.amperes,
                    conditions: reading.conditions,
                    note: reading.note,
                    taken_at: reading.taken_at,
                })
                .collect(),
            replacements: self
                .replacements
                .into_iter()
                .map(|replacement| ResultReplacement {
                    component: replacement.component_id,
                    end_kind: replacement.end_kind,
                    new_rating: replacement.rating,
                    new_batch: replacement.batch,
                    office_override: replacement.rating_override,
                    taken_at: replacement.taken_at,
                })
                .collect(),
            complete: self.complete,
            parts_used,
            follow_up,
            note: self.note,
        })
    }
}

impl From<ScoringSummary> for ScoringRunView {
    fn from(summary: ScoringSummary) -> Self {
        Self {
            run_id: summary.run,
            as_of: summary.as_of,
            season_end: summary.season_end,
            components: summary.components,
            failures: summary.failures,
            expected_failures: summary.expected_failures,
            assumptions: summary.assumptions,
        }
    }
}

impl From<Adopted> for AdoptionView {
    fn from(adopted: Adopted) -> Self {
        Self {
            plan_id: adopted.plan,
            placed: adopted.placed,
            kept: adopted.kept,
            left_alone: adopted.left_alone,
            taken_away: adopted.taken_away,
            routes: adopted.routes,
            told: adopted.told,
            by_phone: adopted.by_phone,
        }
    }
}

impl From<Written> for CompositionView {
    fn from(written: Written) -> Self {
        Self {
            reminders: written.reminders,
            second_reminders: written.second_reminders,
            day_before: written.day_before,
            renewals: written.renewals,
            digests: written.digests,
            by_phone: written.by_phone,
        }
    }
}

impl From<Delivered> for DeliveryView {
    fn from(delivered: Delivered) -> Self {
        Self { delivered: delivered.delivered, again: delivered.again, refused: delivered.refused }
    }
}

impl TryFrom<Recorded> for RecordedView {
    type Error = ApiError;

    fn try_from(recorded: Recorded) -> Result<Self, ApiError> {
        let verdict = |(component_id, verdict)| {
            // The word that serde gives is the one spelling.
            let word = serde_json::to_value(verdict).map_err(ApiError::internal)?;
            Ok(VerdictView { component_id, verdict: word.as_str().unwrap_or_default().to_owned() })
        };
        Ok(Self {
            visit: recorded.visit.into(),
            new: recorded.new,
            verdicts: recorded
                .verdicts
                .into_iter()
                .map(verdict)
                .collect::<Result<_, ApiError>>()?,
            replaced: recorded
                .replaced
                .into_iter()
                .map(|(ended_id, started_id)| ReplacedView { ended_id, started_id })
                .collect(),
            follow_up_visit_id: recorded.follow_up,
            scoring: recorded.scoring.map(Into::into),
        })
    }
}
