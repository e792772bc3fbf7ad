//! Rehearsal of the season: no-cool calls by day, with the visits as they stand, without any,
//! and with drafts of plans, all on the same fate.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::atomic::Ordering;

use chrono::{Days, NaiveDate};
use hotspell_domain::{BranchId, ComponentId, DateRange, PlanId, RunId, SiteId, VisitId};
use hotspell_reliability::decisions::REPLACE_FROM_PROBABILITY;
use hotspell_reliability::rehearsal::{
    Plan, PlanDifference, PlannedVisit, Rehearsal, RehearsalError, RehearsalInput, RehearsedPlan,
    VisitEffect, rehearse,
};
use hotspell_reliability::score::{ComponentState, past_of_sites};
use hotspell_store::plans::{self, PlanStopFilter};
use hotspell_store::runs::{self, RunRecord};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::words::{PlanState, RunKind, RunOutcome};
use hotspell_store::{AnyConnection, Page, StoreError, scores as score_rows};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::background::{self, Watch};
use super::calendar::Calendar;
use super::fleet::Fleet;
use super::record::recorded;
use super::scoring::{self, Context};
use super::{AppError, scores};
use crate::config::Rehearsal as Settings;
use crate::state::AppState;

/// Drafts that one rehearsal compares.
pub const DRAFTS_MAX: usize = 3;
/// Name of the visits that have a day now.
const AS_PLACED: &str = "visits as placed";

/// What is to be rehearsed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RehearsalRequest {
    /// The day from which the season is rehearsed.
    pub as_of: NaiveDate,
    /// Drafts to compare with the visits as they stand.
    pub drafts: Vec<PlanId>,
    /// Number of seasons that are drawn.
    pub replicates: usize,
    /// Seed of every draw.
    pub seed: u64,
}

/// A rehearsed season with all that went in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rehearsed {
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
    /// The scoring run whose life model was used.
    pub model_run: RunId,
    /// Weather paths that were met in turn.
    pub weather_paths: usize,
    /// Parts in service at homes under agreement.
    pub parts: usize,
    /// No-cool calls that can be served, per day.
    pub capacity: Vec<f64>,
    /// What was found: without visits first, then as placed if any visit has a day, then the
    /// drafts.
    pub rehearsal: Rehearsal,
    /// The settings that it rests on.
    pub settings: Settings,
}

impl Rehearsed {
    /// The days, in order.
    pub fn days(&self) -> impl Iterator<Item = NaiveDate> + '_ {
        DateRange { first: self.first_day, last: self.last_day }.each_day()
    }

    /// The season as the visits are placed, and what that spares against no visits.
    #[must_use]
    pub fn as_placed(&self) -> Option<(&RehearsedPlan, &PlanDifference)> {
        let at = self.rehearsal.plans.iter().position(|plan| plan.name == AS_PLACED)?;
        Some((&self.rehearsal.plans[at], self.rehearsal.difference(at, 0)?))
    }
}

/// Starts a rehearsal beside the requests; answers with its run at once.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring, [`AppError::Invalid`] for a plan that is no
/// draft, [`AppError::Conflict`] while another rehearsal of the branch runs.
pub fn start(
    state: &AppState,
    branch: BranchId,
    request: RehearsalRequest,
) -> Result<RunId, AppError> {
    state.store.read(|conn| check(conn, branch, &request))?;
    let inputs = inputs(state, &request);
    background::start(state, branch, RunKind::Rehearsal, &inputs, move |state, _, watch| {
        Ok(json!(rehearse_season(state, branch, &request, watch)?))
    })
}

/// Rehearses while the caller waits.
///
/// # Errors
/// Those of [`start`].
pub fn run(
    state: &AppState,
    branch: BranchId,
    request: &RehearsalRequest,
) -> Result<Rehearsed, AppError> {
    state.store.read(|conn| check(conn, branch, request))?;
    recorded(state, branch, RunKind::Rehearsal, &inputs(state, request), |_| {
        let rehearsed = rehearse_season(state, branch, request, &Watch::default())?;
        let detail = json!(rehearsed);
        Ok((rehearsed, detail))
    })
}

/// What a run of a rehearsal found; nothing while it runs or when it was stopped.
///
/// # Errors
/// [`AppError::NotFound`] for a run of another kind, [`AppError::Internal`] when the stored text
/// is no rehearsal.
pub fn found(run: &RunRecord) -> Result<Option<Rehearsed>, AppError> {
    if run.kind != RunKind::Rehearsal {
        return Err(AppError::not_found("rehearsal", run.id));
    }
    match &run.detail {
        Some(detail) if run.outcome == RunOutcome::Succeeded => {
            serde_json::from_value(detail.clone())
                .map(Some)
                .map_err(|error| AppError::internal("stored rehearsal", error))
        }
        _ => Ok(None),
    }
}

/// The last rehearsal that came to its end.
///
/// # Errors
/// Those of the store.
pub fn latest(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<Option<(RunRecord, Rehearsed)>, AppError> {
    let Some(run) = runs::latest(conn, branch, RunKind::Rehearsal)? else { return Ok(None) };
    Ok(found(&run)?.map(|rehearsed| (run, rehearsed)))
}

fn inputs(state: &AppState, request: &RehearsalRequest) -> Value {
    json!({
        "as_of": request.as_of,
        "drafts": request.drafts,
        "replicates": request.replicates,
        "seed": request.seed,
        "settings": state.config.rehearsal,
    })
}

fn check(
    conn: &mut AnyConnection,
    branch: BranchId,
    request: &RehearsalRequest,
) -> Result<(), AppError> {
    scores::last_scoring(conn, branch)?;
    for (index, id) in request.drafts.iter().enumerate() {
        let field = format!("/draft_plan_ids/{index}");
        let plan = match plans::find(conn, branch, *id) {
            Ok(plan) => plan,
            Err(StoreError::NotFound(_)) => {
                return Err(AppError::field(field, format!("there is no plan {id}")));
            }
            Err(error) => return Err(error.into()),
        };
        if plan.state != PlanState::Draft {
            let detail = format!("plan {id} is {}; expected a draft", plan.state);
            return Err(AppError::field(field, detail));
        }
    }
    Ok(())
}

/// What is read of the database for a rehearsal, from one view of it.
struct Read {
    calendar: Calendar,
    model_run: RunId,
    /// Chance of failing by the season's end, as scored.
    season_chance: BTreeMap<ComponentId, f64>,
    /// Name, and the home and day of each visit.
    plans: Vec<(String, Vec<(SiteId, NaiveDate)>)>,
}

fn read(
    conn: &mut AnyConnection,
    fleet: &Fleet,
    request: &RehearsalRequest,
) -> Result<Read, AppError> {
    let branch = fleet.branch.id;
    let model = score_rows::latest_model(conn, branch)?
        .ok_or_else(|| AppError::NotReady("the branch has not been scored yet".to_owned()))?;
    let latest = scores::latest(conn, branch)?;
    let everything = Page::everything();
    let visits: BTreeMap<VisitId, VisitRecord> =
        visits::list(conn, branch, &VisitFilter::default(), everything)?
            .into_iter()
            .map(|visit| (visit.id, visit))
            .collect();
    let mut plans = Vec::new();
    let placed: Vec<(SiteId, NaiveDate)> = visits
        .values()
        .filter(|visit| visit.state.holds_a_place())
        .filter_map(|visit| Some((visit.site_id, visit.day?)))
        .collect();
    if !placed.is_empty() {
        plans.push((AS_PLACED.to_owned(), placed));
    }
    for id in &request.drafts {
        let filter = PlanStopFilter { plan: Some(*id), ..PlanStopFilter::default() };
        let stops = plans::list_stops(conn, branch, &filter, everything)?;
        let met = stops
            .iter()
            .filter_map(|stop| Some((visits.get(&stop.visit_id)?.site_id, stop.day)))
            .collect();
        plans.push((format!("draft {id}"), met));
    }
    Ok(Read {
        calendar: Calendar::load(conn, &fleet.branch)?,
        model_run: model.run_id,
        season_chance: latest.season_chances,
        plans,
    })
}

fn rehearse_season(
    state: &AppState,
    branch: BranchId,
    request: &RehearsalRequest,
    watch: &Watch,
) -> Result<Rehearsed, AppError> {
    let model = scoring::model_in_force(state, branch)?;
    let (fleet, book) = scoring::load(state, branch, None, request.as_of)?;
    let read = state.store.read(|conn| read(conn, &fleet, request))?;
    let parts = scoring::parts(&fleet, &book);
    let season = DateRange {
        first: request.as_of,
        last: scoring::season_end(request.as_of, fleet.branch.is_southern()),
    };
    // A day's calls are those by the beginning of the next one.
    let ends = season.each_day().filter_map(|day| day.checked_add_days(Days::new(1))).collect();
    let mut context = Context::new(&book, &parts, ends)?;
    context.states.retain(|part| fleet.left_on(part.site).is_none_or(|left| left >= season.first));
    let settings = state.config.rehearsal;
    let capacity = capacity(&read.calendar, season, &settings);
    let plans: Vec<Plan> = read
        .plans
        .iter()
        .map(|(name, met)| Plan {
            name: name.clone(),
            visits: meetings(&context.states, met, season, &read.season_chance, &settings),
        })
        .collect();
    let life = &model.fitted.model;
    let input = RehearsalInput {
        model: life,
        drift: &model.drift,
        components: &context.states,
        past: &past_of_sites(life, &context.past),
        ensembles: &context.ensembles,
        plans: &plans,
        daily_capacity: &capacity,
        replicates: request.replicates,
        seed: request.seed,
    };
    let hear = |done: usize, all: usize| {
        watch.tell(done as f64 / all as f64);
        if watch.stop().load(Ordering::Relaxed) {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    };
    let rehearsal = rehearse(input, &hear).map_err(|error| match error {
        RehearsalError::Cancelled { .. } => AppError::Stopped(error.to_string()),
        other => AppError::internal("rehearsal", other),
    })?;
    Ok(Rehearsed {
        first_day: season.first,
        last_day: season.last,
        model_run: read.model_run,
        weather_paths: context.ensembles.values().map(|it| it.paths().len()).min().unwrap_or(0),
        parts: context.states.len(),
        capacity,
        rehearsal,
        settings,
    })
}

/// No-cool calls that can be served on each day.
fn capacity(calendar: &Calendar, season: DateRange, settings: &Settings) -> Vec<f64> {
    let working = calendar.working_days(season);
    season
        .each_day()
        .map(|day| {
            if working.binary_search(&day).is_err() {
                return settings.calls_on_day_off;
            }
            let at_work =
                calendar.technicians.keys().filter(|id| calendar.shift(**id, day).is_some());
            at_work.count() as f64 * settings.calls_per_technician_day
        })
        .collect()
}

/// Which part meets which visit, and what comes of it.
fn meetings(
    parts: &[ComponentState],
    visits: &[(SiteId, NaiveDate)],
    season: DateRange,
    season_chance: &BTreeMap<ComponentId, f64>,
    settings: &Settings,
) -> Vec<PlannedVisit> {
    let mut at_site: BTreeMap<SiteId, Vec<usize>> = BTreeMap::new();
    for (index, part) in parts.iter().enumerate() {
        at_site.entry(part.site).or_default().push(index);
    }
    let mut met = Vec::new();
    for (site, day) in visits.iter().filter(|(_, day)| season.contains(*day)) {
        let Ok(day) = usize::try_from((*day - season.first).num_days()) else { continue };
        for component in at_site.get(site).into_iter().flatten().copied() {
            let part = &parts[component];
            let chance = season_chance.get(&part.component).copied().unwrap_or(0.0);
            let effect = if chance >= REPLACE_FROM_PROBABILITY {
                VisitEffect::Swap
            } else if part.class.is_run_capacitor() {
                VisitEffect::Check { detection: settings.found_by_reading }
            } else {
                VisitEffect::Check { detection: settings.found_by_eye }
            };
            met.push(PlannedVisit { component, day, effect });
        }
    }
    met
}
