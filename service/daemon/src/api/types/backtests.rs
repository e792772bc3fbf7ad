//! The proof of the life model on the wire.

use chrono::NaiveDate;
use hotspell_domain::RunId;
use hotspell_reliability::backtest::{ObservedExpected, SeasonProof, Verdict};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::app::proof::Proof;

/// Up to when the records are used.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "as_of": null }))]
pub struct BacktestInput {
    /// Seasons that ended by this day are predicted; the branch's today if absent.
    pub as_of: Option<NaiveDate>,
}

/// Past seasons, each predicted from what was known on its first day, against what came.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BacktestView {
    /// The recorded run.
    #[schema(value_type = i64)]
    pub run_id: RunId,
    /// The day up to which records were used.
    pub as_of: NaiveDate,
    /// Whether a new fit may replace the last good one: `release`, `refuse` or `too-little-data`.
    #[schema(example = "release")]
    pub verdict: &'static str,
    /// Why not, in sentences; empty for `release`.
    pub reasons: Vec<String>,
    /// All seasons together.
    pub pooled: SeasonView,
    /// Each season.
    pub seasons: Vec<SeasonView>,
}

/// Figures of one season, or of all together. A figure that the data does not give is absent.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SeasonView {
    /// The year, or «all seasons».
    pub label: String,
    /// Failures in total.
    pub total: CountView,
    /// By the end of each month.
    pub by_date: Vec<CountView>,
    /// By tenth of risk, lowest first.
    pub by_tenth: Vec<CountView>,
    /// Brier score of the model, weighted for censoring (no unit; lower is better).
    pub brier: Option<f64>,
    /// The same of Kaplan-Meier per class (no unit).
    pub brier_kaplan_meier: Option<f64>,
    /// The same of the model on calendar age (no unit).
    pub brier_calendar_age: Option<f64>,
    /// Mean negative log probability of what happened (no unit; lower is better).
    pub log_score: Option<f64>,
    /// Harrell's concordance (no unit); 0.5 is no better than chance.
    pub harrell: Option<f64>,
    /// Uno's concordance (no unit).
    pub uno: Option<f64>,
    /// Calibration slope on the logit (no unit); 1 is right.
    pub calibration_slope: Option<f64>,
    /// Standard error of the slope (no unit).
    pub calibration_slope_error: Option<f64>,
    /// Share of failures met by each share of visits.
    pub gain_curve: Vec<GainView>,
}

/// Failures seen and expected.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CountView {
    /// What is counted.
    pub label: String,
    /// Number of parts.
    pub parts: usize,
    /// Number of failures seen.
    pub observed: usize,
    /// Number of failures expected.
    pub expected: f64,
    /// Observed over expected (no unit).
    pub ratio: Option<f64>,
    /// Lower exact Poisson limit of the ratio, 95 % (no unit).
    pub ratio_low: Option<f64>,
    /// Upper limit (no unit).
    pub ratio_high: Option<f64>,
}

/// One point of the gain curve.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct GainView {
    /// Share of parts visited, 0 to 1 (no unit).
    pub visited: f64,
    /// Share of failures among them, riskiest first by the model (no unit).
    pub model: f64,
    /// The same, by the model on calendar age (no unit).
    pub calendar_age: Option<f64>,
}

impl From<&ObservedExpected> for CountView {
    fn from(count: &ObservedExpected) -> Self {
        Self {
            label: count.label.clone(),
            parts: count.parts,
            observed: count.observed,
            expected: count.expected,
            ratio: count.ratio,
            ratio_low: count.limits.map(|limits| limits[0]),
            ratio_high: count.limits.map(|limits| limits[1]),
        }
    }
}

impl From<&SeasonProof> for SeasonView {
    fn from(season: &SeasonProof) -> Self {
        Self {
            label: season.label.clone(),
            total: CountView::from(&season.total),
            by_date: season.by_date.iter().map(CountView::from).collect(),
            by_tenth: season.by_tenth.iter().map(CountView::from).collect(),
            brier: season.brier,
            brier_kaplan_meier: season.brier_kaplan_meier,
            brier_calendar_age: season.brier_calendar_age,
            log_score: season.log_score,
            harrell: season.harrell,
            uno: season.uno,
            calibration_slope: season.calibration.map(|it| it.slope),
            calibration_slope_error: season.calibration.map(|it| it.slope_error),
            gain_curve: season
                .gain_curve
                .iter()
                .map(|point| GainView {
                    visited: point.visited,
                    model: point.model,
                    calendar_age: point.calendar_age,
                })
                .collect(),
        }
    }
}

impl From<&Proof> for BacktestView {
    fn from(proof: &Proof) -> Self {
        let (verdict, reasons) = match &proof.backtest.verdict {
            Verdict::Release => ("release", Vec::new()),
            Verdict::Refuse { reasons } => ("refuse", reasons.clone()),
            Verdict::TooLittleData { failures, needed } => (
                "too-little-data",
                vec![format!("{failures} failures in the seasons; {needed} are needed to judge")],
            ),
        };
        Self {
            run_id: proof.run,
            as_of: proof.as_of,
            verdict,
            reasons,
            pooled: SeasonView::from(&proof.backtest.pooled),
            seasons: proof.backtest.seasons.iter().map(SeasonView::from).collect(),
        }
    }
}
