//! Is the life model any good? Past seasons, each predicted from what was known before it.
//!
//! Every part's history is cut on the first day of spring (1 March; 1 September south of the
//! equator), the model is fitted to what was known then, the season is predicted over the weather
//! that could be expected then, and compared with what the branch's records say came of it. The
//! rival is the same model on calendar age.

use std::collections::BTreeMap;

use chrono::{Datelike, Months, NaiveDate};
use hotspell_domain::{BranchId, ComponentClass, RunId};
use hotspell_reliability::backtest::{
    Backtest, Fold, KnownThen, WatchedPart, backtest, fold_at, known_at,
};
use hotspell_reliability::drift::DriftModel;
use hotspell_reliability::priors::Priors;
use hotspell_store::runs;
use hotspell_store::words::RunKind;
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::AppError;
use super::fleet::Fleet;
use super::heat::HeatBook;
use super::parts::{COVARIATES, Part};
use super::record::recorded;
use super::scoring::{drift_model, load};
use crate::state::AppState;

/// Months of a season from its first day on: spring to the end of the heat.
const SEASON_MONTHS: u32 = 8;
/// Latest seasons that are predicted.
const SEASONS: i32 = 6;

/// A backtest as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// The recorded run.
    pub run: RunId,
    /// The day up to which records were used.
    pub as_of: NaiveDate,
    /// Days that the figures by date end on; the same for every season but for the year.
    pub dates: Vec<String>,
    /// What the seasons showed.
    pub backtest: Backtest,
}

/// Predicts the branch's past seasons and keeps what came of it.
///
/// # Errors
/// [`AppError::NotReady`] without weather or without a whole season on record.
pub fn prove(state: &AppState, branch: BranchId, as_of: NaiveDate) -> Result<Proof, AppError> {
    let (fleet, book) = load(state, branch, None, as_of)?;
    let origins = origins(&fleet, as_of);
    let inputs = json!({
        "as_of": as_of,
        "station": book.series.station,
        "weather_days": book.series.days.len(),
        "components": fleet.components.len(),
        "seasons": origins,
    });
    recorded(state, branch, RunKind::Backtest, &inputs, |run| {
        let heat = book.strictly_rising();
        let calendar = book.by_calendar();
        let mut folds = Vec::with_capacity(origins.len());
        let mut rivals = Vec::with_capacity(origins.len());
        for origin in &origins {
            let parts = pairs(&fleet, &heat, &calendar, *origin);
            let (by_heat, by_calendar): (Vec<_>, Vec<_>) = parts.into_iter().unzip();
            folds.push(fold(&heat, *origin, &by_heat)?);
            rivals.push(fold(&calendar, *origin, &by_calendar)?);
        }
        let names = COVARIATES.map(str::to_owned);
        let backtest = backtest(&folds, Some(&rivals), &names, &Priors::default())
            .map_err(|error| AppError::NotReady(format!("no backtest: {error}")))?;
        let dates = origins.first().map_or_else(Vec::new, |origin| {
            dates(*origin).iter().map(|date| date.format("%-d %B").to_string()).collect()
        });
        let proof = Proof { run, as_of, dates, backtest };
        let detail = json!(proof);
        Ok((proof, detail))
    })
}

/// The last backtest of a branch.
///
/// # Errors
/// Those of the store.
pub fn latest(state: &AppState, branch: BranchId) -> Result<Option<Proof>, AppError> {
    let record = state.store.read(|conn| runs::latest(conn, branch, RunKind::Backtest))?;
    let Some(detail) = record.and_then(|record| record.detail) else { return Ok(None) };
    let proof = serde_json::from_value(detail)
        .map_err(|error| AppError::internal("stored backtest", error))?;
    Ok(Some(proof))
}

/// First days of the seasons that have passed since parts have been watched.
fn origins(fleet: &Fleet, as_of: NaiveDate) -> Vec<NaiveDate> {
    let month = if fleet.branch.is_southern() { 9 } else { 3 };
    let first = fleet.components.iter().map(|component| component.observed_from).min();
    (as_of.year() - SEASONS..=as_of.year())
        .filter_map(|year| NaiveDate::from_ymd_opt(year, month, 1))
        .filter(|origin| first.is_some_and(|first| first < *origin))
        .filter(|origin| dates(*origin).last().is_some_and(|end| *end <= as_of))
        .collect()
}

/// The first days of the months after a season's first day.
fn dates(origin: NaiveDate) -> Vec<NaiveDate> {
    (1..=SEASON_MONTHS).filter_map(|month| origin.checked_add_months(Months::new(month))).collect()
}

/// Every part that was known on a day, aged by heat and by the calendar.
fn pairs(
    fleet: &Fleet,
    heat: &HeatBook,
    calendar: &HeatBook,
    origin: NaiveDate,
) -> Vec<(WatchedPart, WatchedPart)> {
    fleet
        .components
        .iter()
        .filter(|component| component.observed_from <= origin)
        .filter_map(|component| {
            let watched = |book| watched(&Part::new(fleet, book, component)?, origin);
            watched(heat).zip(watched(calendar))
        })
        .collect()
}

/// A part with the ages of one season; `None` if it was not there yet.
fn watched(part: &Part<'_>, origin: NaiveDate) -> Option<WatchedPart> {
    let history = part.history()?;
    let age_at_origin = part.age_on(origin);
    known_at(&history, age_at_origin)?;
    Some(WatchedPart {
        history,
        age_at_origin: Some(age_at_origin),
        ages_at_dates: dates(origin).into_iter().map(|date| part.age_on(date)).collect(),
        heat_rate: part.heat_rate(),
        readings: part.drift_readings(),
    })
}

fn fold(book: &HeatBook, origin: NaiveDate, parts: &[WatchedPart]) -> Result<Fold, AppError> {
    let dates = dates(origin);
    let then = book.known_on(origin);
    let paths = then.paths(dates.last().copied().unwrap_or(origin))?;
    let known = KnownThen {
        label: origin.year().to_string(),
        ensembles: then.ensembles(&paths, &dates)?,
        drift: drift_then(&then, parts),
        local_heat: then.local_heat(),
    };
    fold_at(known, parts).map_err(|error| AppError::internal("season of a backtest", error))
}

/// The law of drifting readings by what had been read at the origin.
fn drift_then(then: &HeatBook, parts: &[WatchedPart]) -> BTreeMap<ComponentClass, DriftModel> {
    let (priors, local_heat) = (Priors::default(), then.local_heat());
    ComponentClass::ALL
        .iter()
        .filter(|class| class.is_run_capacitor())
        .filter_map(|class| {
            let scale = priors.log_scale_centre(*class, &local_heat)?.exp();
            let readings = parts.iter().filter(|part| part.history.class == *class).map(|part| {
                let known = |age: f64| part.age_at_origin.is_some_and(|origin| age <= origin);
                part.readings.iter().filter(|it| known(it.heat_age_hours)).copied().collect()
            });
            Some((*class, drift_model(scale, readings)))
        })
        .collect()
}
