//! Risk of every component: fit the life model, score the parts in service, keep both.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, Days, NaiveDate, Utc};
use hotspell_domain::{BranchId, ComponentClass, ComponentId, RunId, SiteId};
use hotspell_reliability::drift::{DriftModel, DriftReading};
use hotspell_reliability::history::ComponentHistory;
use hotspell_reliability::priors::Priors;
use hotspell_reliability::reason::{Reason, ReasonKind};
use hotspell_reliability::risk_model::{self, FitInput, FittedRiskModel};
use hotspell_reliability::score::{
    ComponentScore, ComponentState, PastPart, ScoreInput, score, typical_heat_ages,
};
use hotspell_store::{NewScore, RunKind, risk_models, runs, scores};
use serde::{Deserialize, Serialize};

use super::AppError;
use super::fleet::Fleet;
use super::heat::HeatBook;
use super::parts::{COVARIATES, Part};
use super::weather;
use crate::state::AppState;

/// Level of the intervals.
const CONFIDENCE: f64 = 0.9;
/// Days between two dates of a score's horizon.
const HORIZON_STEP_DAYS: u64 = 7;
/// How many parts the drift prior counts as.
const DRIFT_PRIOR_PARTS: f64 = 20.0;

/// The probability of failing by one day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HorizonPoint {
    /// By the beginning of this day.
    pub by: NaiveDate,
    /// Probability, given that the part works on the day of scoring.
    pub probability: f64,
    /// Lower bound from the uncertainty of the parameters, at 90 %.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// A reason as it is kept: with its sentence, so that it reads the same for ever.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptReason {
    /// For the office scheduler.
    pub sentence: String,
    /// Added to the log cumulative risk; none when the part has failed already.
    pub weight: Option<f64>,
    /// The values behind the sentence.
    pub what: ReasonKind,
}

impl From<&Reason> for KeptReason {
    fn from(reason: &Reason) -> Self {
        Self { sentence: reason.sentence(), weight: reason.weight, what: reason.what.clone() }
    }
}

/// What a scoring run says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScoringSummary {
    /// The recorded run.
    pub run: RunId,
    /// The day of scoring.
    pub as_of: NaiveDate,
    /// Season's end: the probabilities of a part's season run up to this day.
    pub season_end: NaiveDate,
    /// Parts scored.
    pub components: usize,
    /// Failures that the life model learned from.
    pub failures: usize,
    /// Failures to be expected by the season's end.
    pub expected_failures: f64,
    /// What was assumed, and how many parts it touches.
    pub assumptions: Vec<String>,
}

/// The last day of the season that `as_of` lies in or before: 31 October north of the equator,
/// 30 April south of it.
#[must_use]
pub fn season_end(as_of: NaiveDate, southern: bool) -> NaiveDate {
    let (month, day) = if southern { (4, 30) } else { (10, 31) };
    let this_year = NaiveDate::from_ymd_opt(as_of.year(), month, day).unwrap_or(as_of);
    if this_year > as_of {
        this_year
    } else {
        NaiveDate::from_ymd_opt(as_of.year() + 1, month, day).unwrap_or(as_of)
    }
}

fn horizon(as_of: NaiveDate, end: NaiveDate) -> Vec<NaiveDate> {
    let mut dates: Vec<NaiveDate> = std::iter::successors(Some(as_of), |day| {
        day.checked_add_days(Days::new(HORIZON_STEP_DAYS))
    })
    .skip(1)
    .take_while(|day| *day < end)
    .collect();
    dates.push(end);
    dates
}

/// Everything that a scoring computes before it is stored.
struct Scored {
    model: FittedRiskModel,
    scores: Vec<ComponentScore>,
    heat_ages: BTreeMap<ComponentId, f64>,
    dates: Vec<NaiveDate>,
    assumptions: Vec<String>,
    failures: usize,
}

/// Fits and scores a whole branch and stores the run, the model and the scores.
///
/// # Errors
/// [`AppError::NotReady`] without weather or with contradictory records.
pub fn score_branch(
    state: &AppState,
    branch: BranchId,
    as_of: NaiveDate,
) -> Result<ScoringSummary, AppError> {
    let started = state.now();
    let (fleet, book) = load(state, branch, None, as_of)?;
    let scored = compute(&fleet, &book, None)?;
    keep(state, branch, started, &fleet, &book, &scored, RunKind::Scoring)
}

/// Scores one home again with the model in force: after a result or a failure, at once.
///
/// # Errors
/// [`AppError::NotReady`] when the branch has not been scored yet.
pub fn score_site(
    state: &AppState,
    branch: BranchId,
    site: SiteId,
    as_of: NaiveDate,
) -> Result<ScoringSummary, AppError> {
    let started = state.now();
    let model = model_in_force(state, branch)?;
    let (fleet, book) = load(state, branch, Some(site), as_of)?;
    let scored = compute(&fleet, &book, Some(model))?;
    keep(state, branch, started, &fleet, &book, &scored, RunKind::Scoring)
}

/// The life model of the last full scoring.
///
/// # Errors
/// [`AppError::NotReady`] when there is none.
pub fn model_in_force(state: &AppState, branch: BranchId) -> Result<FittedRiskModel, AppError> {
    let record = state.store.read(|conn| risk_models::latest(conn, branch))?.ok_or_else(|| {
        AppError::NotReady("the branch has not been scored yet; start a scoring run".to_owned())
    })?;
    serde_json::from_str(&record.model)
        .map_err(|error| AppError::internal("stored life model", error))
}

fn load(
    state: &AppState,
    branch: BranchId,
    only: Option<SiteId>,
    as_of: NaiveDate,
) -> Result<(Fleet, HeatBook), AppError> {
    let fleet = state.store.read(|conn| Fleet::load(conn, branch, only))?;
    let record = weather::record(state, &fleet.branch)?;
    let book = HeatBook::new(&record, as_of)?;
    Ok((fleet, book))
}

fn compute(
    fleet: &Fleet,
    book: &HeatBook,
    model: Option<FittedRiskModel>,
) -> Result<Scored, AppError> {
    let parts: Vec<Part<'_>> = fleet
        .components
        .iter()
        .filter(|component| component.observed_from < book.as_of)
        .filter_map(|component| Part::new(fleet, book, component))
        .collect();
    let histories: Vec<ComponentHistory> = parts.iter().filter_map(Part::history).collect();
    let failures = histories.iter().filter(|history| history.failed()).count();
    let model = match model {
        Some(model) => model,
        None => fit(&histories, book)?,
    };
    let living: Vec<Part<'_>> =
        parts.iter().filter(|part| part.component.ended_on.is_none()).copied().collect();
    let states: Vec<ComponentState> = living.iter().filter_map(Part::state).collect();
    let past: Vec<PastPart> = parts.iter().filter_map(Part::past).collect();
    let southern = fleet.branch.depot().is_some_and(|depot| depot.latitude_degrees < 0.0);
    let end = season_end(book.as_of, southern);
    let dates = horizon(book.as_of, end);
    let paths = book.paths(&[], end)?;
    let ensembles = book.ensembles(&paths, &dates)?;
    let drift = drift_models(&model, &living);
    let scores = score(ScoreInput {
        model: &model.model,
        drift: &drift,
        components: &states,
        past: &past,
        ensembles: &ensembles,
        reference_hours: &typical_heat_ages(&states),
        reason_date: dates.len() - 1,
        confidence: CONFIDENCE,
    })
    .map_err(|error| AppError::internal("scoring", error))?;
    let heat_ages = states.iter().map(|state| (state.component, state.heat_age_hours)).collect();
    let assumptions = assumptions(fleet, book, &model);
    Ok(Scored { model, scores, heat_ages, dates, assumptions, failures })
}

fn fit(histories: &[ComponentHistory], book: &HeatBook) -> Result<FittedRiskModel, AppError> {
    risk_model::fit(FitInput {
        histories,
        covariate_names: &COVARIATES.map(str::to_owned),
        local_heat: &book.local_heat(),
        priors: &Priors::default(),
    })
    .map_err(|error| AppError::NotReady(format!("the life model could not be fitted: {error}")))
}

/// The law of drifting readings per class of capacitor, from the readings of parts in service.
fn drift_models(
    model: &FittedRiskModel,
    living: &[Part<'_>],
) -> BTreeMap<ComponentClass, DriftModel> {
    let mut models = BTreeMap::new();
    for class in ComponentClass::ALL.iter().filter(|class| class.is_run_capacitor()) {
        let Some(law) = model.model.class(*class) else { continue };
        let mut sections: Vec<Vec<DriftReading>> = Vec::new();
        for part in living.iter().filter(|part| part.component.class == *class) {
            let readings = part.drift_readings();
            for section in [0, 1] {
                let of_section: Vec<DriftReading> =
                    readings.iter().filter(|reading| reading.section == section).copied().collect();
                if !of_section.is_empty() {
                    sections.push(of_section);
                }
            }
        }
        let prior = DriftModel::prior(law.prior_scale_hours);
        models.insert(*class, DriftModel::fit(&sections, &prior, DRIFT_PRIOR_PARTS));
    }
    models
}

/// What had to be assumed, in words.
fn assumptions(fleet: &Fleet, book: &HeatBook, model: &FittedRiskModel) -> Vec<String> {
    let mut said = book.assumptions.clone();
    let assumed = fleet.living().filter(|component| fleet.installed(component).assumed).count();
    if assumed > 0 {
        said.push(format!(
            "{assumed} parts in service have no install day of their own; theirs is taken as \
             unknown between the unit's (or ten years before) and the first day they were watched"
        ));
    }
    let before_record = fleet
        .living()
        .filter(|component| fleet.installed(component).between.first < book.first_day())
        .count();
    if before_record > 0 {
        said.push(format!(
            "{before_record} parts may be older than the weather record ({}); their heat age \
             counts from its first day",
            book.first_day()
        ));
    }
    said.extend(model.diagnostics.warnings.iter().cloned());
    said
}

fn keep(
    state: &AppState,
    branch: BranchId,
    started: DateTime<Utc>,
    fleet: &Fleet,
    book: &HeatBook,
    scored: &Scored,
    kind: RunKind,
) -> Result<ScoringSummary, AppError> {
    let season_end = scored.dates.last().copied().unwrap_or(book.as_of);
    let inputs = serde_json::json!({
        "as_of": book.as_of,
        "season_end": season_end,
        "station": book.series.station,
        "weather_days": book.series.days.len(),
        "components": fleet.components.len(),
        "readings": fleet.readings.values().map(Vec::len).sum::<usize>(),
        "house": book.house,
    });
    let rows: Vec<(ComponentId, NewScoreParts)> =
        scored.scores.iter().map(|score| (score.component, kept(score, scored))).collect();
    let expected_failures = rows.iter().map(|(_, row)| row.p_season).sum();
    let model = serde_json::to_string(&scored.model)
        .map_err(|error| AppError::internal("life model", error))?;
    let now = state.now();
    let run = state.store.write(|conn| {
        let run = runs::start(conn, branch, kind, super::ENGINE_VERSION, &inputs, started)?;
        risk_models::insert(conn, branch, run, &model, now)?;
        let rows: Vec<NewScore> = rows
            .into_iter()
            .map(|(component, row)| row.into_new(run, component, book.as_of))
            .collect::<Result<_, AppError>>()?;
        scores::insert_many(conn, branch, &rows)?;
        runs::succeed(conn, branch, run, Some(&scored.assumptions.join("\n")), now)?;
        Ok::<_, AppError>(run)
    })?;
    Ok(ScoringSummary {
        run,
        as_of: book.as_of,
        season_end,
        components: scored.scores.len(),
        failures: scored.failures,
        expected_failures,
        assumptions: scored.assumptions.clone(),
    })
}
