//! Survival curves of a table, by group.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{ReportError, as_count};
use crate::lifetime::{Lifetime, Observation};
use crate::nonparametric::{CurveError, CurveStep, TurnbullStep, kaplan_meier, turnbull};
use crate::table::LifetimeTable;

/// How a curve was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CurveMethod {
    /// Exact and right-censored ends.
    KaplanMeier,
    /// Interval ends too.
    Turnbull,
}

/// The curve of one group.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupCurve {
    /// Name; none when not grouped.
    pub group: Option<String>,
    /// Sum of weights.
    #[serde(serialize_with = "as_count")]
    pub n: f64,
    /// Sum of weights of failures.
    #[serde(serialize_with = "as_count")]
    pub failures: f64,
    /// First age at which survival is at or below one half.
    pub median: Option<f64>,
    /// Kaplan-Meier steps with Greenwood errors, log-log bands and Nelson-Aalen hazard.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub steps: Vec<CurveStep>,
    /// Turnbull's masses.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub intervals: Vec<TurnbullStep>,
    /// Whether the masses settled.
    pub converged: bool,
}

/// Curves of all groups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurveReport {
    /// How they were made.
    pub method: CurveMethod,
    /// Level of the bands.
    pub confidence: f64,
    /// By group, in order of name.
    pub groups: Vec<GroupCurve>,
}

fn by_group<'a>(
    table: &'a LifetimeTable,
    group: Option<&str>,
) -> BTreeMap<Option<&'a str>, Vec<Lifetime>> {
    let names = group.and_then(|column| table.texts.get(column));
    let mut groups: BTreeMap<Option<&str>, Vec<Lifetime>> = BTreeMap::new();
    for (i, lifetime) in table.lifetimes.iter().enumerate() {
        groups.entry(names.map(|n| n[i].as_str())).or_default().push(*lifetime);
    }
    groups
}

fn weight(lifetimes: &[Lifetime], only_failures: bool) -> f64 {
    lifetimes.iter().filter(|l| !only_failures || l.failed()).map(|l| l.weight).sum()
}

/// Curves of a table: Kaplan-Meier, or Turnbull when any end is an interval.
///
/// # Errors
/// [`ReportError::Curve`].
pub fn curve_report(
    table: &LifetimeTable,
    group: Option<&str>,
    confidence: f64,
) -> Result<CurveReport, ReportError> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(ReportError::Confidence(confidence));
    }
    let interval =
        table.lifetimes.iter().any(|l| matches!(l.observation, Observation::Interval { .. }));
    let refuse = |error: CurveError| ReportError::Curve(error.to_string());
    let groups = by_group(table, group)
        .into_iter()
        .map(|(name, lifetimes)| {
            let mut curve = GroupCurve {
                group: name.map(str::to_owned),
                n: weight(&lifetimes, false),
                failures: weight(&lifetimes, true),
                median: None,
                steps: Vec::new(),
                intervals: Vec::new(),
                converged: true,
            };
            if interval {
                let found = turnbull(&lifetimes).map_err(refuse)?;
                let half = found.steps.iter().find(|step| step.survival <= 0.5 + 1e-12);
                curve.median = half.and_then(|step| step.by);
                curve.converged = found.converged;
                curve.intervals = found.steps;
            } else {
                let found = kaplan_meier(&lifetimes, confidence).map_err(refuse)?;
                curve.median = found.median();
                curve.steps = found.steps;
            }
            Ok(curve)
        })
        .collect::<Result<_, ReportError>>()?;
    let method = if interval { CurveMethod::Turnbull } else { CurveMethod::KaplanMeier };
    Ok(CurveReport { method, confidence, groups })
}
