//! Risk on every weather path before frailty and weather are averaged out, as the stock needs it.

use super::readings::{drifting, failed_already, sudden_share};
use super::site::{by_site, site_history};
use super::{ScoreError, ScoreInput, check};
use crate::gamma_mixture::FrailtyPosterior;

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
/// As [`super::score`].
pub fn risk_by_path(input: ScoreInput<'_>, date: usize) -> Result<Vec<PartRisk>, ScoreError> {
    check::check(&ScoreInput { reason_date: date, ..input })?;
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
