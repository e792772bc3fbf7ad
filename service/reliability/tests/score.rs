//! What the office sees: risk, interval and reasons of components.
#![expect(clippy::unwrap_used, reason = "helpers of tests may stop the test")]

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, ComponentId, Condition, SiteId};
use hotspell_reliability::drift::{DriftModel, DriftReading};
use hotspell_reliability::ensemble::HeatEnsemble;
use hotspell_reliability::history::{ComponentHistory, HistoryEnd};
use hotspell_reliability::priors::{LocalHeat, Priors};
use hotspell_reliability::reason::ReasonKind;
use hotspell_reliability::risk_model::{FitInput, FitMethod, FittedRiskModel, fit};
use hotspell_reliability::score::{
    ComponentScore, ComponentState, PastPart, ScoreInput, risk_by_path, score,
};

const CAPACITOR: ComponentClass = ComponentClass::RunCapacitorDual;
const YEARLY_HOURS: f64 = 900.0;

fn local_heat() -> LocalHeat {
    LocalHeat {
        equivalent_hours_per_year: ComponentClass::ALL.iter().map(|&c| (c, YEARLY_HOURS)).collect(),
    }
}

fn fitted(histories: &[ComponentHistory]) -> FittedRiskModel {
    fit(FitInput {
        histories,
        covariate_names: &["sun".to_owned()],
        local_heat: &local_heat(),
        priors: &Priors::default(),
    })
    .unwrap()
}

fn history(id: i64, site: i64, end: HistoryEnd) -> ComponentHistory {
    ComponentHistory {
        component: ComponentId(id),
        site: SiteId(site),
        class: CAPACITOR,
        covariates: vec![0.0],
        entry_age: 0.0,
        end,
        age_half_range: 0.0,
        earlier_parts_unknown: false,
    }
}

fn component(id: i64, years: f64) -> ComponentState {
    ComponentState {
        component: ComponentId(id),
        site: SiteId(1),
        class: CAPACITOR,
        covariates: vec![0.0],
        heat_age_hours: years * YEARLY_HOURS,
        heat_age_half_range_hours: 0.0,
        heat_rate: 1.0,
        readings: Vec::new(),
        conditions: Vec::new(),
    }
}

fn scores(
    model: &FittedRiskModel,
    components: &[ComponentState],
    past: &[PastPart],
) -> Vec<ComponentScore> {
    with_input(model, components, past, |input| score(input).unwrap())
}

/// Ten summers of 26 weeks, the hottest a third hotter than the mildest.
fn with_input<T>(
    model: &FittedRiskModel,
    components: &[ComponentState],
    past: &[PastPart],
    run: impl Fn(ScoreInput<'_>) -> T,
) -> T {
    let paths: Vec<Vec<f64>> =
        (0..10).map(|p| (1..=26).map(|w| f64::from(w) * (28.0 + f64::from(p))).collect()).collect();
    let ensemble = HeatEnsemble::new(&paths).unwrap();
    let drift: BTreeMap<_, _> = [(CAPACITOR, DriftModel::prior(10.0 * YEARLY_HOURS))].into();
    run(ScoreInput {
        model: &model.model,
        drift: &drift,
        components,
        past,
        ensembles: &ComponentClass::ALL.iter().map(|&c| (c, ensemble.clone())).collect(),
        reference_hours: &BTreeMap::new(),
        reason_date: 25,
        confidence: 0.9,
    })
}

fn past(years: f64, failed: bool) -> PastPart {
    PastPart {
        site: SiteId(1),
        class: CAPACITOR,
        covariates: vec![0.0],
        heat_age_hours: years * YEARLY_HOURS,
        failed,
    }
}

fn last(score: &ComponentScore) -> f64 {
    *score.probability.last().unwrap()
}

#[test]
fn without_any_record_the_trades_life_range_speaks() {
    let model = fitted(&[]);
    assert_eq!(model.model.method, FitMethod::MaximumAPosteriori);
    assert!((model.model.class(CAPACITOR).unwrap().scale_hours - 9000.0).abs() < 1e-6);
    let score = &scores(&model, &[component(1, 8.0)], &[])[0];
    assert!(last(score) > 0.05 && last(score) < 0.5, "{}", last(score));
    assert!(score.lower[25] < last(score) && last(score) < score.upper[25]);
}

#[test]
fn an_age_that_is_known_less_well_gives_wider_bounds_and_the_same_middle() {
    let model = fitted(&[]);
    let known = component(1, 8.0);
    let unknown = ComponentState { heat_age_half_range_hours: 4.0 * YEARLY_HOURS, ..known.clone() };
    let (known, unknown) = (&scores(&model, &[known], &[])[0], &scores(&model, &[unknown], &[])[0]);
    assert!((last(known) - last(unknown)).abs() < 1e-15);
    assert!(unknown.lower[25] < known.lower[25] && unknown.upper[25] > known.upper[25]);
}

#[test]
fn a_twins_failure_raises_the_sisters_risk_at_once_and_the_reason_says_so() {
    let model = fitted(&[]);
    let calm = &scores(&model, &[component(1, 7.0)], &[])[0];
    let alarmed = &scores(&model, &[component(1, 7.0)], &[past(7.0, true)])[0];
    assert!(last(alarmed) > 1.2 * last(calm), "{} {}", last(alarmed), last(calm));
    assert!(alarmed.site_frailty > calm.site_frailty);
    let failures = ReasonKind::SiteFailures { failures: 1 };
    assert!(alarmed.reasons.iter().any(|r| r.what == failures && r.weight.unwrap() > 0.0));
}

#[test]
fn a_twin_found_bulged_counts_as_a_failure_for_its_sister() {
    let model = fitted(&[]);
    let mut twin = component(2, 7.0);
    let calm = scores(&model, &[component(1, 7.0), twin.clone()], &[]);
    twin.conditions.push(Condition::Bulged);
    let alarmed = scores(&model, &[component(1, 7.0), twin], &[]);
    assert!(last(&alarmed[0]) > last(&calm[0]));
    assert!(alarmed[1].failed_already);
    assert!((last(&alarmed[1]) - 1.0).abs() < 1e-15);
}

#[test]
fn a_twin_that_has_lasted_lowers_the_risk() {
    let model = fitted(&[]);
    let alone = &scores(&model, &[component(1, 7.0)], &[])[0];
    let with_twin = &scores(&model, &[component(1, 7.0), component(2, 12.0)], &[])[0];
    assert!(last(with_twin) < last(alone));
}

#[test]
fn heat_age_raises_risk_and_probability_rises_through_the_season() {
    let model = fitted(&[]);
    let young = &scores(&model, &[component(1, 2.0)], &[])[0];
    let old = &scores(&model, &[component(1, 10.0)], &[])[0];
    assert!(last(old) > 3.0 * last(young));
    assert!(old.probability.windows(2).all(|pair| pair[1] >= pair[0]));
    assert!(old.expected_heat_left_hours.unwrap() < young.expected_heat_left_hours.unwrap());
}

#[test]
fn contributions_add_up_to_the_log_risk() {
    let model = fitted(&[history(1, 5, HistoryEnd::FailedAt { age: 4000.0 })]);
    let mut part = component(1, 8.0);
    part.covariates = vec![1.0];
    part.heat_rate = 1.3;
    part.readings = vec![
        DriftReading { section: 0, heat_age_hours: 5000.0, deviation_percent: -2.0 },
        DriftReading { section: 0, heat_age_hours: 7000.0, deviation_percent: -6.5 },
    ];
    let score = &scores(&model, &[part], &[past(6.0, true)])[0];
    let sum: f64 = score.reasons.iter().filter_map(|r| r.weight).sum();
    let log_risk = (-(-last(score)).ln_1p()).ln();
    assert!((score.baseline_log_risk.unwrap() + sum - log_risk).abs() < 1e-9);
    // The remainder that averaging leaves must not do the explaining.
    let rest = score.reasons.iter().find(|r| r.what == ReasonKind::Uncertainty).unwrap();
    assert!(rest.weight.unwrap().abs() < 0.15, "{:?}", rest.weight);
    assert!(score.reasons.len() >= 7, "{:?}", score.reasons);
}

#[test]
fn good_readings_lower_and_falling_readings_raise_the_risk() {
    let model = fitted(&[]);
    let read = |values: &[(f64, f64)]| {
        let mut part = component(1, 7.0);
        part.readings = values
            .iter()
            .map(|&(years, deviation_percent)| DriftReading {
                section: 0,
                heat_age_hours: years * YEARLY_HOURS,
                deviation_percent,
            })
            .collect();
        last(&scores(&model, &[part], &[])[0])
    };
    let unread = read(&[]);
    let steady = read(&[(3.0, 0.5), (5.0, 0.0), (7.0, -0.5)]);
    let falling = read(&[(3.0, -2.0), (5.0, -5.5), (7.0, -9.3)]);
    assert!(steady < unread && unread < falling, "{steady} {unread} {falling}");
}

#[test]
fn probabilities_are_the_plain_mean_over_the_summers_with_readings_or_without() {
    let model = fitted(&[history(1, 5, HistoryEnd::FailedAt { age: 4000.0 })]);
    let mut steep = component(1, 7.0);
    steep.readings = (2..=6)
        .map(|year| DriftReading {
            section: 0,
            heat_age_hours: f64::from(year) * YEARLY_HOURS,
            deviation_percent: -1.45 * f64::from(year),
        })
        .collect();
    let parts = [steep, component(2, 7.0), component(3, 0.0)];
    let found = scores(&model, &parts, &[past(6.0, true)]);
    for date in 0..26 {
        let by_path = with_input(&model, &parts, &[past(6.0, true)], |input| {
            risk_by_path(input, date).unwrap()
        });
        for (score, risk) in found.iter().zip(by_path) {
            let of_path = |(mass, other): (&f64, &f64)| {
                -(-risk.frailty.cumulative_risk(*mass) - other).exp_m1()
            };
            let mean =
                risk.hazard_mass.iter().zip(&risk.other_risk).map(of_path).sum::<f64>() / 10.0;
            let off = (score.probability[date] - mean).abs();
            assert!(off < 1e-5, "part {}, date {date}: off by {off}", score.component);
        }
    }
}

#[test]
fn a_reading_below_the_out_limit_is_a_failure() {
    let model = fitted(&[]);
    let mut part = component(1, 7.0);
    part.readings.push(DriftReading {
        section: 1,
        heat_age_hours: 6300.0,
        deviation_percent: -10.5,
    });
    let score = &scores(&model, &[part], &[])[0];
    assert!(score.failed_already);
    assert!(score.reasons[0].sentence().contains("the part is out"));
}

#[test]
fn many_early_failures_shorten_the_scale_and_a_class_without_any_follows_half_way() {
    let mut histories = Vec::new();
    for i in 0..60 {
        let age = 2500.0 + 40.0 * f64::from(i);
        histories.push(history(i64::from(i), i64::from(i), HistoryEnd::FailedAt { age }));
    }
    let model = fitted(&histories);
    let scale = |class| {
        let law = model.model.class(class).unwrap();
        (law.scale_hours / law.prior_scale_hours).ln()
    };
    let (read, other) = (scale(CAPACITOR), scale(ComponentClass::RunCapacitorSingle));
    assert!(read < -0.5, "{read}");
    assert!((other / read - 0.5).abs() < 0.01, "{other} {read}");
}

#[test]
fn a_model_survives_the_run_record() {
    let model = fitted(&[history(1, 5, HistoryEnd::StillWorking { age: 4000.0 })]);
    let text = serde_json::to_string(&model).unwrap();
    let back: FittedRiskModel = serde_json::from_str(&text).unwrap();
    assert!((back.model.frailty_variance - model.model.frailty_variance).abs() < 1e-15);
    assert_eq!(back.model.classes.len(), model.model.classes.len());
}
