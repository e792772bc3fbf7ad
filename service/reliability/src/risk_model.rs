//! The branch's life model: Weibull on heat age per class, few proportional-hazards covariates,
//! one gamma frailty per site.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, SiteId};
use serde::{Deserialize, Serialize};

use crate::gamma_mixture::FrailtyPosterior;
use crate::history::{ComponentHistory, HistoryEnd, HistoryError};
use crate::lifetime::Lifetime;
use crate::matrix::Matrix;
use crate::newton::{Convergence, Evaluation, Maximum, maximise};
use crate::priors::{LocalHeat, NormalPrior, Priors};
use crate::shared_frailty::{GroupedLifetimes, GroupedUnit, Layout};

/// How the parameters were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FitMethod {
    /// Prior and records together; the covariance is the Laplace approximation of the posterior.
    MaximumAPosteriori,
    /// Records alone; the covariance is the inverse observed information.
    MaximumLikelihood,
}

/// Weibull law of one class on heat age.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassModel {
    /// The class.
    pub class: ComponentClass,
    /// Weibull shape.
    pub shape: f64,
    /// Weibull scale, equivalent hours.
    pub scale_hours: f64,
    /// Scale by the prior alone, equivalent hours.
    pub prior_scale_hours: f64,
    /// Shape by the prior alone.
    pub prior_shape: f64,
    /// Components in the records.
    pub components: usize,
    /// Failures in the records.
    pub failures: usize,
    /// Of these, ends by a reading below the limit.
    pub below_limit: usize,
}

/// A fitted model. Serialisable, so that a run record can hold it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RiskModel {
    /// One law per class, in the order of [`ComponentClass::ALL`].
    pub classes: Vec<ClassModel>,
    /// Names of the covariates.
    pub covariate_names: Vec<String>,
    /// Log hazard ratio per unit of each covariate.
    pub coefficients: Vec<f64>,
    /// Variance of the site frailty; 0 when sites are alike.
    pub frailty_variance: f64,
    /// Covariance of (log scales, log shapes, coefficients, log frailty variance); the last row
    /// is 0 when the variance is 0.
    pub covariance: Matrix,
    /// How it was found.
    pub method: FitMethod,
}

/// What a reader must know before trusting a fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitDiagnostics {
    /// How the search ended.
    pub convergence: Convergence,
    /// Log likelihood of the records at the estimate.
    pub log_likelihood: f64,
    /// Log likelihood plus log prior (without constants) at the estimate.
    pub log_posterior: f64,
    /// Sites with any history.
    pub sites: usize,
    /// Components.
    pub components: usize,
    /// Failures, readings below the limit included.
    pub failures: usize,
    /// Components whose position may have had unrecorded parts before.
    pub earlier_parts_unknown: usize,
    /// Components whose install day is only a range.
    pub install_day_uncertain: usize,
    /// Sentences for the office.
    pub warnings: Vec<String>,
}

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

/// Imputed sets of install days when some are only known as a range.
const IMPUTATIONS: u32 = 5;

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

struct RoundFit {
    point: Vec<f64>,
    covariance: Matrix,
    log_likelihood: f64,
    log_posterior: f64,
    convergence: Convergence,
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

/// Every index of the layout.
#[must_use]
pub(crate) fn all_free(layout: Layout) -> Vec<usize> {
    (0..layout.len()).collect()
}

/// Maximises likelihood times prior (or likelihood alone) over the `free` parameters.
///
/// Without a prior the frailty variance may lie on its boundary: the fit without frailty is made
/// first, and when the likelihood does not rise from there (its derivative by the variance is
/// not positive, and no better point is found inside), the variance is returned as exactly 0
/// (log variance negative infinity).
pub(crate) fn fit_grouped(
    data: &GroupedLifetimes,
    prior: Option<&NormalPrior>,
    start: &[f64],
    free: &[usize],
) -> Maximum {
    let evaluate = |point: &[f64]| -> Evaluation {
        let mut at = data.evaluate(point);
        if let Some(prior) = prior {
            at.add(&prior.log_density(point));
        }
        at
    };
    let last = data.layout().frailty();
    if prior.is_some() || !free.contains(&last) {
        return maximise(start, free, evaluate);
    }
    let mut without = start.to_vec();
    without[last] = f64::NEG_INFINITY;
    let fixed: Vec<usize> = free.iter().copied().filter(|&i| i != last).collect();
    let null = maximise(&without, &fixed, evaluate);
    let slope = data.evaluate_at_variance(&null.point, 0.0).gradient[last];
    if slope <= 0.0 && null.convergence.converged {
        return null;
    }
    let mut inside = null.point.clone();
    inside[last] = 0.3_f64.ln();
    let full = maximise(&inside, free, evaluate);
    let vanished = full.point[last] < (1e-6_f64).ln();
    if vanished || full.at.value <= null.at.value { null } else { full }
}

/// Inverse information over the parameters that moved; a vanished frailty has none.
pub(crate) fn covariance_of(found: &Maximum, layout: Layout) -> Matrix {
    let kept: Vec<usize> = (0..layout.len())
        .filter(|&i| found.point[i].is_finite() && found.at.hessian.get(i, i) < 0.0)
        .collect();
    let mut information = found.at.hessian.submatrix(&kept);
    for i in 0..kept.len() {
        for j in 0..kept.len() {
            let value = -information.get(i, j);
            information.set(i, j, value);
        }
    }
    let mut covariance = Matrix::zeros(layout.len());
    if let Some(inverse) = information.inverse() {
        for (i, &row) in kept.iter().enumerate() {
            for (j, &column) in kept.iter().enumerate() {
                covariance.set(row, column, inverse.get(i, j));
            }
        }
    }
    covariance
}

/// Fraction in 0 to 1 that spreads imputed install days evenly over components and rounds.
fn spread(index: usize, round: u32, rounds: u32) -> f64 {
    // Golden-ratio sequence over components, equal steps over rounds.
    let golden = u32::try_from(index % 1_000_003).map_or(0.0, f64::from) * 0.618_033_988_749_895;
    (golden + (f64::from(round) + 0.5) / f64::from(rounds)).fract()
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

/// Position of a class in [`ComponentClass::ALL`].
pub(crate) fn class_index(class: ComponentClass) -> usize {
    ComponentClass::ALL.iter().position(|&c| c == class).unwrap_or(0)
}

/// Rubin's rules over imputed fits.
fn pool(fits: &[RoundFit], layout: Layout) -> RoundFit {
    let rounds = u32::try_from(fits.len()).map_or(1.0, f64::from);
    let mean_of = |f: &dyn Fn(&RoundFit) -> f64| fits.iter().map(f).sum::<f64>() / rounds;
    let point: Vec<f64> = (0..layout.len()).map(|i| mean_of(&|fit| fit.point[i])).collect();
    let mut covariance = Matrix::zeros(layout.len());
    for fit in fits {
        for i in 0..layout.len() {
            for j in 0..layout.len() {
                covariance.add(i, j, fit.covariance.get(i, j) / rounds);
            }
        }
        if rounds > 1.0 {
            let off: Vec<f64> = fit
                .point
                .iter()
                .zip(&point)
                .map(|(x, m)| if m.is_finite() { x - m } else { 0.0 })
                .collect();
            covariance.add_outer((1.0 + 1.0 / rounds) / (rounds - 1.0), &off, &off);
        }
    }
    let mut convergence = fits[0].convergence.clone();
    for fit in fits {
        convergence.iterations = convergence.iterations.max(fit.convergence.iterations);
        convergence.largest_gradient =
            convergence.largest_gradient.max(fit.convergence.largest_gradient);
    }
    RoundFit {
        point,
        covariance,
        log_likelihood: mean_of(&|fit| fit.log_likelihood),
        log_posterior: mean_of(&|fit| fit.log_posterior),
        convergence,
    }
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

fn diagnostics(
    input: &FitInput<'_>,
    fitted: &RoundFit,
    model: &RiskModel,
    uncertain: usize,
) -> FitDiagnostics {
    let failures: usize = model.classes.iter().map(|class| class.failures).sum();
    let unknown = input.histories.iter().filter(|h| h.earlier_parts_unknown).count();
    let components = input.histories.len();
    let mut sites: Vec<SiteId> = input.histories.iter().map(|h| h.site).collect();
    sites.sort_unstable();
    sites.dedup();
    let mut warnings = Vec::new();
    if failures < 10 {
        warnings.push(format!(
            "Only {failures} failures are on record: the figures rest mostly on the trade's life ranges."
        ));
    }
    for class in model.classes.iter().filter(|c| c.components > 0 && c.failures == 0) {
        warnings.push(format!(
            "No {} has failed on record: its figures come from the trade's life range, from the \
             other classes and from the time these parts have lasted.",
            class.class
        ));
    }
    if unknown > 0 {
        warnings.push(format!(
            "{unknown} of {components} positions may have had unrecorded parts before: expect life \
             to be judged up to about 6 % too short."
        ));
    }
    FitDiagnostics {
        convergence: fitted.convergence.clone(),
        log_likelihood: fitted.log_likelihood,
        log_posterior: fitted.log_posterior,
        sites: sites.len(),
        components,
        failures,
        earlier_parts_unknown: unknown,
        install_day_uncertain: uncertain,
        warnings,
    }
}

impl RiskModel {
    /// Where the parameters stand in the covariance.
    #[must_use]
    pub fn layout(&self) -> Layout {
        Layout { classes: self.classes.len(), covariates: self.coefficients.len() }
    }

    /// The parameters in the order of the covariance: log scales, log shapes, coefficients, log
    /// frailty variance (a variance of 0 stands as its logarithm at -50).
    #[must_use]
    pub fn parameters(&self) -> Vec<f64> {
        let scales = self.classes.iter().map(|class| class.scale_hours.ln());
        let shapes = self.classes.iter().map(|class| class.shape.ln());
        let variance = self.frailty_variance.ln().max(-50.0);
        scales.chain(shapes).chain(self.coefficients.iter().copied()).chain([variance]).collect()
    }

    /// The law of a class.
    #[must_use]
    pub fn class(&self, class: ComponentClass) -> Option<&ClassModel> {
        self.classes.iter().find(|model| model.class == class)
    }

    /// Log hazard ratio of a component against the reference part.
    #[must_use]
    pub fn log_hazard_ratio(&self, covariates: &[f64]) -> f64 {
        self.coefficients.iter().zip(covariates).map(|(b, x)| b * x).sum()
    }

    /// Posterior of a site's frailty from its failures and the cumulative hazard of all its
    /// parts, each from new.
    #[must_use]
    pub fn frailty_posterior(&self, failures: f64, cumulative_hazard: f64) -> FrailtyPosterior {
        FrailtyPosterior::new(self.frailty_variance, failures, cumulative_hazard)
    }
}

impl ClassModel {
    /// Share of failures that readings can see coming: ends by a reading below the limit among
    /// all, with one of each kind added (Laplace's rule); 0 for classes that are not read.
    #[must_use]
    pub fn drift_share(&self) -> f64 {
        let count = |n: usize| u32::try_from(n).map_or(f64::MAX, f64::from);
        if self.class.is_run_capacitor() {
            (count(self.below_limit) + 1.0) / (count(self.failures) + 2.0)
        } else {
            0.0
        }
    }

    /// Hazard mass gathered from `age` over `more` further hours, without loss of digits.
    #[must_use]
    pub fn hazard_between(&self, age_hours: f64, more_hours: f64) -> f64 {
        if age_hours > 0.0 {
            self.cumulative_hazard(age_hours)
                * (self.shape * (more_hours / age_hours).ln_1p()).exp_m1()
        } else {
            self.cumulative_hazard(more_hours)
        }
    }

    /// The law before any record.
    #[must_use]
    pub fn prior_law(&self) -> Self {
        Self { shape: self.prior_shape, scale_hours: self.prior_scale_hours, ..self.clone() }
    }

    /// Cumulative hazard of a reference part at frailty 1: `(age / scale)^shape`.
    #[must_use]
    pub fn cumulative_hazard(&self, heat_age_hours: f64) -> f64 {
        if heat_age_hours <= 0.0 {
            0.0
        } else {
            (heat_age_hours / self.scale_hours).powf(self.shape)
        }
    }

    /// Heat age at a cumulative hazard.
    #[must_use]
    pub fn age_at_hazard(&self, hazard: f64) -> f64 {
        self.scale_hours * hazard.powf(1.0 / self.shape)
    }
}
