//! Why a score is what it is: contributions that add up to its log cumulative risk.

use super::readings::{Drifting, last_reading};
use super::scorer::Scorer;
use crate::reason::{Reason, ReasonKind, sort};
use crate::risk_model::ClassModel;

impl Scorer<'_> {
    pub(super) fn reasons(
        &self,
        probability: &[f64],
        drifting: Option<&Drifting>,
        effect: f64,
    ) -> (Option<f64>, Option<f64>, Vec<Reason>) {
        let hours = self.averages.mean_hours[self.input.reason_date];
        let log_risk = (-(-probability[self.input.reason_date]).ln_1p()).ln();
        if hours <= 0.0 || !log_risk.is_finite() {
            return (None, None, Vec::new());
        }
        let law = self.law;
        let prior_law = law.prior_law();
        let reference_hours = self
            .input
            .reference_hours
            .get(&law.class)
            .copied()
            .unwrap_or(0.5 * prior_law.scale_hours);
        let mass = |law: &ClassModel, age: f64, more: f64| law.hazard_between(age, more).ln();
        let age = self.component.heat_age_hours;
        let rate = self.component.heat_rate;
        let baseline = mass(&prior_law, reference_hours, hours);
        let mut reasons: Vec<(ReasonKind, f64)> = vec![
            (
                ReasonKind::BranchRecords {
                    failures: law.failures,
                    scale_hours: law.scale_hours,
                    trade_scale_hours: law.prior_scale_hours,
                },
                mass(law, reference_hours, hours) - baseline,
            ),
            (
                ReasonKind::HeatAge { hours: age, reference_hours },
                mass(law, age, hours) - mass(law, reference_hours, hours),
            ),
        ];
        if (rate - 1.0).abs() > 1e-12 {
            reasons.push((
                ReasonKind::HeatRate { rate },
                mass(law, age, hours * rate) - mass(law, age, hours),
            ));
        }
        let model = self.input.model;
        for ((name, b), x) in
            model.covariate_names.iter().zip(&model.coefficients).zip(&self.component.covariates)
        {
            if *x != 0.0 {
                let what = ReasonKind::Covariate { name: name.clone(), value: *x };
                reasons.push((what, b * x));
            }
        }
        self.site_reasons(&mut reasons);
        self.drift_reason(&mut reasons, drifting, hours, effect);
        let explained: f64 = baseline + reasons.iter().map(|(_, w)| w).sum::<f64>();
        reasons.push((ReasonKind::Uncertainty, log_risk - explained));
        let mut reasons: Vec<Reason> =
            reasons.into_iter().map(|(what, w)| Reason { what, weight: Some(w) }).collect();
        for &condition in &self.component.conditions {
            reasons.push(Reason { what: ReasonKind::Seen { condition }, weight: Some(0.0) });
        }
        sort(&mut reasons);
        (Some(baseline), Some(log_risk), reasons)
    }

    /// The site's mean frailty `(1 + theta D) / (1 + theta H)`, split into its two logarithms.
    fn site_reasons(&self, reasons: &mut Vec<(ReasonKind, f64)>) {
        let theta = self.input.model.frailty_variance;
        let site = self.site;
        if site.failures > 0 {
            reasons.push((
                ReasonKind::SiteFailures { failures: site.failures },
                (theta * f64::from(site.failures)).ln_1p(),
            ));
        }
        reasons.push((
            ReasonKind::SiteSurvival { parts: site.parts, expected_failures: site.hazard },
            -(theta * site.hazard).ln_1p(),
        ));
    }

    fn drift_reason(
        &self,
        reasons: &mut Vec<(ReasonKind, f64)>,
        drifting: Option<&Drifting>,
        hours: f64,
        effect: f64,
    ) {
        let worst = (0..=1)
            .filter_map(|section| last_reading(self.component, section))
            .min_by(|a, b| a.deviation_percent.total_cmp(&b.deviation_percent));
        if let (Some(drifting), Some(worst)) = (drifting, worst) {
            let with = self.cumulative_risk(hours, Some(drifting), effect);
            let without = self.cumulative_risk(hours, None, effect);
            let steepest =
                drifting.lines.iter().map(|line| line.slope_percent).fold(f64::INFINITY, f64::min);
            let what = ReasonKind::Drift {
                readings: self.component.readings.len(),
                last_percent: worst.deviation_percent,
                percent_per_kilohour: steepest,
                limit_percent: drifting.limit_percent,
            };
            reasons.push((what, (with / without).ln()));
        }
    }
}
