//! The shared-frailty likelihood against numerical integration and differences.
#![expect(clippy::unwrap_used, reason = "helpers of tests may stop the test")]

use hotspell_reliability::frailty_law::FrailtyLaw;
use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::shared_frailty::{GroupedLifetimes, GroupedUnit, Layout};
use proptest::prelude::*;
use statrs::function::gamma::ln_gamma;

/// Group, class, entry, lower, upper, covariate.
type Row = (usize, usize, f64, Option<f64>, Option<f64>, Vec<f64>);

fn units(rows: &[Row]) -> GroupedLifetimes {
    let built: Vec<GroupedUnit<'_>> = rows
        .iter()
        .map(|(group, class, entry, lower, upper, x)| GroupedUnit {
            group: *group,
            class: *class,
            lifetime: Lifetime::from_bounds(*entry, *lower, *upper, 1.0).unwrap(),
            covariates: x,
        })
        .collect();
    GroupedLifetimes::new(Layout { classes: 2, covariates: 1 }, &built)
}

fn mixed() -> GroupedLifetimes {
    units(&[
        (0, 0, 0.0, Some(3.0), Some(3.0), vec![0.4]),
        (0, 1, 1.0, Some(5.0), Some(8.0), vec![-0.2]),
        (0, 0, 2.0, Some(6.0), None, vec![1.0]),
        (1, 1, 0.5, None, Some(4.0), vec![0.1]),
        (1, 1, 0.0, Some(7.0), Some(7.5), vec![0.3]),
        (1, 0, 0.0, Some(2.0), Some(2.002), vec![-1.0]),
        (2, 0, 3.0, Some(9.0), None, vec![0.0]),
    ])
}

proptest! {
    #[test]
    fn derivatives_agree_with_differences(
        eta0 in 1.0_f64..3.0, eta1 in 1.0_f64..3.0, k0 in 0.0_f64..1.2, k1 in 0.0_f64..1.2,
        beta in -1.0_f64..1.0, theta in -4.0_f64..1.0, log_normal: bool,
    ) {
        let law = if log_normal { FrailtyLaw::LogNormal } else { FrailtyLaw::Gamma };
        let data = mixed().under(law);
        let point = [eta0, eta1, k0, k1, beta, theta];
        let here = data.evaluate(&point);
        for i in 0..point.len() {
            let step = 1e-5;
            let moved = |by: f64| {
                let mut p = point;
                p[i] += by;
                data.evaluate(&p)
            };
            let (up, down) = (moved(step), moved(-step));
            let slope = (up.value - down.value) / (2.0 * step);
            prop_assert!((slope - here.gradient[i]).abs() < 1e-5 * (1.0 + slope.abs()), "{i}");
            for j in 0..point.len() {
                let bend = (up.gradient[j] - down.gradient[j]) / (2.0 * step);
                let exact = here.hessian.get(i, j);
                prop_assert!((bend - exact).abs() < 1e-4 * (1.0 + bend.abs()), "{i} {j} {bend} {exact}");
            }
        }
    }
}

const THETA: f64 = 0.7;

#[test]
fn a_gamma_frailty_is_integrated_exactly() {
    let norm = ln_gamma(1.0 / THETA) + THETA.ln() / THETA;
    check_integral(FrailtyLaw::Gamma, &|w| (w - w.exp()) / THETA - norm);
}

#[test]
fn a_log_normal_frailty_is_integrated_exactly() {
    let norm = 0.5 * (2.0 * core::f64::consts::PI * THETA).ln();
    check_integral(FrailtyLaw::LogNormal, &|w| -w * w / (2.0 * THETA) - norm);
}

/// Against a trapezium over the logarithm `w` of the frailty, 40 000 steps: error below 1e-10
/// here.
fn check_integral(law: FrailtyLaw, log_density: &dyn Fn(f64) -> f64) {
    let data = mixed().under(law);
    let (theta, beta) = (THETA, 0.5_f64);
    let (scale, shape) = ([6.0_f64, 9.0], [2.2_f64, 1.4]);
    let point = [scale[0].ln(), scale[1].ln(), shape[0].ln(), shape[1].ln(), beta, theta.ln()];
    let hazard =
        |class: usize, t: f64, x: f64| (t / scale[class]).powf(shape[class]) * (beta * x).exp();
    let slope = |class: usize, t: f64, x: f64| shape[class] / t * hazard(class, t, x);
    let mean = |f: &dyn Fn(f64) -> f64| {
        let step = 70.0 / 40_000.0;
        (0..40_000)
            .map(|i| {
                let w = -60.0 + step * f64::from(i);
                step * log_density(w).exp() * f(w.exp())
            })
            .sum::<f64>()
    };
    let survive = |u: f64, h: f64| (-u * h).exp();
    let group0 = mean(&|u| {
        u * slope(0, 3.0, 0.4)
            * survive(u, hazard(0, 3.0, 0.4))
            * (survive(u, hazard(1, 5.0, -0.2)) - survive(u, hazard(1, 8.0, -0.2)))
            * survive(u, hazard(0, 6.0, 1.0))
    }) / mean(&|u| survive(u, hazard(1, 1.0, -0.2) + hazard(0, 2.0, 1.0)));
    let group1 = mean(&|u| {
        (survive(u, hazard(1, 0.5, 0.1)) - survive(u, hazard(1, 4.0, 0.1)))
            * (survive(u, hazard(1, 7.0, 0.3)) - survive(u, hazard(1, 7.5, 0.3)))
            * (survive(u, hazard(0, 2.0, -1.0)) - survive(u, hazard(0, 2.002, -1.0)))
    }) / mean(&|u| survive(u, hazard(1, 0.5, 0.1)));
    let group2 =
        mean(&|u| survive(u, hazard(0, 9.0, 0.0))) / mean(&|u| survive(u, hazard(0, 3.0, 0.0)));
    let expected = group0.ln() + group1.ln() + group2.ln();
    let got = data.evaluate(&point).value;
    assert!((got - expected).abs() < 2e-7, "{got} {expected}");
}
