//! Risk of every component through the season, with an interval and reasons.
//!
//! A site's frailty is updated by everything the site has shown: failures raise it, lasting parts
//! lower it. Given its posterior gamma(A, B) and the hazard mass `dH` gathered by a date, the
//! cumulative risk is `A ln(1 + dH / B)`; the probability is its mean over the weather paths.
//! Readings add the risk that the drifting capacitance crosses the out limit (competing risks);
//! the share of failures that such drift explains is then taken out of the sudden ones.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, ComponentId, Condition, SiteId};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::drift::{DriftLine, DriftModel, DriftReading};
use crate::ensemble::{HeatEnsemble, NodeAverages};
use crate::gamma_mixture::FrailtyPosterior;
use crate::reason::{Reason, ReasonKind, sort};
use crate::risk_model::{ClassModel, RiskModel};
use crate::survival_sum::expected_heat_left;

/// A component in service today.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComponentState {
    /// Which.
    pub component: ComponentId,
    /// Where.
    pub site: SiteId,
    /// What.
    pub class: ComponentClass,
    /// Covariates in the model's order.
    pub covariates: Vec<f64>,
    /// Heat age today, equivalent hours from new.
    pub heat_age_hours: f64,
    /// Half the range that the heat age may lie in, equivalent hours, because the install day is
    /// known only between two days; 0 when it is known. Widens the bounds.
    pub heat_age_half_range_hours: f64,
    /// Equivalent hours it gathers per hour of the ensemble (voltage, sun); 1 for a reference
    /// part.
    pub heat_rate: f64,
    /// Measurements, in any order.
    pub readings: Vec<DriftReading>,
    /// What was seen last.
    pub conditions: Vec<Condition>,
}

/// A component whose service ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PastPart {
    /// Where.
    pub site: SiteId,
    /// What.
    pub class: ComponentClass,
    /// Covariates in the model's order.
    pub covariates: Vec<f64>,
    /// Heat age at its end (the middle, if only an interval is known), equivalent hours.
    pub heat_age_hours: f64,
    /// Whether it failed.
    pub failed: bool,
}

/// What a scoring needs.
#[derive(Debug, Clone, Copy)]
pub struct ScoreInput<'a> {
    /// The life model.
    pub model: &'a RiskModel,
    /// The law of drifting readings, per class; a class without one ignores readings inside the
    /// limits.
    pub drift: &'a BTreeMap<ComponentClass, DriftModel>,
    /// Components in service. For a site to be judged rightly all its components must be here.
    pub components: &'a [ComponentState],
    /// Components whose service ended.
    pub past: &'a [PastPart],
    /// Future heat per class, all with the same dates.
    pub ensembles: &'a BTreeMap<ComponentClass, HeatEnsemble>,
    /// Typical heat age per class for the reasons; a class that is missing takes half of the
    /// trade's scale.
    pub reference_hours: &'a BTreeMap<ComponentClass, f64>,
    /// Index of the date that the reasons speak of; usually the end of the season.
    pub reason_date: usize,
    /// Level of the interval, such as 0.9.
    pub confidence: f64,
}

/// Risk of one component.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComponentScore {
    /// Which.
    pub component: ComponentId,
    /// Where.
    pub site: SiteId,
    /// Probability of failing by each date, given that it works today (1 if it has failed).
    pub probability: Vec<f64>,
    /// Lower bound of each from the uncertainty of the parameters.
    pub lower: Vec<f64>,
    /// Upper bound of each.
    pub upper: Vec<f64>,
    /// Mean heat left, equivalent hours; none when the model has no finite mean.
    pub expected_heat_left_hours: Option<f64>,
    /// Heat after which half of such parts have failed, equivalent hours.
    pub median_heat_left_hours: f64,
    /// Mean of the site's frailty: 1 is an average site.
    pub site_frailty: f64,
    /// Whether a reading or what was seen says that it has failed already.
    pub failed_already: bool,
    /// Log cumulative risk of the reference part up to the reasons' date; none without heat.
    pub baseline_log_risk: Option<f64>,
    /// Log cumulative risk of this part: baseline plus all weights.
    pub log_risk: Option<f64>,
    /// Contributions, largest first.
    pub reasons: Vec<Reason>,
}

/// Why there is no score.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScoreError {
    /// A component that cannot be.
    #[error("component {component}: {what} is {value}; expected {expected}")]
    Component {
        /// Which.
        component: ComponentId,
        /// Which value.
        what: &'static str,
        /// The value.
        value: f64,
        /// What would be accepted.
        expected: &'static str,
    },
    /// Another number of covariates than the model has.
    #[error("site {site}: a part has {found} covariates, the model {expected}")]
    Covariates {
        /// Where.
        site: SiteId,
        /// Given.
        found: usize,
        /// Expected.
        expected: usize,
    },
    /// No law or no ensemble of heat for a class.
    #[error("class {0} has components but no law in the model or no future heat")]
    Class(ComponentClass),
    /// Ensembles with different dates, or a reason date beyond them.
    #[error("all classes need the same dates and the reasons' date must be one of them")]
    Dates,
    /// A confidence level that is none.
    #[error("confidence {0} is not between 0 and 1")]
    Confidence(f64),
}

/// Scores all components; the result is in the order of `components`.
///
/// # Errors
/// [`ScoreError`] names the component or class at fault.
pub fn score(input: ScoreInput<'_>) -> Result<Vec<ComponentScore>, ScoreError> {
    check(&input)?;
    let nodes: BTreeMap<ComponentClass, NodeAverages> =
        input.ensembles.iter().map(|(&c, ensemble)| (c, NodeAverages::new(ensemble))).collect();
    let sites: Vec<(Vec<usize>, Vec<usize>)> = by_site(&input).into_values().collect();
    let scored: Vec<Vec<(usize, ComponentScore)>> = sites
        .par_iter()
        .with_min_len(64)
        .map(|(present, past)| score_site(&input, &nodes, present, past))
        .collect();
    let mut ordered: Vec<(usize, ComponentScore)> = scored.into_iter().flatten().collect();
    ordered.sort_by_key(|(i, _)| *i);
    Ok(ordered.into_iter().map(|(_, score)| score).collect())
}

/// Median heat age per class, a reference for reasons.
#[must_use]
pub fn typical_heat_ages(components: &[ComponentState]) -> BTreeMap<ComponentClass, f64> {
    let mut ages: BTreeMap<ComponentClass, Vec<f64>> = BTreeMap::new();
    for component in components {
        ages.entry(component.class).or_default().push(component.heat_age_hours);
    }
    ages.into_iter()
        .map(|(class, mut hours)| {
            hours.sort_by(f64::total_cmp);
            (class, hours[hours.len() / 2])
        })
        .collect()
}

/// Failures and cumulative hazard (at frailty 1) of the ended parts of every site.
#[must_use]
pub fn past_of_sites(model: &RiskModel, past: &[PastPart]) -> BTreeMap<SiteId, (u32, f64)> {
    let mut sites: BTreeMap<SiteId, (u32, f64)> = BTreeMap::new();
    for part in past {
        let hazard = model.class(part.class).map_or(0.0, |law| {
            law.cumulative_hazard(part.heat_age_hours)
                * model.log_hazard_ratio(&part.covariates).exp()
        });
        let site = sites.entry(part.site).or_default();
        site.0 += u32::from(part.failed);
        site.1 += hazard;
    }
    sites
}

/// What a part may ask of the stock by a date: see [`crate::stock::PartNeed`].
#[derive(Debug, Clone, PartialEq)]
pub struct PartRisk {
    /// The site's frailty.
    pub frailty: FrailtyPosterior,
    /// Hazard mass at frailty 1 on each weather path.
    pub hazard_mass: Vec<f64>,
    /// Cumulative risk by drift on each path; infinite for a part that has failed already.
    pub other_risk: Vec<f64>,
}

/// The risk of every component by `date` on every weather path, before frailty and weather are
/// averaged out; in the order of `components`.
///
/// # Errors
/// As [`score`].
pub fn risk_by_path(input: ScoreInput<'_>, date: usize) -> Result<Vec<PartRisk>, ScoreError> {
    check(&ScoreInput { reason_date: date, ..input })?;
    let mut risks: Vec<(usize, PartRisk)> = Vec::with_capacity(input.components.len());
    for (present, past) in by_site(&input).into_values() {
        let site = site_history(&input, &present, &past);
        for i in present {
            let component = &input.components[i];
            let (Some(law), Some(ensemble)) =
                (input.model.class(component.class), input.ensembles.get(&component.class))
            else {
                continue;
            };
            let failed = failed_already(input.drift, component).is_some();
            let drifting = drifting(input.drift, component, law);
            let effect = input.model.log_hazard_ratio(&component.covariates).exp()
                * sudden_share(drifting.as_ref());
            let age = component.heat_age_hours;
            let more: Vec<f64> =
                ensemble.paths().map(|path| path[date] * component.heat_rate).collect();
            risks.push((
                i,
                PartRisk {
                    frailty: site.posterior,
                    hazard_mass: more
                        .iter()
                        .map(|&hours| effect * law.hazard_between(age, hours))
                        .collect(),
                    other_risk: more
                        .iter()
                        .map(|&hours| {
                            if failed {
                                return f64::INFINITY;
                            }
                            drifting.as_ref().map_or(0.0, |d| d.crossing_risk(age, hours))
                        })
                        .collect(),
                },
            ));
        }
    }
    risks.sort_by_key(|(i, _)| *i);
    Ok(risks.into_iter().map(|(_, risk)| risk).collect())
}

/// Indices of components and of past parts per site that has a component.
fn by_site(input: &ScoreInput<'_>) -> BTreeMap<SiteId, (Vec<usize>, Vec<usize>)> {
    let mut sites: BTreeMap<SiteId, (Vec<usize>, Vec<usize>)> = BTreeMap::new();
    for (i, component) in input.components.iter().enumerate() {
        sites.entry(component.site).or_default().0.push(i);
    }
    for (i, part) in input.past.iter().enumerate() {
        if let Some((_, past)) = sites.get_mut(&part.site) {
            past.push(i);
        }
    }
    sites
}

fn check(input: &ScoreInput<'_>) -> Result<(), ScoreError> {
    if !(input.confidence > 0.0 && input.confidence < 1.0) {
        return Err(ScoreError::Confidence(input.confidence));
    }
    let mut dates = input.ensembles.values().map(HeatEnsemble::dates);
    let first = dates.next().unwrap_or(0);
    if input.reason_date >= first.max(1) || dates.any(|d| d != first) {
        return Err(ScoreError::Dates);
    }
    let expected = input.model.coefficients.len();
    for component in input.components {
        check_component(input.model, input.ensembles, component)?;
    }
    for part in input.past {
        if part.covariates.len() != expected {
            let found = part.covariates.len();
            return Err(ScoreError::Covariates { site: part.site, found, expected });
        }
        if input.model.class(part.class).is_none() {
            return Err(ScoreError::Class(part.class));
        }
    }
    Ok(())
}

/// Whether the model can judge a component.
pub(crate) fn check_component(
    model: &RiskModel,
    ensembles: &BTreeMap<ComponentClass, HeatEnsemble>,
    component: &ComponentState,
) -> Result<(), ScoreError> {
    let refuse = |what, value, expected| ScoreError::Component {
        component: component.component,
        what,
        value,
        expected,
    };
    if !(component.heat_age_hours >= 0.0 && component.heat_age_hours.is_finite()) {
        return Err(refuse("heat age", component.heat_age_hours, "hours at or above 0"));
    }
    if !(component.heat_rate > 0.0 && component.heat_rate <= 1000.0) {
        return Err(refuse("heat rate", component.heat_rate, "above 0 and at most 1000"));
    }
    let (found, expected) = (component.covariates.len(), model.coefficients.len());
    if found != expected {
        return Err(ScoreError::Covariates { site: component.site, found, expected });
    }
    if model.class(component.class).is_none() || !ensembles.contains_key(&component.class) {
        return Err(ScoreError::Class(component.class));
    }
    Ok(())
}

/// What a site has shown.
struct SiteHistory {
    failures: u32,
    parts: u32,
    hazard: f64,
    posterior: FrailtyPosterior,
    /// Derivative of the site's hazard by every parameter.
    gradient: Vec<f64>,
    /// Covariance times that derivative.
    spread: Vec<f64>,
}

fn score_site(
    input: &ScoreInput<'_>,
    nodes: &BTreeMap<ComponentClass, NodeAverages>,
    present: &[usize],
    past: &[usize],
) -> Vec<(usize, ComponentScore)> {
    let site = site_history(input, present, past);
    present
        .iter()
        .filter_map(|&i| {
            let component = &input.components[i];
            let law = input.model.class(component.class)?;
            let averages = nodes.get(&component.class)?;
            Some((i, Scorer::new(input, &site, component, (law, averages)).score()))
        })
        .collect()
}

fn site_history(input: &ScoreInput<'_>, present: &[usize], past: &[usize]) -> SiteHistory {
    let model = input.model;
    let mut gradient = vec![0.0; model.layout().len()];
    let (mut hazard, mut failures) = (0.0, 0_u32);
    let mut add = |class: ComponentClass, covariates: &[f64], age: f64, failed: bool| {
        if let Some(law) = model.class(class) {
            hazard += add_hazard_gradient(model, law, covariates, age, &mut gradient);
        }
        failures += u32::from(failed);
    };
    for &i in past {
        let part = &input.past[i];
        add(part.class, &part.covariates, part.heat_age_hours, part.failed);
    }
    for &i in present {
        let part = &input.components[i];
        let failed = failed_already(input.drift, part).is_some();
        add(part.class, &part.covariates, part.heat_age_hours, failed);
    }
    SiteHistory {
        failures,
        parts: u32::try_from(past.len() + present.len()).unwrap_or(u32::MAX),
        hazard,
        posterior: model.frailty_posterior(f64::from(failures), hazard),
        spread: model.covariance.times(&gradient),
        gradient,
    }
}

fn add_hazard_gradient(
    model: &RiskModel,
    law: &ClassModel,
    covariates: &[f64],
    age: f64,
    gradient: &mut [f64],
) -> f64 {
    if age <= 0.0 {
        return 0.0;
    }
    let layout = model.layout();
    let class = crate::risk_model::class_index(law.class);
    let hazard = law.cumulative_hazard(age) * model.log_hazard_ratio(covariates).exp();
    gradient[layout.log_scale(class)] -= law.shape * hazard;
    gradient[layout.log_shape(class)] += law.shape * (age / law.scale_hours).ln() * hazard;
    for (j, x) in covariates.iter().enumerate() {
        gradient[layout.coefficient(j)] += x * hazard;
    }
    hazard
}

/// The reason why a component counts as failed, if it does.
pub(crate) fn failed_already(
    drift: &BTreeMap<ComponentClass, DriftModel>,
    component: &ComponentState,
) -> Option<Reason> {
    if let Some(&condition) = component.conditions.iter().find(|c| c.means_failed()) {
        return Some(Reason { what: ReasonKind::Seen { condition }, weight: None });
    }
    let limit_percent = drift.get(&component.class).map_or(-10.0, DriftModel::out_limit_percent);
    (0..=1)
        .filter_map(|section| last_reading(component, section))
        .find(|last| last.deviation_percent < limit_percent)
        .map(|last| Reason {
            what: ReasonKind::ReadBelowLimit { percent: last.deviation_percent, limit_percent },
            weight: None,
        })
}

fn last_reading(component: &ComponentState, section: u8) -> Option<&DriftReading> {
    component
        .readings
        .iter()
        .filter(|r| r.section == section)
        .max_by(|a, b| a.heat_age_hours.total_cmp(&b.heat_age_hours))
}

struct Scorer<'a> {
    input: &'a ScoreInput<'a>,
    site: &'a SiteHistory,
    component: &'a ComponentState,
    law: &'a ClassModel,
    averages: &'a NodeAverages,
    /// Cumulative hazard of a reference part of its heat age.
    hazard_now: f64,
    /// Logarithm of its heat age over the scale.
    log_age_share: f64,
}

/// Drifting sections of a component, with the limit.
pub(crate) struct Drifting {
    lines: Vec<DriftLine>,
    limit_percent: f64,
    /// Share of failures that readings see coming.
    pub(crate) share: f64,
}

impl Drifting {
    /// Cumulative risk of crossing within `more` further hours.
    pub(crate) fn crossing_risk(&self, age: f64, more: f64) -> f64 {
        self.lines.iter().map(|line| line.crossing_risk(self.limit_percent, age, more)).sum()
    }
}

/// Share of the class's hazard that stays sudden for a part: all of it unless it is read.
fn sudden_share(drifting: Option<&Drifting>) -> f64 {
    drifting.map_or(1.0, |drifting| 1.0 - drifting.share)
}

/// What readings say of a component, if its class drifts and it was read.
pub(crate) fn drifting(
    drift: &BTreeMap<ComponentClass, DriftModel>,
    component: &ComponentState,
    law: &ClassModel,
) -> Option<Drifting> {
    let model = drift.get(&component.class)?;
    let share = law.drift_share();
    if component.readings.is_empty() || share <= 0.0 {
        return None;
    }
    let lines = (0..=1)
        .filter_map(|section| {
            let readings: Vec<DriftReading> =
                component.readings.iter().filter(|r| r.section == section).copied().collect();
            (!readings.is_empty()).then(|| model.posterior(&readings))
        })
        .collect();
    Some(Drifting { lines, limit_percent: model.out_limit_percent(), share })
}

impl<'a> Scorer<'a> {
    fn new(
        input: &'a ScoreInput<'a>,
        site: &'a SiteHistory,
        component: &'a ComponentState,
        (law, averages): (&'a ClassModel, &'a NodeAverages),
    ) -> Self {
        let age = component.heat_age_hours;
        Self {
            input,
            site,
            component,
            law,
            averages,
            hazard_now: law.cumulative_hazard(age),
            log_age_share: (age / law.scale_hours).ln(),
        }
    }

    /// Hazard mass of a reference part over `more` hours from now, and its derivative by the log
    /// shape over the shape: the rise of `H ln(age / scale)`.
    fn mass_over(&self, more: f64) -> (f64, f64) {
        let (age, law) = (self.component.heat_age_hours, self.law);
        if age > 0.0 {
            let grown = (more / age).ln_1p();
            let rise = (law.shape * grown).exp_m1();
            let mass = self.hazard_now * rise;
            (mass, mass * self.log_age_share + self.hazard_now * (1.0 + rise) * grown)
        } else if more > 0.0 {
            let mass = law.cumulative_hazard(more);
            (mass, mass * (more / law.scale_hours).ln())
        } else {
            (0.0, 0.0)
        }
    }

    fn score(&self) -> ComponentScore {
        if let Some(reason) = failed_already(self.input.drift, self.component) {
            return self.failed(reason);
        }
        let drifting = drifting(self.input.drift, self.component, self.law);
        let effect = self.input.model.log_hazard_ratio(&self.component.covariates).exp();
        let probability = self.probabilities(drifting.as_ref(), effect);
        let (lower, upper) = self.interval(&probability, drifting.as_ref(), effect);
        let (baseline_log_risk, log_risk, reasons) =
            self.reasons(&probability, drifting.as_ref(), effect);
        let (expected, median) = self.heat_left(drifting.as_ref(), effect);
        ComponentScore {
            component: self.component.component,
            site: self.component.site,
            probability,
            lower,
            upper,
            expected_heat_left_hours: expected,
            median_heat_left_hours: median,
            site_frailty: self.site.posterior.mean(),
            failed_already: false,
            baseline_log_risk,
            log_risk,
            reasons,
        }
    }

    fn failed(&self, reason: Reason) -> ComponentScore {
        let ones = vec![1.0; self.averages.weights.len()];
        ComponentScore {
            component: self.component.component,
            site: self.component.site,
            probability: ones.clone(),
            lower: ones.clone(),
            upper: ones,
            expected_heat_left_hours: Some(0.0),
            median_heat_left_hours: 0.0,
            site_frailty: self.site.posterior.mean(),
            failed_already: true,
            baseline_log_risk: None,
            log_risk: None,
            reasons: vec![reason],
        }
    }

    /// Cumulative risk when `hours` of the ensemble's heat have passed.
    fn cumulative_risk(&self, hours: f64, drifting: Option<&Drifting>, effect: f64) -> f64 {
        let more = hours * self.component.heat_rate;
        let age = self.component.heat_age_hours;
        let mass = effect * sudden_share(drifting) * self.mass_over(more).0;
        self.site.posterior.cumulative_risk(mass)
            + drifting.map_or(0.0, |d| d.crossing_risk(age, more))
    }

    fn probabilities(&self, drifting: Option<&Drifting>, effect: f64) -> Vec<f64> {
        let at_nodes: Vec<f64> = self
            .averages
            .node_hours
            .iter()
            .map(|&hours| -(-self.cumulative_risk(hours, drifting, effect)).exp_m1())
            .collect();
        let mut highest = 0.0_f64;
        self.averages
            .weights
            .iter()
            .map(|weights| {
                let mean: f64 = weights.iter().zip(&at_nodes).map(|(w, p)| w * p).sum();
                highest = highest.max(mean.clamp(0.0, 1.0));
                highest
            })
            .collect()
    }

    /// Wald bounds on the logarithm of cumulative risk (delta method), at the mean heat.
    fn interval(
        &self,
        probability: &[f64],
        drifting: Option<&Drifting>,
        effect: f64,
    ) -> (Vec<f64>, Vec<f64>) {
        let z = crate::intervals::normal_quantile(0.5 + 0.5 * self.input.confidence);
        let gram = self.gram();
        let risk = |log: f64, p: f64| if p <= 0.0 { 0.0 } else { -(-log.exp()).exp_m1() };
        probability
            .iter()
            .zip(&self.averages.mean_hours)
            .map(|(&p, &hours)| {
                let log = (-(-p).ln_1p()).ln();
                let wide = z * self.log_risk_sd(&gram, hours, drifting, effect);
                (risk(log - wide, p), risk(log + wide, p))
            })
            .unzip()
    }

    /// Covariances of the five directions in which the parameters move this part's risk: log
    /// scale, log shape, covariate effect, the site's hazard, log frailty variance.
    fn gram(&self) -> [[f64; 5]; 5] {
        let model = self.input.model;
        let layout = model.layout();
        let class = crate::risk_model::class_index(self.law.class);
        let mut effect = vec![0.0; layout.len()];
        for (j, x) in self.component.covariates.iter().enumerate() {
            effect[layout.coefficient(j)] = *x;
        }
        let spread_effect = model.covariance.times(&effect);
        let units = [layout.log_scale(class), layout.log_shape(class), layout.frailty()];
        let mut gram = [[0.0; 5]; 5];
        for (i, &row) in [0, 1, 4].iter().zip(&units) {
            for (j, &column) in [0, 1, 4].iter().zip(&units) {
                gram[*i][*j] = model.covariance.get(row, column);
            }
            gram[*i][2] = spread_effect[row];
            gram[2][*i] = spread_effect[row];
            gram[*i][3] = self.site.spread[row];
            gram[3][*i] = self.site.spread[row];
        }
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        gram[2][2] = dot(&effect, &spread_effect);
        gram[2][3] = dot(&effect, &self.site.spread);
        gram[3][2] = gram[2][3];
        gram[3][3] = dot(&self.site.gradient, &self.site.spread);
        gram
    }

    /// Standard deviation of the log cumulative risk from the parameters.
    fn log_risk_sd(
        &self,
        gram: &[[f64; 5]; 5],
        hours: f64,
        drifting: Option<&Drifting>,
        effect: f64,
    ) -> f64 {
        let more = hours * self.component.heat_rate;
        let age = self.component.heat_age_hours;
        let effect = effect * sudden_share(drifting);
        let (mass, weighted) = self.mass_over(more);
        let (mass, shape_slope) = (effect * mass, effect * self.law.shape * weighted);
        let posterior = &self.site.posterior;
        let risk = posterior.cumulative_risk(mass);
        if risk <= 0.0 {
            return 0.0;
        }
        let theta = self.input.model.frailty_variance;
        let (by_mass, by_site, by_log_theta) = if theta > 0.0 {
            let (a, b) = (posterior.shape, posterior.rate);
            let by_site = -a * mass / (b * (b + mass));
            (a / (b + mass), by_site, -((mass / b).ln_1p() + by_site) / theta)
        } else {
            (1.0, 0.0, 0.0)
        };
        let slopes = [
            -by_mass * self.law.shape * mass,
            by_mass * shape_slope,
            by_mass * mass,
            by_site,
            by_log_theta,
        ];
        let variance: f64 = slopes
            .iter()
            .zip(gram)
            .map(|(left, row)| left * row.iter().zip(&slopes).map(|(c, s)| c * s).sum::<f64>())
            .sum();
        // An age that is uniform over its range has the variance of half the range squared over 3.
        let hazard = |at: f64| {
            if at > 0.0 { self.law.shape * self.law.cumulative_hazard(at) / at } else { 0.0 }
        };
        let by_age = by_mass * effect * (hazard(age + more) - hazard(age));
        let variance =
            variance.max(0.0) + (by_age * self.component.heat_age_half_range_hours).powi(2) / 3.0;
        variance.sqrt() / (risk + drifting.map_or(0.0, |d| d.crossing_risk(age, more)))
    }

    fn reasons(
        &self,
        probability: &[f64],
        drifting: Option<&Drifting>,
        effect: f64,
    ) -> (Option<f64>, Option<f64>, Vec<Reason>) {
        let hours = self.averages.mean_hours[self.input.reason_date];
        let log_risk = (-(-probability[self.input.reason_date]).ln_1p()).ln();
        if hours <= 0.0 || !log_risk.is_finite() {
            return (None, None, Vec::new());
        }
        let law = self.law;
        let prior_law = law.prior_law();
        let reference_hours = self
            .input
            .reference_hours
            .get(&law.class)
            .copied()
            .unwrap_or(0.5 * prior_law.scale_hours);
        let mass = |law: &ClassModel, age: f64, more: f64| law.hazard_between(age, more).ln();
        let age = self.component.heat_age_hours;
        let rate = self.component.heat_rate;
        let baseline = mass(&prior_law, reference_hours, hours);
        let mut reasons: Vec<(ReasonKind, f64)> = vec![
            (
                ReasonKind::BranchRecords {
                    failures: law.failures,
                    scale_hours: law.scale_hours,
                    trade_scale_hours: law.prior_scale_hours,
                },
                mass(law, reference_hours, hours) - baseline,
            ),
            (
                ReasonKind::HeatAge { hours: age, reference_hours },
                mass(law, age, hours) - mass(law, reference_hours, hours),
            ),
        ];
        if (rate - 1.0).abs() > 1e-12 {
            reasons.push((
                ReasonKind::HeatRate { rate },
                mass(law, age, hours * rate) - mass(law, age, hours),
            ));
        }
        let model = self.input.model;
        for ((name, b), x) in
            model.covariate_names.iter().zip(&model.coefficients).zip(&self.component.covariates)
        {
            if *x != 0.0 {
                let what = ReasonKind::Covariate { name: name.clone(), value: *x };
                reasons.push((what, b * x));
            }
        }
        self.site_reasons(&mut reasons);
        self.drift_reason(&mut reasons, drifting, hours, effect);
        let explained: f64 = baseline + reasons.iter().map(|(_, w)| w).sum::<f64>();
        reasons.push((ReasonKind::Uncertainty, log_risk - explained));
        let mut reasons: Vec<Reason> =
            reasons.into_iter().map(|(what, w)| Reason { what, weight: Some(w) }).collect();
        for &condition in &self.component.conditions {
            reasons.push(Reason { what: ReasonKind::Seen { condition }, weight: Some(0.0) });
        }
        sort(&mut reasons);
        (Some(baseline), Some(log_risk), reasons)
    }

    /// The site's mean frailty `(1 + theta D) / (1 + theta H)`, split into its two logarithms.
    fn site_reasons(&self, reasons: &mut Vec<(ReasonKind, f64)>) {
        let theta = self.input.model.frailty_variance;
        let site = self.site;
        if site.failures > 0 {
            reasons.push((
                ReasonKind::SiteFailures { failures: site.failures },
                (theta * f64::from(site.failures)).ln_1p(),
            ));
        }
        reasons.push((
            ReasonKind::SiteSurvival { parts: site.parts, expected_failures: site.hazard },
            -(theta * site.hazard).ln_1p(),
        ));
    }

    fn drift_reason(
        &self,
        reasons: &mut Vec<(ReasonKind, f64)>,
        drifting: Option<&Drifting>,
        hours: f64,
        effect: f64,
    ) {
        let worst = (0..=1)
            .filter_map(|section| last_reading(self.component, section))
            .min_by(|a, b| a.deviation_percent.total_cmp(&b.deviation_percent));
        if let (Some(drifting), Some(worst)) = (drifting, worst) {
            let with = self.cumulative_risk(hours, Some(drifting), effect);
            let without = self.cumulative_risk(hours, None, effect);
            let steepest =
                drifting.lines.iter().map(|line| line.slope_percent).fold(f64::INFINITY, f64::min);
            let what = ReasonKind::Drift {
                readings: self.component.readings.len(),
                last_percent: worst.deviation_percent,
                percent_per_kilohour: steepest,
                limit_percent: drifting.limit_percent,
            };
            reasons.push((what, (with / without).ln()));
        }
    }

    /// Mean and median heat left, in the part's own equivalent hours.
    fn heat_left(&self, drifting: Option<&Drifting>, effect: f64) -> (Option<f64>, f64) {
        let age = self.component.heat_age_hours;
        let now = self.hazard_now;
        let posterior = &self.site.posterior;
        let sudden = |survival: f64| {
            let mass = posterior.hazard_at_survival(survival) / effect;
            (self.law.age_at_hazard(now + mass) - age).max(0.0)
        };
        match drifting {
            None => (expected_heat_left(sudden, posterior.shape * self.law.shape), sudden(0.5)),
            Some(drifting) => {
                let risk = |more: f64| {
                    let mass =
                        effect * sudden_share(Some(drifting)) * self.law.hazard_between(age, more);
                    posterior.cumulative_risk(mass) + drifting.crossing_risk(age, more)
                };
                let at = |survival: f64| {
                    crate::survival_sum::invert(risk, -survival.ln(), self.law.scale_hours)
                };
                (expected_heat_left(at, posterior.shape * self.law.shape), at(0.5))
            }
        }
    }
}
