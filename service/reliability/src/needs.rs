//! What the parts of a day's stops may ask of the truck, from the same model as the scores.

use crate::drift::DriftReading;
use crate::gamma_mixture::FrailtyPosterior;
use crate::score::{ComponentState, ScoreInput, failed_already};
use crate::stock::PartNeed;

/// One part that stands on the day's way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoutePart {
    /// Index into the components of the scoring input.
    pub component: usize,
    /// Index of the kind of part wanted.
    pub wanted: usize,
    /// Whether it is to be replaced anyway, such as after a reading below its first limit.
    pub replace_anyway: bool,
    /// Chance, 0 to 1 (no unit), that it has failed by now: of a home without cooling, its share of the
    /// blame ([`crate::diagnosis`]); nothing elsewhere. The parts of one home count as independent, which
    /// asks for rather too much than too little.
    pub failed_chance: f64,
}

/// The need of each part by the date with index `date`, on every weather path: it has failed by
/// then, has drifted out, or is to be replaced anyway.
///
/// Parts of a class that the model or the ensembles do not know are left out.
#[must_use]
pub fn part_needs(input: &ScoreInput<'_>, route: &[RoutePart], date: usize) -> Vec<PartNeed> {
    route
        .iter()
        .filter_map(|part| {
            let component = input.components.get(part.component)?;
            let law = input.model.class(component.class)?;
            let ensemble = input.ensembles.get(&component.class)?;
            let effect = input.model.log_hazard_ratio(&component.covariates).exp();
            let heat = ensemble.paths().map(|path| {
                component.heat_rate * path.get(date).or(path.last()).copied().unwrap_or(0.0)
            });
            let anyway = part.replace_anyway || failed_already(input.drift, component).is_some();
            let blamed = -(-part.failed_chance.clamp(0.0, 1.0)).ln_1p();
            let (hazard_mass, other_risk) = heat
                .map(|hours| {
                    let sudden = effect * law.hazard_between(component.heat_age_hours, hours);
                    let other =
                        if anyway { f64::INFINITY } else { drift_risk(input, component, hours) };
                    (sudden, other + blamed)
                })
                .unzip();
            Some(PartNeed {
                site: component.site,
                wanted: part.wanted,
                frailty: site_frailty(input, component),
                hazard_mass,
                other_risk,
            })
        })
        .collect()
}

/// Frailty of the home, given all that its parts have shown.
fn site_frailty(input: &ScoreInput<'_>, of: &ComponentState) -> FrailtyPosterior {
    let model = input.model;
    let hazard = |class, age: f64, covariates: &[f64]| {
        model.class(class).map_or(0.0, |law| {
            law.cumulative_hazard(age) * model.log_hazard_ratio(covariates).exp()
        })
    };
    let (mut failures, mut mass) = (0.0, 0.0);
    for part in input.past.iter().filter(|part| part.site == of.site) {
        mass += hazard(part.class, part.heat_age_hours, &part.covariates);
        failures += f64::from(u8::from(part.failed));
    }
    for part in input.components.iter().filter(|part| part.site == of.site) {
        mass += hazard(part.class, part.heat_age_hours, &part.covariates);
        failures += f64::from(u8::from(failed_already(input.drift, part).is_some()));
    }
    model.frailty_posterior(failures, mass)
}

/// Cumulative risk that any section drifts below the out limit while `hours` more are gathered.
fn drift_risk(input: &ScoreInput<'_>, component: &ComponentState, hours: f64) -> f64 {
    let Some(drift) = input.drift.get(&component.class) else { return 0.0 };
    (0..=1)
        .map(|section| {
            let readings: Vec<DriftReading> =
                component.readings.iter().filter(|it| it.section == section).copied().collect();
            if readings.is_empty() {
                return 0.0;
            }
            let limit = drift.out_limit_percent();
            drift.posterior(&readings).crossing_risk(limit, component.heat_age_hours, hours)
        })
        .sum()
}
