//! What a reader must know before trusting a fit.

use hotspell_domain::SiteId;
use serde::{Deserialize, Serialize};

use super::RiskModel;
use super::fit::FitInput;
use super::imputation::RoundFit;
use crate::newton::Convergence;

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

pub(super) fn diagnostics(
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
