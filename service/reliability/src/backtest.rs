//! Proof of the model on the branch's own past: fit to what was known before each season, predict
//! it, and compare with what happened.
//!
//! [`fold_at`] cuts the records at an origin and says how each part's season ended; the rival in
//! calendar age is the same machinery with ages in calendar hours.

mod fold;
mod proof;

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, ComponentId};
use serde::{Deserialize, Serialize};

use crate::drift::DriftModel;
use crate::ensemble::HeatEnsemble;
use crate::history::{ComponentHistory, HistoryEnd};
use crate::nonparametric::{Curve, kaplan_meier};
use crate::priors::{LocalHeat, Priors};
use crate::risk_model::{FitError, FitInput, fit};
use crate::score::{ComponentState, PastPart, ScoreError, ScoreInput, score};

pub use fold::{KnownThen, WatchedPart, fold_at};
pub use proof::{FAILURES_NEEDED, GainPoint, Gains, ObservedExpected, SeasonProof, Verdict};
use proof::{Predicted, judge, prove};

/// How a part's season ended. Dates are indices of the ensembles' dates (months, weeks).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "end")]
pub enum SeasonEnd {
    /// Still working after the last date.
    Worked,
    /// Failed, or was found failed, by this date.
    Failed {
        /// Index of the date.
        date: usize,
    },
    /// Left service without failing before this date.
    Left {
        /// Index of the date.
        date: usize,
    },
}

/// One season to be predicted.
#[derive(Debug, Clone)]
pub struct Fold {
    /// Name, such as the year.
    pub label: String,
    /// Histories as known at the origin.
    pub histories: Vec<ComponentHistory>,
    /// Parts that had ended by then, for the sites' frailty.
    pub past: Vec<PastPart>,
    /// Parts in service at the origin, with the readings taken by then.
    pub components: Vec<ComponentState>,
    /// The law of drifting readings as known at the origin; empty to predict without readings.
    pub drift: BTreeMap<ComponentClass, DriftModel>,
    /// How the season ended for each of them.
    pub ends: Vec<SeasonEnd>,
    /// Heat that could be expected at the origin, per class.
    pub ensembles: BTreeMap<ComponentClass, HeatEnsemble>,
    /// Average yearly heat per class known at the origin.
    pub local_heat: LocalHeat,
}

/// The whole proof.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Backtest {
    /// One per season.
    pub seasons: Vec<SeasonProof>,
    /// All seasons together.
    pub pooled: SeasonProof,
    /// The release rule's answer.
    pub verdict: Verdict,
}

/// Why there is no proof.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BacktestError {
    /// Nothing to predict.
    #[error("there is no past season to predict")]
    NoSeasons,
    /// Ends do not belong to components.
    #[error("season {0}: every component needs one end, with a date of the ensemble")]
    Ends(String),
    /// A part's heat ages do not belong to the season.
    #[error(
        "season {season}, component {component}: heat ages must be as many as the dates and not fall from the one at the origin on"
    )]
    Ages {
        /// Which.
        season: String,
        /// Which part.
        component: ComponentId,
    },
    /// The rival has other seasons or parts.
    #[error("season {0}: the rival in calendar age needs the same parts in the same order")]
    Rival(String),
    /// The fit at an origin failed.
    #[error("season {season}: {source}")]
    Fit {
        /// Which.
        season: String,
        /// Why.
        #[source]
        source: FitError,
    },
    /// The scoring at an origin failed.
    #[error("season {season}: {source}")]
    Score {
        /// Which.
        season: String,
        /// Why.
        #[source]
        source: ScoreError,
    },
}

/// What was known of a component when its heat age was `age`: later ends have not happened yet.
/// None if it was not being watched then.
#[must_use]
pub fn known_at(history: &ComponentHistory, age: f64) -> Option<ComponentHistory> {
    if age <= history.entry_age && age > 0.0 {
        return None;
    }
    let working = HistoryEnd::StillWorking { age };
    let end = match history.end {
        HistoryEnd::StillWorking { age: end }
        | HistoryEnd::ReplacedBeforeFailing { age: end }
        | HistoryEnd::WentWithUnit { age: end }
        | HistoryEnd::LeftAgreement { age: end }
        | HistoryEnd::FailedAt { age: end } => {
            if end <= age {
                history.end
            } else {
                working
            }
        }
        // Until it is found, nobody knows; it was last seen good at the last visit before.
        HistoryEnd::FoundFailed { last_good, found } => {
            if found <= age {
                history.end
            } else {
                HistoryEnd::StillWorking { age: age.min(last_good.max(history.entry_age)) }
            }
        }
        HistoryEnd::ReadBelowLimit { last_within, first_below } => {
            if first_below <= age {
                history.end
            } else {
                HistoryEnd::StillWorking { age: age.min(last_within.max(history.entry_age)) }
            }
        }
    };
    Some(ComponentHistory { end, ..history.clone() })
}

/// Predicts every season from what was known before it and judges the whole.
///
/// # Errors
/// [`BacktestError`] names the season.
pub fn backtest(
    folds: &[Fold],
    rival: Option<&[Fold]>,
    covariate_names: &[String],
    priors: &Priors,
) -> Result<Backtest, BacktestError> {
    if folds.is_empty() {
        return Err(BacktestError::NoSeasons);
    }
    let mut seasons = Vec::with_capacity(folds.len());
    let mut all = Predicted {
        probability: Vec::new(),
        kaplan_meier: Vec::new(),
        rival: rival.map(|_| Vec::new()),
        ends: Vec::new(),
    };
    for (i, fold) in folds.iter().enumerate() {
        let other = rival.map(|rivals| rivals.get(i).ok_or(fold)).transpose();
        let other = other.map_err(|fold| BacktestError::Rival(fold.label.clone()))?;
        let season = predict(fold, other, covariate_names, priors)?;
        seasons.push(prove(&fold.label, &season));
        all.probability.extend(season.probability);
        all.kaplan_meier.extend(season.kaplan_meier);
        if let (Some(all), Some(season)) = (&mut all.rival, season.rival) {
            all.extend(season);
        }
        all.ends.extend(season.ends);
    }
    let pooled = prove("all seasons", &all);
    let verdict = judge(&pooled);
    Ok(Backtest { seasons, pooled, verdict })
}

fn predict(
    fold: &Fold,
    rival: Option<&Fold>,
    covariate_names: &[String],
    priors: &Priors,
) -> Result<Predicted, BacktestError> {
    let dates = fold.ensembles.values().map(HeatEnsemble::dates).min().unwrap_or(0);
    let fits = |end: &SeasonEnd| match end {
        SeasonEnd::Worked => true,
        SeasonEnd::Failed { date } | SeasonEnd::Left { date } => *date < dates,
    };
    if fold.ends.len() != fold.components.len() || !fold.ends.iter().all(fits) {
        return Err(BacktestError::Ends(fold.label.clone()));
    }
    let probability = probabilities(fold, covariate_names, priors)?;
    let rival = match rival {
        None => None,
        Some(other) if other.components.len() != fold.components.len() => {
            return Err(BacktestError::Rival(fold.label.clone()));
        }
        Some(other) => Some(
            probabilities(other, covariate_names, priors)?
                .iter()
                .map(|p| p.last().copied().unwrap_or(0.0))
                .collect(),
        ),
    };
    Ok(Predicted {
        kaplan_meier: kaplan_meier_risk(fold),
        probability,
        rival,
        ends: fold.ends.clone(),
    })
}

fn probabilities(
    fold: &Fold,
    covariate_names: &[String],
    priors: &Priors,
) -> Result<Vec<Vec<f64>>, BacktestError> {
    let fitted = fit(FitInput {
        histories: &fold.histories,
        covariate_names,
        local_heat: &fold.local_heat,
        priors,
    })
    .map_err(|source| BacktestError::Fit { season: fold.label.clone(), source })?;
    let scores = score(ScoreInput {
        model: &fitted.model,
        drift: &fold.drift,
        components: &fold.components,
        past: &fold.past,
        ensembles: &fold.ensembles,
        reference_hours: &BTreeMap::new(),
        reason_date: 0,
        confidence: 0.9,
    })
    .map_err(|source| BacktestError::Score { season: fold.label.clone(), source })?;
    Ok(scores.into_iter().map(|score| score.probability).collect())
}

/// Probability of failing in the season by the class's Kaplan-Meier curve on heat age.
fn kaplan_meier_risk(fold: &Fold) -> Vec<f64> {
    let mut by_class: BTreeMap<ComponentClass, Vec<crate::lifetime::Lifetime>> = BTreeMap::new();
    for history in &fold.histories {
        // Kaplan-Meier needs one age: the middle of an interval stands for it.
        if let Ok(mut lifetime) = history.lifetime(0.0) {
            if lifetime.failed() {
                let age = lifetime.end_age();
                lifetime.observation = crate::lifetime::Observation::Exact { age };
            }
            by_class.entry(history.class).or_default().push(lifetime);
        }
    }
    let curves: BTreeMap<ComponentClass, Curve> = by_class
        .into_iter()
        .filter_map(|(class, lifetimes)| Some((class, kaplan_meier(&lifetimes, 0.95).ok()?)))
        .collect();
    fold.components
        .iter()
        .map(|component| {
            let heat = fold.ensembles.get(&component.class).map(HeatEnsemble::means);
            let more = heat.and_then(|h| h.last().copied()).unwrap_or(0.0) * component.heat_rate;
            let Some(curve) = curves.get(&component.class) else { return 0.0 };
            let now = curve.survival(component.heat_age_hours);
            let then = curve.survival(component.heat_age_hours + more);
            if now > 0.0 { 1.0 - then / now } else { 0.0 }
        })
        .collect()
}
