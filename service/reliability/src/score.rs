//! Risk of every component through the season, with an interval and reasons.
//!
//! A site's frailty is updated by everything the site has shown: failures raise it, lasting parts
//! lower it. Given its posterior gamma(A, B) and the hazard mass `dH` gathered by a date, the
//! cumulative risk is `A ln(1 + dH / B)`; the probability is its mean over the weather paths.
//! Readings add the risk that the drifting capacitance crosses the out limit (competing risks);
//! the share of failures that such drift explains is then taken out of the sudden ones.

mod bounds;
mod check;
mod path_risk;
mod readings;
mod reasons;
mod scorer;
mod site;

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, ComponentId, Condition, SiteId};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::drift::{DriftModel, DriftReading};
use crate::ensemble::{HeatEnsemble, NodeAverages};
use crate::reason::Reason;
use crate::risk_model::RiskModel;

pub use check::ScoreError;
pub use path_risk::{PartRisk, risk_by_path};
pub use site::past_of_sites;

pub(crate) use check::check_component;
pub(crate) use readings::{Drifting, drifting, failed_already};

use scorer::Scorer;
use site::{by_site, site_history};

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

/// Scores all components; the result is in the order of `components`.
///
/// # Errors
/// [`ScoreError`] names the component or class at fault.
pub fn score(input: ScoreInput<'_>) -> Result<Vec<ComponentScore>, ScoreError> {
    check::check(&input)?;
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
