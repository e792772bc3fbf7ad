//! What a site has shown: failures and hazard of all its parts, ended or not, and the frailty
//! that follows.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, SiteId};

use super::readings::failed_already;
use super::{PastPart, ScoreInput};
use crate::gamma_mixture::FrailtyPosterior;
use crate::risk_model::{ClassModel, RiskModel, class_index};

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

/// Indices of components and of past parts per site that has a component.
pub(super) fn by_site(input: &ScoreInput<'_>) -> BTreeMap<SiteId, (Vec<usize>, Vec<usize>)> {
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

/// What a site has shown.
pub(super) struct SiteHistory {
    pub(super) failures: u32,
    pub(super) parts: u32,
    pub(super) hazard: f64,
    pub(super) posterior: FrailtyPosterior,
    /// Derivative of the site's hazard by every parameter.
    pub(super) gradient: Vec<f64>,
    /// Covariance times that derivative.
    pub(super) spread: Vec<f64>,
}

pub(super) fn site_history(
    input: &ScoreInput<'_>,
    present: &[usize],
    past: &[usize],
) -> SiteHistory {
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
    let class = class_index(law.class);
    let hazard = law.cumulative_hazard(age) * model.log_hazard_ratio(covariates).exp();
    gradient[layout.log_scale(class)] -= law.shape * hazard;
    gradient[layout.log_shape(class)] += law.shape * (age / law.scale_hours).ln() * hazard;
    for (j, x) in covariates.iter().enumerate() {
        gradient[layout.coefficient(j)] += x * hazard;
    }
    hazard
}
