//! What cannot be scored, and why.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, ComponentId, SiteId};

use super::{ComponentState, ScoreInput};
use crate::ensemble::HeatEnsemble;
use crate::risk_model::RiskModel;

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

pub(super) fn check(input: &ScoreInput<'_>) -> Result<(), ScoreError> {
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
