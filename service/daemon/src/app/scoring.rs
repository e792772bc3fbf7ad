//! Risk of every component: fit the life model, score the parts in service, keep both.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, Days, NaiveDate};
use hotspell_domain::{BranchId, ComponentClass, ComponentId, RunId, SiteId};
use hotspell_reliability::backtest::Verdict;
use hotspell_reliability::drift::{DriftModel, DriftReading};
use hotspell_reliability::ensemble::HeatEnsemble;
use hotspell_reliability::history::ComponentHistory;
use hotspell_reliability::horizon::HorizonPoint;
use hotspell_reliability::priors::Priors;
use hotspell_reliability::reason::{Reason, ReasonKind};
use hotspell_reliability::risk_model::{self, FitInput, FittedRiskModel};
use hotspell_reliability::score::{
    ComponentScore, ComponentState, PastPart, ScoreInput, score, typical_heat_ages,
};
use hotspell_store::scores::{self, NewScore};
use hotspell_store::words::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::AppError;
use super::fleet::Fleet;
use super::heat::HeatBook;
use super::parts::{COVARIATES, Part};
use super::proof;
use super::record::recorded;
pub use super::scoring_run::score_branch;
use super::{stations, weather};
use crate::state::AppState;

/// Level of the intervals.
const CONFIDENCE: f64 = 0.9;
/// Days between two dates of a score's horizon.
const HORIZON_STEP_DAYS: u64 = 7;
/// How many parts the drift prior counts as.
const DRIFT_PRIOR_PARTS: f64 = 20.0;

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

pub(super) fn horizon(as_of: NaiveDate, end: NaiveDate) -> Vec<NaiveDate> {
    let mut dates: Vec<NaiveDate> = std::iter::successors(Some(as_of), |day| {
        day.checked_add_days(Days::new(HORIZON_STEP_DAYS))
    })
    .skip(1)
    .take_while(|day| *day < end)
    .collect();
    dates.push(end);
    dates
}

/// The life model in force, with all that a later scoring of one home needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LifeModel {
    /// Fitted lives.
    pub fitted: FittedRiskModel,
    /// Law of drifting readings per class of capacitor.
    pub drift: BTreeMap<ComponentClass, DriftModel>,
    /// Typical heat age per class, which the reasons compare with.
    pub reference_hours: BTreeMap<ComponentClass, f64>,
}

/// Fits, scores and stores under a run that is recorded already; asks before it stores.
pub(super) fn score_and_store(
    state: &AppState,
    branch: BranchId,
    run: RunId,
    (fleet, book): (&Fleet, &HeatBook),
    before_storing: &dyn Fn() -> Result<(), AppError>,
) -> Result<ScoringSummary, AppError> {
    let parts = parts(fleet, book);
    let histories: Vec<ComponentHistory> = parts.iter().filter_map(Part::history).collect();
    let failures = histories.iter().filter(|history| history.failed()).count();
    let held = held_model(state, branch)?;
    let model = match &held {
        Some((model, _)) => model.clone(),
        None => fit(&histories, &parts, book)?,
    };
    let scored = compute(fleet, book, &parts, &model)?;
    let kept =
        serde_json::to_value(&model).map_err(|error| AppError::internal("life model", error))?;
    let mut summary = summary(run, fleet, book, &scored, &model, failures);
    summary.assumptions.extend(held.map(|(_, why)| why));
    let rows = rows(run, book, &scored)?;
    before_storing()?;
    let now = state.now();
    state.store.write(|conn| {
        scores::insert_model(conn, branch, run, &kept, now)?;
        scores::insert_many(conn, branch, &rows)
    })?;
    Ok(summary)
}

/// The model that stays in force because the last backtest refuses a new fit, with the sentence
/// for the office; `None` when a new fit may be used.
fn held_model(state: &AppState, branch: BranchId) -> Result<Option<(LifeModel, String)>, AppError> {
    let Some(proof) = proof::latest(state, branch)? else { return Ok(None) };
    let Verdict::Refuse { reasons } = &proof.backtest.verdict else { return Ok(None) };
    match model_in_force(state, branch) {
        Ok(model) => {
            let why = format!(
                "the life model was not fitted anew, the last one stays: the backtest of {} found \
                 that {}",
                proof.as_of,
                reasons.join("; ")
            );
            Ok(Some((model, why)))
        }
        // Nothing better is there: the first fit is used, and the page says what it is worth.
        Err(AppError::NotReady(_)) => Ok(None),
        Err(error) => Err(error),
    }
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
    let (fleet, book) = load(state, branch, Some(site), as_of)?;
    let inputs = inputs(&fleet, &book, Some(site));
    score_again(state, &fleet, &book, &inputs)
}

/// Scores again, with the model in force, the homes that a corrected day of a station touches:
/// those where the station counts and where a part in service may have been there on that day.
/// Nothing when there is none.
///
/// The station's design temperature and usual heat, which a single day hardly moves, follow with
/// the next scoring of the whole branch.
///
/// # Errors
/// [`AppError::NotReady`] when the branch has not been scored yet.
pub fn score_after_correction(
    state: &AppState,
    branch: BranchId,
    station: &str,
    day: NaiveDate,
    as_of: NaiveDate,
) -> Result<Option<ScoringSummary>, AppError> {
    let (mut fleet, book) = load(state, branch, None, as_of)?;
    let touched: BTreeSet<SiteId> = fleet
        .living()
        .filter(|component| fleet.installed(component).between.first <= day)
        .filter_map(|component| Some(fleet.unit_of(component)?.site_id))
        .filter(|site| book.counts_at(*site, station, day))
        .collect();
    if touched.is_empty() {
        return Ok(None);
    }
    fleet.keep(&touched);
    let mut inputs = inputs(&fleet, &book, None);
    inputs["sites"] = json!(touched);
    inputs["corrected"] = json!({ "station": station, "last_day": day });
    score_again(state, &fleet, &book, &inputs).map(Some)
}

/// Scores what is loaded under a run of its own, with the model in force.
fn score_again(
    state: &AppState,
    fleet: &Fleet,
    book: &HeatBook,
    inputs: &serde_json::Value,
) -> Result<ScoringSummary, AppError> {
    let branch = fleet.branch.id;
    let model = model_in_force(state, branch)?;
    recorded(state, branch, RunKind::Scoring, inputs, |run| {
        let parts = parts(fleet, book);
        let failures =
            parts.iter().filter_map(Part::history).filter(ComponentHistory::failed).count();
        let scored = compute(fleet, book, &parts, &model)?;
        let summary = summary(run, fleet, book, &scored, &model, failures);
        let rows = rows(run, book, &scored)?;
        state.store.write(|conn| scores::insert_many(conn, branch, &rows))?;
        let detail = json!(summary);
        Ok((summary, detail))
    })
}

/// The life model of the last full scoring.
///
/// # Errors
/// [`AppError::NotReady`] when there is none.
pub fn model_in_force(state: &AppState, branch: BranchId) -> Result<LifeModel, AppError> {
    let record = state.store.read(|conn| scores::latest_model(conn, branch))?.ok_or_else(|| {
        AppError::NotReady("the branch has not been scored yet; start a scoring run".to_owned())
    })?;
    serde_json::from_value(record.model)
        .map_err(|error| AppError::internal("stored life model", error))
}

pub(super) fn load(
    state: &AppState,
    branch: BranchId,
    only: Option<SiteId>,
    as_of: NaiveDate,
) -> Result<(Fleet, HeatBook), AppError> {
    let fleet = state.store.read(|conn| Fleet::load(conn, branch, only))?;
    let record = weather::record(state, &fleet.branch)?;
    let forecast = weather::forecast(state, &fleet.branch, as_of)?;
    let book = HeatBook::new(&record, as_of)?.with_forecast(forecast);
    let book = stations::beside(state, &fleet.branch, fleet.sites.values(), book)?;
    Ok((fleet, book))
}

pub(super) fn inputs(fleet: &Fleet, book: &HeatBook, site: Option<SiteId>) -> serde_json::Value {
    // A home that is not named has the branch's own station alone.
    let here = |site: &SiteId| fleet.sites.contains_key(site);
    let weights: BTreeMap<&SiteId, &Vec<f64>> =
        book.weights().iter().filter(|(site, _)| here(site)).collect();
    json!({
        "as_of": book.as_of,
        "site": site,
        "station": book.series.station,
        "stations": book.stations_used(),
        "station_weights": weights,
        "weather_first_day": book.first_day(),
        "weather_days": book.series.days.len(),
        "forecast": book.forecast,
        "components": fleet.components.len(),
        "readings": fleet.readings.values().map(Vec::len).sum::<usize>(),
        "house": book.house,
    })
}

pub(super) fn parts<'a>(fleet: &'a Fleet, book: &'a HeatBook) -> Vec<Part<'a>> {
    fleet
        .components
        .iter()
        .filter(|component| component.observed_from <= book.as_of)
        .filter_map(|component| Part::new(fleet, book, component))
        .collect()
}

fn states(parts: &[Part<'_>]) -> Vec<ComponentState> {
    parts.iter().filter(|part| part.component.ended_on.is_none()).filter_map(Part::state).collect()
}

fn fit(
    histories: &[ComponentHistory],
    parts: &[Part<'_>],
    book: &HeatBook,
) -> Result<LifeModel, AppError> {
    let fitted = risk_model::fit(FitInput {
        histories,
        covariate_names: &COVARIATES.map(str::to_owned),
        local_heat: &book.local_heat(),
        priors: &Priors::default(),
    })
    .map_err(|error| AppError::NotReady(format!("the life model could not be fitted: {error}")))?;
    let drift = drift_models(&fitted, parts);
    Ok(LifeModel { drift, reference_hours: typical_heat_ages(&states(parts)), fitted })
}

/// The law of drifting readings per class of capacitor, from the readings of parts in service.
fn drift_models(
    fitted: &FittedRiskModel,
    parts: &[Part<'_>],
) -> BTreeMap<ComponentClass, DriftModel> {
    let mut models = BTreeMap::new();
    for class in ComponentClass::ALL.iter().filter(|class| class.is_run_capacitor()) {
        let Some(law) = fitted.model.class(*class) else { continue };
        let readings =
            parts.iter().filter(|part| part.component.class == *class).map(Part::drift_readings);
        models.insert(*class, drift_model(law.prior_scale_hours, readings));
    }
    models
}

/// The law of drifting readings of one class: its prior, moved by what was read of each part.
pub(super) fn drift_model(
    prior_scale_hours: f64,
    parts: impl Iterator<Item = Vec<DriftReading>>,
) -> DriftModel {
    let mut sections: Vec<Vec<DriftReading>> = Vec::new();
    for readings in parts {
        for section in [0, 1] {
            let of_section: Vec<DriftReading> =
                readings.iter().filter(|reading| reading.section == section).copied().collect();
            if !of_section.is_empty() {
                sections.push(of_section);
            }
        }
    }
    DriftModel::fit(&sections, &DriftModel::prior(prior_scale_hours), DRIFT_PRIOR_PARTS)
}

/// The branch as the scoring functions see it.
pub(super) struct Context {
    /// Parts in service.
    pub(super) states: Vec<ComponentState>,
    /// Parts whose service ended.
    pub(super) past: Vec<PastPart>,
    /// Dates of the horizon.
    pub(super) dates: Vec<NaiveDate>,
    /// Heat to come by the beginning of each date, per class.
    pub(super) ensembles: BTreeMap<ComponentClass, HeatEnsemble>,
}

impl Context {
    /// Brings parts and weather together; `dates` are the days to speak of.
    pub(super) fn new(
        book: &HeatBook,
        parts: &[Part<'_>],
        dates: Vec<NaiveDate>,
    ) -> Result<Self, AppError> {
        let end = dates.last().copied().unwrap_or(book.as_of);
        let paths = book.paths(end)?;
        let ensembles = book.ensembles(&paths, &dates)?;
        Ok(Self {
            states: states(parts),
            past: parts.iter().filter_map(Part::past).collect(),
            dates,
            ensembles,
        })
    }

    /// The input of the scoring functions.
    pub(super) fn input<'a>(&'a self, model: &'a LifeModel) -> ScoreInput<'a> {
        ScoreInput {
            model: &model.fitted.model,
            drift: &model.drift,
            components: &self.states,
            past: &self.past,
            ensembles: &self.ensembles,
            reference_hours: &model.reference_hours,
            reason_date: self.dates.len().saturating_sub(1),
            confidence: CONFIDENCE,
        }
    }
}

/// Scores with the days they speak of.
struct Scored {
    scores: Vec<ComponentScore>,
    heat_ages: BTreeMap<ComponentId, f64>,
    dates: Vec<NaiveDate>,
}

fn compute(
    fleet: &Fleet,
    book: &HeatBook,
    parts: &[Part<'_>],
    model: &LifeModel,
) -> Result<Scored, AppError> {
    let dates = horizon(book.as_of, season_end(book.as_of, fleet.branch.is_southern()));
    let context = Context::new(book, parts, dates)?;
    let scores =
        score(context.input(model)).map_err(|error| AppError::internal("scoring", error))?;
    let heat_ages =
        context.states.iter().map(|state| (state.component, state.heat_age_hours)).collect();
    Ok(Scored { scores, heat_ages, dates: context.dates })
}

fn summary(
    run: RunId,
    fleet: &Fleet,
    book: &HeatBook,
    scored: &Scored,
    model: &LifeModel,
    failures: usize,
) -> ScoringSummary {
    ScoringSummary {
        run,
        as_of: book.as_of,
        season_end: scored.dates.last().copied().unwrap_or(book.as_of),
        components: scored.scores.len(),
        failures,
        expected_failures: scored.scores.iter().filter_map(|score| score.probability.last()).sum(),
        assumptions: assumptions(fleet, book, model),
    }
}

/// The scores as rows.
fn rows(run: RunId, book: &HeatBook, scored: &Scored) -> Result<Vec<NewScore>, AppError> {
    let kept = |error| AppError::internal("score", error);
    scored
        .scores
        .iter()
        .map(|score| {
            let points: Vec<HorizonPoint> = scored
                .dates
                .iter()
                .zip(score.probability.iter().zip(score.lower.iter().zip(&score.upper)))
                .map(|(by, (probability, (low, high)))| HorizonPoint {
                    by: *by,
                    probability: *probability,
                    low: *low,
                    high: *high,
                })
                .collect();
            let reasons: Vec<KeptReason> = score.reasons.iter().map(KeptReason::from).collect();
            let last = points.last().copied();
            Ok(NewScore {
                run_id: run,
                component_id: score.component,
                as_of: book.as_of,
                horizon: serde_json::to_value(&points).map_err(kept)?,
                p_season: last.map_or(0.0, |point| point.probability),
                p_season_low: last.map_or(0.0, |point| point.low),
                p_season_high: last.map_or(0.0, |point| point.high),
                heat_age: scored.heat_ages.get(&score.component).copied().unwrap_or(0.0),
                expected_heat_left: score
                    .expected_heat_left_hours
                    .unwrap_or(score.median_heat_left_hours),
                reasons: serde_json::to_value(&reasons).map_err(kept)?,
            })
        })
        .collect()
}

/// What had to be assumed, in words.
fn assumptions(fleet: &Fleet, book: &HeatBook, model: &LifeModel) -> Vec<String> {
    let mut said = book.assumptions.clone();
    let assumed = fleet.living().filter(|component| fleet.installed(component).assumed).count();
    if assumed > 0 {
        said.push(format!(
            "{assumed} parts in service have no install day of their own; it is taken as unknown \
             between the unit's (or ten years before) and the first day they were watched"
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
    said.extend(model.fitted.diagnostics.warnings.iter().cloned());
    said
}
