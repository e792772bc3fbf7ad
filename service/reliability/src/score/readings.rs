//! What readings and conditions say of a component: that it has failed, or how it drifts.

use std::collections::BTreeMap;

use hotspell_domain::ComponentClass;

use super::ComponentState;
use crate::drift::{DriftLine, DriftModel, DriftReading};
use crate::reason::{Reason, ReasonKind};
use crate::risk_model::ClassModel;

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

pub(super) fn last_reading(component: &ComponentState, section: u8) -> Option<&DriftReading> {
    component
        .readings
        .iter()
        .filter(|r| r.section == section)
        .max_by(|a, b| a.heat_age_hours.total_cmp(&b.heat_age_hours))
}

/// Drifting sections of a component, with the limit.
pub(crate) struct Drifting {
    pub(super) lines: Vec<DriftLine>,
    pub(super) limit_percent: f64,
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
pub(super) fn sudden_share(drifting: Option<&Drifting>) -> f64 {
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
