//! Drift of measured capacitance with heat age: straight lines with random intercepts and slopes.
//!
//! ```text
//! y = 100 (C / rated - 1) = b0 + b1 t + noise,   (b0, b1) normal over parts,   t in 1000 h
//! ```
//! A part is out when its true line first crosses the lower limit. Sources: W. Meeker & L.
//! Escobar, Statistical Methods for Reliability Data, Wiley 1998, chapter 13; N. Laird & J. Ware,
//! Biometrics 38 (1982) 963-974 (fit of the random lines).

use hotspell_domain::capacitor::ReadingLimits;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

/// One measurement of one section.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DriftReading {
    /// Section of a dual part: 0 is the compressor's (or the only one), 1 the fan's.
    pub section: u8,
    /// Heat age of the part when it was read, equivalent hours.
    pub heat_age_hours: f64,
    /// Measured over rated capacitance minus one, percent.
    pub deviation_percent: f64,
}

/// The law of all parts' lines.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DriftModel {
    /// Mean of new parts, percent.
    pub intercept_mean_percent: f64,
    /// Spread of new parts, percent.
    pub intercept_sd_percent: f64,
    /// Mean drift, percent per 1000 equivalent hours.
    pub slope_mean_percent: f64,
    /// Spread of drifts between parts.
    pub slope_sd_percent: f64,
    /// Spread of one measurement, percent.
    pub noise_sd_percent: f64,
    /// Limits of readings.
    pub limits: ReadingLimits,
}

impl DriftModel {
    /// What is believed before any reading of the branch: new parts within their 6 % tolerance,
    /// a drift that takes the mean part to the out limit in its usual life, meters good to 1 %
    /// (common practice, no source).
    #[must_use]
    pub fn prior(usual_life_hours: f64) -> Self {
        let slope = -10.0 / (usual_life_hours / 1000.0);
        Self {
            intercept_mean_percent: 0.0,
            intercept_sd_percent: 2.0,
            slope_mean_percent: slope,
            slope_sd_percent: -0.6 * slope,
            noise_sd_percent: 1.0,
            limits: ReadingLimits::default(),
        }
    }

    /// The out limit in percent below rated, as a negative number.
    #[must_use]
    pub fn out_limit_percent(&self) -> f64 {
        -100.0 * self.limits.out_share
    }

    /// The line of one section given its readings.
    #[must_use]
    pub fn posterior(&self, readings: &[DriftReading]) -> DriftLine {
        // Normal-normal update in two dimensions, by precision.
        let prior = [self.intercept_sd_percent.powi(-2), self.slope_sd_percent.powi(-2)];
        let noise = self.noise_sd_percent.powi(-2);
        let (mut p00, mut p01, mut p11) = (prior[0], 0.0, prior[1]);
        let mut r0 = prior[0] * self.intercept_mean_percent;
        let mut r1 = prior[1] * self.slope_mean_percent;
        for reading in readings {
            let t = reading.heat_age_hours / 1000.0;
            p00 += noise;
            p01 += noise * t;
            p11 += noise * t * t;
            r0 += noise * reading.deviation_percent;
            r1 += noise * t * reading.deviation_percent;
        }
        let determinant = p00 * p11 - p01 * p01;
        let covariance = [p11 / determinant, -p01 / determinant, p00 / determinant];
        DriftLine {
            intercept_percent: covariance[0] * r0 + covariance[1] * r1,
            slope_percent: covariance[1] * r0 + covariance[2] * r1,
            covariance,
        }
    }

    /// Fits the law of lines to the readings of many sections by expectation-maximisation,
    /// starting from (and, while readings are few, staying near) `prior`, which counts as
    /// `prior_parts` parts.
    #[must_use]
    pub fn fit(sections: &[Vec<DriftReading>], prior: &Self, prior_parts: f64) -> Self {
        let used: Vec<&Vec<DriftReading>> = sections.iter().filter(|s| !s.is_empty()).collect();
        if used.is_empty() {
            return *prior;
        }
        let parts = u32::try_from(used.len()).map_or(f64::MAX, f64::from);
        let readings: usize = used.iter().map(|s| s.len()).sum();
        let readings = u32::try_from(readings).map_or(f64::MAX, f64::from);
        let weight = parts + prior_parts;
        let mut model = *prior;
        for _ in 0..200 {
            let lines: Vec<DriftLine> = used.iter().map(|s| model.posterior(s)).collect();
            let blend = |sum: f64, centre: f64| (sum + prior_parts * centre) / weight;
            let m0 = blend(
                lines.iter().map(|l| l.intercept_percent).sum(),
                prior.intercept_mean_percent,
            );
            let m1 = blend(lines.iter().map(|l| l.slope_percent).sum(), prior.slope_mean_percent);
            let v0: f64 =
                lines.iter().map(|l| (l.intercept_percent - m0).powi(2) + l.covariance[0]).sum();
            let v1: f64 =
                lines.iter().map(|l| (l.slope_percent - m1).powi(2) + l.covariance[2]).sum();
            let noise: f64 = used
                .iter()
                .zip(&lines)
                .flat_map(|(section, line)| {
                    section.iter().map(|r| {
                        let t = r.heat_age_hours / 1000.0;
                        (r.deviation_percent - line.intercept_percent - line.slope_percent * t)
                            .powi(2)
                            + line.variance_percent(t)
                    })
                })
                .sum();
            let next = Self {
                intercept_mean_percent: m0,
                intercept_sd_percent: blend(v0, prior.intercept_sd_percent.powi(2)).sqrt(),
                slope_mean_percent: m1,
                slope_sd_percent: blend(v1, prior.slope_sd_percent.powi(2)).sqrt(),
                noise_sd_percent: ((noise + prior_parts * prior.noise_sd_percent.powi(2))
                    / (readings + prior_parts))
                    .sqrt(),
                limits: prior.limits,
            };
            let moved = (next.slope_mean_percent - model.slope_mean_percent).abs()
                + (next.slope_sd_percent - model.slope_sd_percent).abs()
                + (next.noise_sd_percent - model.noise_sd_percent).abs();
            model = next;
            if moved < 1e-10 {
                break;
            }
        }
        model
    }
}

/// What is known of one section's line: a bivariate normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftLine {
    /// Mean level when new, percent.
    pub intercept_percent: f64,
    /// Mean drift, percent per 1000 equivalent hours.
    pub slope_percent: f64,
    /// Variance of the intercept, covariance, variance of the slope.
    pub covariance: [f64; 3],
}

impl DriftLine {
    fn variance_percent(&self, t: f64) -> f64 {
        self.covariance[0] + 2.0 * t * self.covariance[1] + t * t * self.covariance[2]
    }

    /// Mean level at a heat age, percent.
    #[must_use]
    pub fn level_percent(&self, heat_age_hours: f64) -> f64 {
        self.intercept_percent + self.slope_percent * heat_age_hours / 1000.0
    }

    /// Probability that the true line lies below `limit_percent` at a heat age.
    #[must_use]
    pub fn probability_below(&self, limit_percent: f64, heat_age_hours: f64) -> f64 {
        let t = heat_age_hours / 1000.0;
        let sd = self.variance_percent(t).sqrt();
        standard_normal_cdf((limit_percent - self.level_percent(heat_age_hours)) / sd)
    }

    /// Cumulative risk `-ln P(not crossed by age + more)` given that it is not crossed at `age`.
    #[must_use]
    pub fn crossing_risk(&self, limit_percent: f64, age_hours: f64, more_hours: f64) -> f64 {
        let above_now = 1.0 - self.probability_below(limit_percent, age_hours);
        let above_then = 1.0 - self.probability_below(limit_percent, age_hours + more_hours);
        if above_then <= 0.0 {
            return 700.0;
        }
        (above_now.max(1e-300) / above_then).ln().clamp(0.0, 700.0)
    }
}

fn standard_normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(heat_age_hours: f64, deviation_percent: f64) -> DriftReading {
        DriftReading { section: 0, heat_age_hours, deviation_percent }
    }

    #[test]
    fn a_part_that_drifts_quickly_is_likelier_to_cross_soon() {
        let model = DriftModel::prior(12_000.0);
        let steady = model.posterior(&[read(2000.0, 0.0), read(6000.0, -0.5)]);
        let quick = model.posterior(&[read(2000.0, 0.0), read(6000.0, -7.5)]);
        let risk = |line: DriftLine| line.crossing_risk(-10.0, 6000.0, 1500.0);
        assert!(risk(quick) > 5.0 * risk(steady));
    }

    #[test]
    fn with_many_readings_the_posterior_is_the_least_squares_line() {
        let model = DriftModel::prior(12_000.0);
        let readings: Vec<DriftReading> = (0..4000)
            .map(|i| f64::from(i % 100) * 100.0)
            .map(|t| read(t, 1.0 - 0.4 * t / 1000.0))
            .collect();
        let line = model.posterior(&readings);
        assert!((line.intercept_percent - 1.0).abs() < 0.01);
        assert!((line.slope_percent + 0.4).abs() < 0.002);
    }

    #[test]
    fn the_fit_finds_the_drift_of_the_branch() {
        let prior = DriftModel::prior(12_000.0);
        let sections: Vec<Vec<DriftReading>> = (0..200)
            .map(|part| {
                let slope = -1.5 + 0.5 * (f64::from(part % 5) - 2.0) / 2.0;
                (1..5).map(|n| f64::from(n) * 1500.0).map(|t| read(t, slope * t / 1000.0)).collect()
            })
            .collect();
        let fitted = DriftModel::fit(&sections, &prior, 3.0);
        assert!((fitted.slope_mean_percent + 1.5).abs() < 0.05, "{fitted:?}");
        assert!((fitted.slope_sd_percent - 0.354).abs() < 0.08, "{fitted:?}");
    }
}
