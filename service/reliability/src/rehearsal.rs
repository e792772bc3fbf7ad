//! Rehearsal of the season: how many no-cool calls on which day, with a plan and without.
//!
//! Every replicate draws a weather path, a set of parameters from the fit's covariance, a frailty
//! for every site from its posterior and one exponential life for every part. The draws depend on
//! the seed, the replicate and the part alone, so that all plans meet the same fate and their
//! difference is sharp (common random numbers; A. Law, Simulation Modeling and Analysis,
//! chapter on variance reduction, from memory), and so that the result does not depend on the
//! number of threads. A part that failed is replaced; the new part may fail once more in the
//! same season.

mod fate;
mod observer;
mod stage;
mod summary;

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, SiteId};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::drift::DriftModel;
use crate::ensemble::HeatEnsemble;
use crate::risk_model::RiskModel;
use crate::score::{ComponentState, ScoreError};

pub use observer::Observer;
pub use summary::{Band, PlanDifference, Rehearsal, RehearsedPlan};

use observer::Watch;
use stage::Stage;

/// What a visit does to a part.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "action")]
pub enum VisitEffect {
    /// The part is replaced.
    Swap,
    /// The part is measured; one that would fail later in the season is found, and replaced, with
    /// this probability.
    Check {
        /// Share of coming failures that a reading shows.
        detection: f64,
    },
}

/// One part met by one visit of a plan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlannedVisit {
    /// Index of the part in the input.
    pub component: usize,
    /// Index of the day.
    pub day: usize,
    /// What happens.
    pub effect: VisitEffect,
}

/// A plan to rehearse: at most one visit per part counts, the earliest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Its name in the result.
    pub name: String,
    /// Visits.
    pub visits: Vec<PlannedVisit>,
}

/// What a rehearsal needs.
#[derive(Debug, Clone, Copy)]
pub struct RehearsalInput<'a> {
    /// The life model.
    pub model: &'a RiskModel,
    /// The law of drifting readings, per class.
    pub drift: &'a BTreeMap<ComponentClass, DriftModel>,
    /// Parts in service at the start; one that has failed already calls on the first day.
    pub components: &'a [ComponentState],
    /// Failures and cumulative hazard of parts that ended, per site (see
    /// [`crate::score::past_of_sites`]).
    pub past: &'a BTreeMap<SiteId, (u32, f64)>,
    /// Cumulative heat per class, one value per day; path `i` of every class is the same weather.
    pub ensembles: &'a BTreeMap<ComponentClass, HeatEnsemble>,
    /// Plans to compare, such as the adopted one and a candidate; the season as it would come
    /// without visits is always rehearsed beside them.
    pub plans: &'a [Plan],
    /// No-cool calls that the technicians can serve, one value per day, at or above 0.
    pub daily_capacity: &'a [f64],
    /// Number of replicates.
    pub replicates: usize,
    /// Seed.
    pub seed: u64,
}

/// Why there is no rehearsal.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RehearsalError {
    /// The observer asked to stop.
    #[error("cancelled after {done} of {replicates} replicates")]
    Cancelled {
        /// Replicates done.
        done: usize,
        /// Replicates asked for.
        replicates: usize,
    },
    /// Heat of a class is missing, or the days or paths of classes differ.
    #[error(
        "every class needs future heat with the same days and paths, the capacity one value at or above 0 per day"
    )]
    Days,
    /// A part that cannot be.
    #[error(transparent)]
    Component(#[from] ScoreError),
    /// A visit names a part or day that does not exist, or a share that is none.
    #[error(
        "plan «{plan}»: visit {visit} names a part or day that does not exist or a detection outside 0 to 1"
    )]
    Visit {
        /// The plan.
        plan: String,
        /// Index of the visit.
        visit: usize,
    },
    /// The fit's covariance is none, so that no parameters can be drawn.
    #[error("the covariance of the fit is not positive definite: no parameters can be drawn")]
    Covariance,
    /// Nothing to do.
    #[error("at least one replicate is needed")]
    NoReplicates,
}

/// Rehearses the season without visits and under every plan, all on the same fate.
///
/// Runs on the threads of the current rayon pool. `observer` learns how many replicates are done
/// and may stop the run; see [`Observer`].
///
/// # Errors
/// [`RehearsalError`] names what cannot be; [`RehearsalError::Cancelled`] if the observer
/// stopped the run.
pub fn rehearse(
    input: RehearsalInput<'_>,
    observer: Observer<'_>,
) -> Result<Rehearsal, RehearsalError> {
    let stage = Stage::new(&input)?;
    let watch = Watch::new(observer, input.replicates);
    let outcomes: Vec<Vec<u16>> = (0..input.replicates)
        .into_par_iter()
        .map(|replicate| {
            let calls = stage.replicate(replicate, &watch)?;
            watch.finished_one()?;
            Ok(calls)
        })
        .collect::<Result<_, RehearsalError>>()?;
    Ok(summary::summarise(&input, &outcomes))
}
