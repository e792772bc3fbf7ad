//! The fit to the branch's records: prior and likelihood, or likelihood alone when failures are many.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, SiteId};
use serde::{Deserialize, Serialize};

use super::diagnostics::{FitDiagnostics, diagnostics};
use super::imputation::{IMPUTATIONS, RoundFit, pool, spread};
use super::maximum::{all_free, covariance_of, fit_grouped};
use super::{ClassModel, FitMethod, RiskModel, class_index};
use crate::history::{ComponentHistory, HistoryEnd, HistoryError};
use crate::lifetime::Lifetime;
use crate::priors::{LocalHeat, NormalPrior, Priors};
use crate::shared_frailty::{GroupedLifetimes, GroupedUnit, Layout};

/// A model with what is to be known about its fit and the priors it used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FittedRiskModel {
    /// The model.
    pub model: RiskModel,
    /// About the fit.
    pub diagnostics: FitDiagnostics,
    /// Priors.
    pub priors: Priors,
    /// Local heat behind the priors.
    pub local_heat: LocalHeat,
}

/// Why there is no model.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// A history contradicts itself.
    #[error(transparent)]
    History(#[from] HistoryError),
    /// A component has other covariates than the names say.
    #[error(
        "component {component}: {found} covariates given, {expected} named, all must be finite"
    )]
    Covariates {
        /// Which component.
        component: i64,
        /// Given.
        found: usize,
        /// Named.
        expected: usize,
    },
    /// The yearly heat of a class is missing.
    #[error(
        "the average yearly heat of class {0} is missing or not above 0; reckon it from the branch's weather"
    )]
    LocalHeat(ComponentClass),
    /// A prior is not usable.
    #[error("priors: {0}")]
    Priors(&'static str),
    /// The search did not end at a maximum.
    #[error(
        "the fit did not converge after {iterations} steps (largest gradient {largest_gradient:.3e}): the records do not determine the model; fit with priors or fewer covariates"
    )]
    NotConverged {
        /// Steps taken.
        iterations: usize,
        /// Largest derivative left.
        largest_gradient: f64,
    },
}

/// What a fit needs.
#[derive(Debug, Clone, Copy)]
pub struct FitInput<'a> {
    /// Every component ever watched, ended or not.
    pub histories: &'a [ComponentHistory],
    /// Names of the covariates, in the order of the histories' values.
    pub covariate_names: &'a [String],
    /// Yearly heat per class.
    pub local_heat: &'a LocalHeat,
    /// Priors.
    pub priors: &'a Priors,
}

/// Fits the model. Works without any failure (the prior then speaks alone) and without any
/// history at all.
///
/// Uncertain install days are imputed five times, spread evenly over their ranges, and the fits
/// pooled (D. Rubin, Multiple Imputation for Nonresponse in Surveys, Wiley 1987, section 3.1).
///
/// # Errors
/// [`FitError`] names the component or the class that is at fault.
pub fn fit(input: FitInput<'_>) -> Result<FittedRiskModel, FitError> {
    let layout =
        Layout { classes: ComponentClass::ALL.len(), covariates: input.covariate_names.len() };
    let mut centres = Vec::with_capacity(layout.classes);
    for &class in ComponentClass::ALL {
        let centre = input.priors.log_scale_centre(class, input.local_heat);
        centres.push(centre.ok_or(FitError::LocalHeat(class))?);
    }
    check_covariates(&input)?;
    let prior = input.priors.joint(layout, &centres);
    if prior.precision.cholesky().is_none() {
        return Err(FitError::Priors("spreads must be above 0, the correlation in 0 to 1"));
    }
    let method = method_for(&input);
    let uncertain = input.histories.iter().filter(|h| h.age_half_range > 0.0).count();
    let rounds = if uncertain > 0 { IMPUTATIONS } else { 1 };
    let fits = (0..rounds)
        .map(|round| fit_round(&input, layout, &prior, method, (round, rounds)))
        .collect::<Result<Vec<_>, _>>()?;
    let pooled = pool(&fits, layout);
    let model = build_model(&input, layout, &centres, &pooled, method);
    let diagnostics = diagnostics(&input, &pooled, &model, uncertain);
    Ok(FittedRiskModel {
        model,
        diagnostics,
        priors: input.priors.clone(),
        local_heat: input.local_heat.clone(),
    })
}

fn check_covariates(input: &FitInput<'_>) -> Result<(), FitError> {
    let expected = input.covariate_names.len();
    for history in input.histories {
        let fine = history.covariates.iter().all(|x| x.is_finite());
        if history.covariates.len() != expected || !fine {
            return Err(FitError::Covariates {
                component: history.component.0,
                found: history.covariates.len(),
                expected,
            });
        }
    }
    Ok(())
}

fn class_counts(histories: &[ComponentHistory]) -> BTreeMap<ComponentClass, (usize, usize)> {
    let mut counts = BTreeMap::new();
    for history in histories {
        let (components, failures) = counts.entry(history.class).or_insert((0, 0));
        *components += 1;
        *failures += usize::from(history.failed());
    }
    counts
}

fn below_limit(histories: &[ComponentHistory], class: ComponentClass) -> usize {
    histories
        .iter()
        .filter(|h| h.class == class && matches!(h.end, HistoryEnd::ReadBelowLimit { .. }))
        .count()
}

/// Likelihood alone only when every class can stand on its own.
fn method_for(input: &FitInput<'_>) -> FitMethod {
    let counts = class_counts(input.histories);
    let failures: usize = counts.values().map(|(_, failures)| failures).sum();
    let every_class = ComponentClass::ALL.iter().all(|class| {
        counts.get(class).is_some_and(|(_, failures)| {
            *failures >= input.priors.likelihood_alone_from_class_failures
        })
    });
    if every_class && failures >= input.priors.likelihood_alone_from_failures {
        FitMethod::MaximumLikelihood
    } else {
        FitMethod::MaximumAPosteriori
    }
}

fn fit_round(
    input: &FitInput<'_>,
    layout: Layout,
    prior: &NormalPrior,
    method: FitMethod,
    (round, rounds): (u32, u32),
) -> Result<RoundFit, FitError> {
    let data = group(input, layout, round, rounds)?;
    let flat = method == FitMethod::MaximumLikelihood;
    let used_prior = (!flat).then_some(prior);
    let found = fit_grouped(&data, used_prior, &prior.mean, &all_free(layout));
    if !found.convergence.converged {
        return Err(FitError::NotConverged {
            iterations: found.convergence.iterations,
            largest_gradient: found.convergence.largest_gradient,
        });
    }
    let log_likelihood = data.evaluate(&found.point).value;
    let log_prior = prior.log_density(&finite(&found.point)).value;
    Ok(RoundFit {
        covariance: covariance_of(&found, layout),
        log_likelihood,
        log_posterior: log_likelihood + if flat { 0.0 } else { log_prior },
        point: found.point,
        convergence: found.convergence,
    })
}

fn finite(point: &[f64]) -> Vec<f64> {
    point.iter().map(|x| x.max(-700.0)).collect()
}

fn group(
    input: &FitInput<'_>,
    layout: Layout,
    round: u32,
    rounds: u32,
) -> Result<GroupedLifetimes, FitError> {
    let mut sites: BTreeMap<SiteId, usize> = BTreeMap::new();
    let mut lifetimes: Vec<(usize, usize, Lifetime, &[f64])> = Vec::new();
    for (index, history) in input.histories.iter().enumerate() {
        let next = sites.len();
        let site = *sites.entry(history.site).or_insert(next);
        let shift = if rounds > 1 {
            history.age_half_range * (2.0 * spread(index, round, rounds) - 1.0)
        } else {
            0.0
        };
        let class = class_index(history.class);
        lifetimes.push((site, class, history.lifetime(shift)?, &history.covariates));
    }
    let units: Vec<GroupedUnit<'_>> = lifetimes
        .iter()
        .map(|&(group, class, lifetime, covariates)| GroupedUnit {
            group,
            class,
            lifetime,
            covariates,
        })
        .collect();
    Ok(GroupedLifetimes::new(layout, &units))
}

fn build_model(
    input: &FitInput<'_>,
    layout: Layout,
    centres: &[f64],
    fitted: &RoundFit,
    method: FitMethod,
) -> RiskModel {
    let counts = class_counts(input.histories);
    let classes = ComponentClass::ALL
        .iter()
        .enumerate()
        .map(|(i, &class)| {
            let (components, failures) = counts.get(&class).copied().unwrap_or((0, 0));
            ClassModel {
                class,
                shape: fitted.point[layout.log_shape(i)].exp(),
                scale_hours: fitted.point[layout.log_scale(i)].exp(),
                prior_scale_hours: centres[i].exp(),
                prior_shape: input.priors.shape_centre,
                components,
                failures,
                below_limit: below_limit(input.histories, class),
            }
        })
        .collect();
    RiskModel {
        classes,
        covariate_names: input.covariate_names.to_vec(),
        coefficients: (0..layout.covariates).map(|j| fitted.point[layout.coefficient(j)]).collect(),
        frailty_variance: fitted.point[layout.frailty()].exp(),
        covariance: fitted.covariance.clone(),
        method,
    }
}
