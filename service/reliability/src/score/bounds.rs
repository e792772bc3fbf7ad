//! Bounds of a score from the uncertainty of the parameters (delta method).

use super::readings::{Drifting, sudden_share};
use super::scorer::Scorer;
use crate::intervals::z_of;
use crate::risk_model::class_index;

impl Scorer<'_> {
    /// Wald bounds on the logarithm of cumulative risk (delta method), at the mean heat.
    pub(super) fn interval(
        &self,
        probability: &[f64],
        drifting: Option<&Drifting>,
        effect: f64,
    ) -> (Vec<f64>, Vec<f64>) {
        let z = z_of(self.input.confidence);
        let gram = self.gram();
        let risk = |log: f64, p: f64| if p <= 0.0 { 0.0 } else { -(-log.exp()).exp_m1() };
        probability
            .iter()
            .zip(&self.averages.mean_hours)
            .map(|(&p, &hours)| {
                let log = (-(-p).ln_1p()).ln();
                let wide = z * self.log_risk_sd(&gram, hours, drifting, effect);
                (risk(log - wide, p), risk(log + wide, p))
            })
            .unzip()
    }

    /// Covariances of the five directions in which the parameters move this part's risk: log
    /// scale, log shape, covariate effect, the site's hazard, log frailty variance.
    fn gram(&self) -> [[f64; 5]; 5] {
        let model = self.input.model;
        let layout = model.layout();
        let class = class_index(self.law.class);
        let mut effect = vec![0.0; layout.len()];
        for (j, x) in self.component.covariates.iter().enumerate() {
            effect[layout.coefficient(j)] = *x;
        }
        let spread_effect = model.covariance.times(&effect);
        let units = [layout.log_scale(class), layout.log_shape(class), layout.frailty()];
        let mut gram = [[0.0; 5]; 5];
        for (i, &row) in [0, 1, 4].iter().zip(&units) {
            for (j, &column) in [0, 1, 4].iter().zip(&units) {
                gram[*i][*j] = model.covariance.get(row, column);
            }
            gram[*i][2] = spread_effect[row];
            gram[2][*i] = spread_effect[row];
            gram[*i][3] = self.site.spread[row];
            gram[3][*i] = self.site.spread[row];
        }
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        gram[2][2] = dot(&effect, &spread_effect);
        gram[2][3] = dot(&effect, &self.site.spread);
        gram[3][2] = gram[2][3];
        gram[3][3] = dot(&self.site.gradient, &self.site.spread);
        gram
    }

    /// Standard deviation of the log cumulative risk from the parameters.
    fn log_risk_sd(
        &self,
        gram: &[[f64; 5]; 5],
        hours: f64,
        drifting: Option<&Drifting>,
        effect: f64,
    ) -> f64 {
        let more = hours * self.component.heat_rate;
        let age = self.component.heat_age_hours;
        let effect = effect * sudden_share(drifting);
        let (mass, weighted) = self.mass_over(more);
        let (mass, shape_slope) = (effect * mass, effect * self.law.shape * weighted);
        let posterior = &self.site.posterior;
        let risk = posterior.cumulative_risk(mass);
        if risk <= 0.0 {
            return 0.0;
        }
        let theta = self.input.model.frailty_variance;
        let (by_mass, by_site, by_log_theta) = if theta > 0.0 {
            let (a, b) = (posterior.shape, posterior.rate);
            let by_site = -a * mass / (b * (b + mass));
            (a / (b + mass), by_site, -((mass / b).ln_1p() + by_site) / theta)
        } else {
            (1.0, 0.0, 0.0)
        };
        let slopes = [
            -by_mass * self.law.shape * mass,
            by_mass * shape_slope,
            by_mass * mass,
            by_site,
            by_log_theta,
        ];
        let variance: f64 = slopes
            .iter()
            .zip(gram)
            .map(|(left, row)| left * row.iter().zip(&slopes).map(|(c, s)| c * s).sum::<f64>())
            .sum();
        // An age that is uniform over its range has the variance of half the range squared over 3.
        let hazard = |at: f64| {
            if at > 0.0 { self.law.shape * self.law.cumulative_hazard(at) / at } else { 0.0 }
        };
        let by_age = by_mass * effect * (hazard(age + more) - hazard(age));
        let variance =
            variance.max(0.0) + (by_age * self.component.heat_age_half_range_hours).powi(2) / 3.0;
        variance.sqrt() / (risk + drifting.map_or(0.0, |d| d.crossing_risk(age, more)))
    }
}
