//! Speed of the engine at the size of a large branch:
//! `cargo bench -p hotspell-reliability`.
//!
//! Asked for on two cores: scoring 100,000 components over 30 weather years and 26 weeks in under
//! 1 s; fitting 100,000 left-truncated censored lifetimes with 8 covariates and 30,000 frailty
//! groups in under 10 s; rehearsing 20,000 components x 1,000 replicates in under 10 s.
#![expect(clippy::unwrap_used, reason = "a benchmark stops when its data are wrong")]

use std::collections::BTreeMap;
use std::hint::black_box;
use std::ops::ControlFlow;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use hotspell_domain::{ComponentClass, ComponentId, SiteId};
use hotspell_reliability::drift::{DriftModel, DriftReading};
use hotspell_reliability::ensemble::HeatEnsemble;
use hotspell_reliability::frailty_fit::{FrailtyUnit, fit_weibull_frailty};
use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::priors::{LocalHeat, Priors};
use hotspell_reliability::rehearsal::{Plan, PlannedVisit, RehearsalInput, VisitEffect, rehearse};
use hotspell_reliability::risk_model::{FitInput, RiskModel, fit};
use hotspell_reliability::score::{ComponentState, ScoreInput, score};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const YEAR: f64 = 900.0;

fn model() -> RiskModel {
    let local_heat = LocalHeat {
        equivalent_hours_per_year: ComponentClass::ALL.iter().map(|&c| (c, YEAR)).collect(),
    };
    let names = ["sun".to_owned(), "log voltage ratio".to_owned()];
    let priors = Priors::default();
    fit(FitInput {
        histories: &[],
        covariate_names: &names,
        local_heat: &local_heat,
        priors: &priors,
    })
    .unwrap()
    .model
}

fn components(count: i64) -> Vec<ComponentState> {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    (0..count)
        .map(|i| ComponentState {
            component: ComponentId(i),
            site: SiteId(i / 4),
            class: ComponentClass::ALL[usize::try_from(i % 6).unwrap()],
            covariates: vec![f64::from(rng.random::<bool>()), 0.04 * rng.random::<f64>()],
            heat_age_hours: 12.0 * YEAR * rng.random::<f64>(),
            heat_age_half_range_hours: 0.0,
            heat_rate: 0.8 + 0.6 * rng.random::<f64>(),
            readings: Vec::new(),
            conditions: Vec::new(),
        })
        .collect()
}

fn ensembles(paths: u32, dates: u32) -> BTreeMap<ComponentClass, HeatEnsemble> {
    let heat: Vec<Vec<f64>> = (0..paths)
        .map(|p| {
            let season = YEAR * (0.8 + 0.4 * f64::from(p) / f64::from(paths));
            (1..=dates).map(|d| season * f64::from(d) / f64::from(dates)).collect()
        })
        .collect();
    let ensemble = HeatEnsemble::new(&heat).unwrap();
    ComponentClass::ALL.iter().map(|&class| (class, ensemble.clone())).collect()
}

fn score_a_large_branch(c: &mut Criterion) {
    let plain = components(100_000);
    score_with(c, "score 100,000 components, 30 weather years, 26 weeks", &plain);
    let mut read = plain;
    for component in read.iter_mut().filter(|c| c.class.is_run_capacitor()) {
        let age = component.heat_age_hours;
        component.readings = (1..=3)
            .map(|n| DriftReading {
                section: 0,
                heat_age_hours: age * f64::from(n) / 3.0,
                deviation_percent: -age * f64::from(n) / 4500.0,
            })
            .collect();
    }
    score_with(c, "the same, every capacitor (a third) measured three times", &read);
}

fn score_with(c: &mut Criterion, name: &str, components: &[ComponentState]) {
    let (model, ensembles) = (model(), ensembles(30, 26));
    let drift: BTreeMap<_, _> = ComponentClass::ALL
        .iter()
        .filter(|class| class.is_run_capacitor())
        .map(|&class| (class, DriftModel::prior(10.0 * YEAR)))
        .collect();
    c.bench_function(name, |b| {
        b.iter(|| {
            score(ScoreInput {
                model: &model,
                drift: &drift,
                components: black_box(components),
                past: &[],
                ensembles: &ensembles,
                reference_hours: &BTreeMap::new(),
                reason_date: 25,
                confidence: 0.9,
            })
            .unwrap()
        });
    });
}

fn fit_a_large_table(c: &mut Criterion) {
    let units = lifetimes(100_000, 30_000);
    c.bench_function("fit 100,000 lifetimes, 8 covariates, 30,000 frailty groups", |b| {
        b.iter(|| fit_weibull_frailty(black_box(&units), false).unwrap());
    });
}

/// Left-truncated, right-censored lifetimes with a shared frailty, as in `tests/peers`.
fn lifetimes(count: usize, groups: usize) -> Vec<FrailtyUnit> {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let frailties: Vec<f64> =
        (0..groups).map(|_| -0.5 * (rng.random::<f64>() * rng.random::<f64>()).ln()).collect();
    let mut units = Vec::with_capacity(count);
    while units.len() < count {
        let group = units.len() % groups;
        let covariates: Vec<f64> = (0..8).map(|_| rng.random::<f64>() - 0.5).collect();
        let effect: f64 =
            covariates.iter().enumerate().map(|(j, x)| x * (0.4 - 0.1 * j as f64)).sum();
        let speed = frailties[group] * effect.exp();
        let life = 12.0 * (-rng.random::<f64>().ln() / speed).powf(1.0 / 3.0);
        let entry = 8.0 * rng.random::<f64>();
        if life <= entry {
            continue;
        }
        let until = entry + 5.0;
        let (lower, upper) = if life > until { (until, None) } else { (life, Some(life)) };
        let lifetime = Lifetime::from_bounds(entry, Some(lower), upper, 1.0).unwrap();
        units.push(FrailtyUnit { group: format!("{group}"), lifetime, covariates });
    }
    units
}

fn rehearse_a_season(c: &mut Criterion) {
    let (model, components, ensembles) = (model(), components(20_000), ensembles(30, 180));
    let plan = Plan {
        name: "spring checks".to_owned(),
        visits: (0..20_000)
            .map(|component| PlannedVisit {
                component,
                day: component % 60,
                effect: VisitEffect::Check { detection: 0.5 },
            })
            .collect(),
    };
    c.bench_function(
        "rehearse 20,000 components, 1,000 replicates, with and without a plan",
        |b| {
            b.iter(|| {
                rehearse(
                    RehearsalInput {
                        model: &model,
                        drift: &BTreeMap::new(),
                        components: black_box(&components),
                        past: &BTreeMap::new(),
                        ensembles: &ensembles,
                        plans: core::slice::from_ref(&plan),
                        daily_capacity: &[25.0; 180],
                        replicates: 1000,
                        seed: 1,
                    },
                    &|_, _| ControlFlow::Continue(()),
                )
                .unwrap()
            });
        },
    );
}

criterion_group! {
    name = engine;
    config = Criterion::default()
        .sample_size(10)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(5));
    targets = score_a_large_branch, fit_a_large_table, rehearse_a_season
}
criterion_main!(engine);
