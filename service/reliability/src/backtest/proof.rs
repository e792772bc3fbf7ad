//! What the predictions of past seasons were worth: figures of one season or of all together,
//! and the rule by which a new fit is released.

use serde::{Deserialize, Serialize};

use super::SeasonEnd;
use crate::intervals::poisson_limits;
use crate::metrics::{
    Calibration, Outcome, brier_score, calibration, concordance, gain, log_score, uno_concordance,
};

/// Observed against expected failures, with exact Poisson limits of the ratio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ObservedExpected {
    /// Month, tenth or total.
    pub label: String,
    /// Parts.
    pub parts: usize,
    /// Failures seen.
    pub observed: usize,
    /// Failures expected; a part that left counts for the time it was watched.
    pub expected: f64,
    /// Observed over expected; none when nothing was expected.
    pub ratio: Option<f64>,
    /// 95 % limits of the ratio.
    pub limits: Option<[f64; 2]>,
}

/// Share of the failures among the first tenth of visits, by order of visiting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Gains {
    /// Highest risk of the model first.
    pub model: f64,
    /// Oldest by the rival first; none without a rival.
    pub calendar_age: Option<f64>,
    /// Random order.
    pub random: f64,
}

/// One point of the gain curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GainPoint {
    /// Share of parts visited.
    pub visited: f64,
    /// Share of failures among them, by the model's order.
    pub model: f64,
    /// ... by calendar age; none without a rival.
    pub calendar_age: Option<f64>,
}

/// Figures of one season, or of all together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonProof {
    /// Name.
    pub label: String,
    /// Failures in total.
    pub total: ObservedExpected,
    /// By date.
    pub by_date: Vec<ObservedExpected>,
    /// By tenth of risk, lowest first.
    pub by_tenth: Vec<ObservedExpected>,
    /// Brier score of the model at the season's end, weighted for censoring.
    pub brier: Option<f64>,
    /// ... of Kaplan-Meier per class.
    pub brier_kaplan_meier: Option<f64>,
    /// ... of the rival in calendar age.
    pub brier_calendar_age: Option<f64>,
    /// Mean negative log probability of what happened, parts that left left out.
    pub log_score: Option<f64>,
    /// Harrell's concordance.
    pub harrell: Option<f64>,
    /// Uno's concordance.
    pub uno: Option<f64>,
    /// Calibration on the logit.
    pub calibration: Option<Calibration>,
    /// Failures caught by the first tenth of visits.
    pub gains: Option<Gains>,
    /// Gain curve in steps of 5 %.
    pub gain_curve: Vec<GainPoint>,
}

/// Whether a new fit may replace the last good one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "verdict")]
pub enum Verdict {
    /// It passes every rule.
    Release,
    /// It does not; the last good one stays.
    Refuse {
        /// Sentences for the office.
        reasons: Vec<String>,
    },
    /// There is too little to judge by; the engine does not claim.
    TooLittleData {
        /// Failures in the seasons.
        failures: usize,
        /// Failures that a judgement needs.
        needed: usize,
    },
}

/// Fewest failures that a judgement needs: below it the Poisson limits of the ratio span more than
/// a factor of four.
pub const FAILURES_NEEDED: usize = 10;

/// Predicted and seen, part by part.
pub(super) struct Predicted {
    /// Per part, probability by each date.
    pub(super) probability: Vec<Vec<f64>>,
    /// Kaplan-Meier probability by the last date.
    pub(super) kaplan_meier: Vec<f64>,
    pub(super) rival: Option<Vec<f64>>,
    pub(super) ends: Vec<SeasonEnd>,
}

fn number(n: usize) -> f64 {
    u32::try_from(n).map_or(f64::MAX, f64::from)
}

fn observed_expected(
    label: String,
    parts: usize,
    observed: usize,
    expected: f64,
) -> ObservedExpected {
    let known = expected > 0.0;
    ObservedExpected {
        label,
        parts,
        observed,
        expected,
        ratio: known.then(|| number(observed) / expected),
        limits: known.then(|| poisson_limits(number(observed), 0.95).map(|l| l / expected)),
    }
}

impl Predicted {
    fn dates(&self) -> usize {
        self.probability.first().map_or(0, Vec::len)
    }

    fn at_end(&self) -> Vec<f64> {
        self.probability.iter().map(|p| p.last().copied().unwrap_or(0.0)).collect()
    }

    /// Cumulative risk of a part between two dates while it was watched; a part that left counts
    /// for half of the stretch in which it did.
    fn expected_between(&self, part: usize, from: Option<usize>, to: usize) -> f64 {
        let by = |date: Option<usize>| date.map_or(0.0, |date| self.probability[part][date]);
        let risk = |date: usize| match self.ends[part] {
            SeasonEnd::Left { date: left } if left <= date => {
                f64::midpoint(by(left.checked_sub(1)), by(Some(left)))
            }
            _ => by(Some(date)),
        };
        risk(to) - from.map_or(0.0, risk)
    }

    fn failed_at(&self, part: usize) -> Option<usize> {
        match self.ends[part] {
            SeasonEnd::Failed { date } => Some(date),
            SeasonEnd::Worked | SeasonEnd::Left { .. } => None,
        }
    }

    fn group(&self, label: String, parts: &[usize]) -> ObservedExpected {
        let last = self.dates().saturating_sub(1);
        let expected = parts.iter().map(|&i| self.expected_between(i, None, last)).sum();
        let observed = parts.iter().filter(|&&i| self.failed_at(i).is_some()).count();
        observed_expected(label, parts.len(), observed, expected)
    }
}

pub(super) fn prove(label: &str, season: &Predicted) -> SeasonProof {
    let dates = season.dates();
    let everyone: Vec<usize> = (0..season.ends.len()).collect();
    let by_date = (0..dates)
        .map(|date| {
            let from = date.checked_sub(1);
            let expected = everyone.iter().map(|&i| season.expected_between(i, from, date)).sum();
            let observed = everyone.iter().filter(|&&i| season.failed_at(i) == Some(date)).count();
            observed_expected((date + 1).to_string(), everyone.len(), observed, expected)
        })
        .collect();
    let risk = season.at_end();
    let mut order = everyone.clone();
    order.sort_by(|&a, &b| risk[a].total_cmp(&risk[b]).then(a.cmp(&b)));
    let by_tenth = (0..10)
        .map(|tenth| {
            let (from, to) = (order.len() * tenth / 10, order.len() * (tenth + 1) / 10);
            season.group((tenth + 1).to_string(), &order[from..to])
        })
        .collect();
    let outcomes = outcomes(season);
    let horizon = number(dates) - 0.5;
    let brier = |risk: &[f64]| {
        let survival: Vec<f64> = risk.iter().map(|p| 1.0 - p).collect();
        brier_score(&outcomes, &survival, horizon).ok()
    };
    let (failed, stayed_risk, stayed_rival) = stayed(season, &risk);
    let gains = |share: f64| -> Option<(f64, Option<f64>)> {
        let model = gain(&failed, &stayed_risk, share).ok()?;
        Some((model, stayed_rival.as_ref().and_then(|r| gain(&failed, r, share).ok())))
    };
    SeasonProof {
        label: label.to_owned(),
        total: season.group("total".to_owned(), &everyone),
        by_date,
        by_tenth,
        brier: brier(&risk),
        brier_kaplan_meier: brier(&season.kaplan_meier),
        brier_calendar_age: season.rival.as_deref().and_then(brier),
        log_score: log_score(&failed, &stayed_risk).ok().filter(|s| s.is_finite()),
        harrell: concordance(&outcomes, &risk).ok().map(|c| c.index()),
        uno: uno_concordance(&outcomes, &risk, horizon).ok().map(|c| c.index()),
        calibration: calibration(&failed, &stayed_risk).ok(),
        gains: gains(0.1).map(|(model, calendar_age)| Gains { model, calendar_age, random: 0.1 }),
        gain_curve: (0..=20)
            .map(|step| f64::from(step) * 0.05)
            .filter_map(|visited| {
                let (model, calendar_age) = gains(visited)?;
                Some(GainPoint { visited, model, calendar_age })
            })
            .collect(),
    }
}

/// Time in dates: a failure by date `d` counts at `d`, a leaving just before it.
fn outcomes(season: &Predicted) -> Vec<Outcome> {
    let last = number(season.dates());
    season
        .ends
        .iter()
        .map(|end| match end {
            SeasonEnd::Worked => Outcome { time: last, failed: false, weight: 1.0 },
            SeasonEnd::Failed { date } => {
                Outcome { time: number(*date), failed: true, weight: 1.0 }
            }
            SeasonEnd::Left { date } => {
                Outcome { time: number(*date) - 0.5, failed: false, weight: 1.0 }
            }
        })
        .collect()
}

/// Parts whose season is known to its end: failed or worked.
fn stayed(season: &Predicted, risk: &[f64]) -> (Vec<bool>, Vec<f64>, Option<Vec<f64>>) {
    let known: Vec<usize> = (0..season.ends.len())
        .filter(|&i| !matches!(season.ends[i], SeasonEnd::Left { .. }))
        .collect();
    (
        known.iter().map(|&i| season.failed_at(i).is_some()).collect(),
        known.iter().map(|&i| risk[i]).collect(),
        season.rival.as_ref().map(|rival| known.iter().map(|&i| rival[i]).collect()),
    )
}

/// The release rule: limits of observed over expected contain 1, calibration slope 0.7 to 1.3,
/// Brier score no worse than Kaplan-Meier and no worse than calendar age.
pub(super) fn judge(pooled: &SeasonProof) -> Verdict {
    let failures = pooled.total.observed;
    let (Some(calibration), true) = (pooled.calibration, failures >= FAILURES_NEEDED) else {
        return Verdict::TooLittleData { failures, needed: FAILURES_NEEDED };
    };
    let mut reasons = Vec::new();
    if let Some([low, high]) = pooled.total.limits.filter(|[low, high]| *low > 1.0 || *high < 1.0) {
        reasons.push(format!(
            "{failures} failures were seen where {:.1} were expected (ratio {low:.2} to {high:.2}, 1 is not within).",
            pooled.total.expected
        ));
    }
    if !(0.7..=1.3).contains(&calibration.slope) {
        reasons.push(format!(
            "The calibration slope is {:.2}; 0.7 to 1.3 is asked for.",
            calibration.slope
        ));
    }
    let worse = |rival: Option<f64>| match (pooled.brier, rival) {
        (Some(own), Some(rival)) => own > rival + 1e-12,
        _ => false,
    };
    if worse(pooled.brier_kaplan_meier) {
        reasons.push("Its predictions are worse than Kaplan-Meier curves (Brier score).".into());
    }
    if worse(pooled.brier_calendar_age) {
        reasons.push("Its predictions are worse than calendar age alone (Brier score).".into());
    }
    if reasons.is_empty() { Verdict::Release } else { Verdict::Refuse { reasons } }
}
