//! Rehearsals as the office uses them.
#![expect(clippy::unwrap_used, reason = "helpers of tests may stop the test")]

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use hotspell_domain::{ComponentClass, ComponentId, SiteId};
use hotspell_reliability::ensemble::HeatEnsemble;
use hotspell_reliability::priors::{LocalHeat, Priors};
use hotspell_reliability::rehearsal::{
    Plan, PlannedVisit, Rehearsal, RehearsalError, RehearsalInput, VisitEffect, rehearse,
};
use hotspell_reliability::risk_model::{FitInput, RiskModel, fit};
use hotspell_reliability::score::{ComponentState, ScoreInput, score};

const CAPACITOR: ComponentClass = ComponentClass::RunCapacitorDual;
const DAYS: usize = 100;

fn model() -> RiskModel {
    let heat = LocalHeat {
        equivalent_hours_per_year: ComponentClass::ALL.iter().map(|&c| (c, 900.0)).collect(),
    };
    let priors = Priors::default();
    let input =
        FitInput { histories: &[], covariate_names: &[], local_heat: &heat, priors: &priors };
    fit(input).unwrap().model
}

fn parts(count: i64) -> Vec<ComponentState> {
    (0..count)
        .map(|i| ComponentState {
            component: ComponentId(i),
            site: SiteId(i / 2),
            class: CAPACITOR,
            covariates: Vec::new(),
            heat_age_hours: f64::from(u32::try_from(i % 12).unwrap()) * 900.0,
            heat_age_half_range_hours: 0.0,
            heat_rate: 1.0,
            readings: Vec::new(),
            conditions: Vec::new(),
        })
        .collect()
}

fn ensemble() -> HeatEnsemble {
    let paths: Vec<Vec<f64>> = (0..5)
        .map(|p| {
            (1..=DAYS)
                .map(|d| f64::from(u32::try_from(d).unwrap()) * (7.0 + f64::from(p)))
                .collect()
        })
        .collect();
    HeatEnsemble::new(&paths).unwrap()
}

fn run(plans: &[Plan], replicates: usize, threads: usize) -> Rehearsal {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    let components = parts(300);
    pool.install(|| {
        rehearse(
            RehearsalInput {
                model: &model(),
                drift: &BTreeMap::new(),
                components: &components,
                past: &BTreeMap::new(),
                ensembles: &[(CAPACITOR, ensemble())].into(),
                plans,
                daily_capacity: &[1.0; DAYS],
                replicates,
                seed: 11,
            },
            &|_| (),
            &AtomicBool::new(false),
        )
        .unwrap()
    })
}

fn swap_oldest(day: usize) -> Plan {
    Plan {
        name: "swap the oldest".to_owned(),
        visits: (0..300)
            .filter(|i| i % 12 >= 8)
            .map(|component| PlannedVisit { component, day, effect: VisitEffect::Swap })
            .collect(),
    }
}

#[test]
fn the_same_seed_gives_the_same_season_on_any_number_of_threads() {
    let plans = [swap_oldest(5)];
    assert_eq!(run(&plans, 200, 1), run(&plans, 200, 3));
}

#[test]
fn swapping_the_oldest_parts_before_the_heat_avoids_calls_and_late_swaps_avoid_fewer() {
    let found = run(&[swap_oldest(1), swap_oldest(60)], 400, 2);
    let avoided = |plan: usize| found.plans[plan].calls_avoided.mean;
    assert!(avoided(0).abs() < 1e-12);
    assert!(avoided(1) > avoided(2) && avoided(2) > 0.0, "{} {}", avoided(1), avoided(2));
    assert!(found.plans[1].days_over_capacity.mean < found.plans[0].days_over_capacity.mean);
}

#[test]
fn a_check_that_finds_nothing_changes_nothing_and_one_that_finds_all_nearly_equals_a_swap() {
    let check = |detection: f64| Plan {
        name: format!("check {detection}"),
        visits: (0..300)
            .map(|component| PlannedVisit {
                component,
                day: 0,
                effect: VisitEffect::Check { detection },
            })
            .collect(),
    };
    let found = run(&[check(0.0), check(1.0)], 200, 2);
    assert_eq!(found.plans[1].calls, found.plans[0].calls);
    assert!(found.plans[2].calls.mean < 0.1 * found.plans[0].calls.mean);
}

#[test]
fn the_mean_number_of_calls_agrees_with_the_scores() {
    let components = parts(300);
    let model = model();
    let ensembles: BTreeMap<_, _> = [(CAPACITOR, ensemble())].into();
    let scores = score(ScoreInput {
        model: &model,
        drift: &BTreeMap::new(),
        components: &components,
        past: &[],
        ensembles: &ensembles,
        reference_hours: &BTreeMap::new(),
        reason_date: DAYS - 1,
        confidence: 0.9,
    })
    .unwrap();
    let expected: f64 = scores.iter().map(|s| s.probability[DAYS - 1]).sum();
    // The scores hold the parameters at their centre; the rehearsal draws them. With them held
    // here too (no covariance) only the rare second failures and Monte Carlo error remain.
    let mut held = model;
    held.covariance = hotspell_reliability::matrix::Matrix::zeros(held.covariance.size());
    let found = rehearse(
        RehearsalInput {
            model: &held,
            drift: &BTreeMap::new(),
            components: &components,
            past: &BTreeMap::new(),
            ensembles: &ensembles,
            plans: &[],
            daily_capacity: &[1.0; DAYS],
            replicates: 2000,
            seed: 3,
        },
        &|_| (),
        &AtomicBool::new(false),
    )
    .unwrap();
    let mean = found.plans[0].calls.mean;
    assert!((mean / expected - 1.0).abs() < 0.02, "{mean} {expected}");
}

#[test]
fn a_cancelled_rehearsal_stops_and_says_how_far_it_came() {
    let cancel = AtomicBool::new(false);
    let seen = AtomicUsize::new(0);
    let components = parts(300);
    let stop = |done: usize| {
        seen.fetch_max(done, Ordering::Relaxed);
        if done >= 20 {
            cancel.store(true, Ordering::Relaxed);
        }
    };
    let outcome = rehearse(
        RehearsalInput {
            model: &model(),
            drift: &BTreeMap::new(),
            components: &components,
            past: &BTreeMap::new(),
            ensembles: &[(CAPACITOR, ensemble())].into(),
            plans: &[],
            daily_capacity: &[1.0; DAYS],
            replicates: 10_000,
            seed: 3,
        },
        &stop,
        &cancel,
    );
    assert!(matches!(outcome, Err(RehearsalError::Cancelled { replicates: 10_000, .. })));
    assert!(seen.load(Ordering::Relaxed) < 1000);
}
