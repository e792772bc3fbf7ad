//! A backtest on simulated branches: one whose parts obey the model, one whose season surprises.
#![expect(clippy::unwrap_used, reason = "helpers of tests may stop the test")]

use std::collections::BTreeMap;

use hotspell_domain::{ComponentClass, ComponentId, SiteId};
use hotspell_reliability::backtest::{Fold, SeasonEnd, Verdict, backtest, known_at};
use hotspell_reliability::ensemble::HeatEnsemble;
use hotspell_reliability::history::{ComponentHistory, HistoryEnd};
use hotspell_reliability::priors::{LocalHeat, Priors};
use hotspell_reliability::score::{ComponentState, PastPart};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, Gamma};

const CAPACITOR: ComponentClass = ComponentClass::RunCapacitorDual;
const YEAR: f64 = 900.0;
const MONTHS: usize = 6;

fn history(site: i64, id: i64, entry_age: f64, end: HistoryEnd) -> ComponentHistory {
    ComponentHistory {
        component: ComponentId(id),
        site: SiteId(site),
        class: CAPACITOR,
        covariates: Vec::new(),
        entry_age,
        end,
        age_half_range: 0.0,
        earlier_parts_unknown: false,
    }
}

/// Frailty variance of the simulated sites.
const VARIANCE: f64 = 0.5;

/// Sites of two parts each that obey the model: taken over five years ago because both parts
/// worked then. `hurry` speeds up the predicted season alone.
fn fold(sites: i64, hurry: f64, seed: u64) -> Fold {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let law = Gamma::new(1.0 / VARIANCE, VARIANCE).unwrap();
    let mut fold = empty_fold(seed);
    let mut site = 0;
    while site < sites {
        let entry = rng.random::<f64>() * 8.0 * YEAR;
        let frailty = law.sample(&mut rng);
        let mut life = || {
            let exponential: f64 = rng.sample(Exp1);
            10.0 * YEAR * (exponential / frailty).powf(1.0 / 3.0)
        };
        let lives = [life(), life()];
        if lives.iter().any(|life| *life <= entry) {
            continue;
        }
        site += 1;
        for (part, life) in (0..).zip(lives) {
            add_part(&mut fold, (site, 2 * site + part), (entry, life), hurry);
        }
    }
    fold
}

fn add_part(fold: &mut Fold, (site, id): (i64, i64), (entry, life): (f64, f64), hurry: f64) {
    let origin = entry + 5.0 * YEAR;
    if life <= origin {
        fold.histories.push(history(site, id, entry, HistoryEnd::FailedAt { age: life }));
        fold.past.push(PastPart {
            site: SiteId(site),
            class: CAPACITOR,
            covariates: Vec::new(),
            heat_age_hours: life,
            failed: true,
        });
        return;
    }
    fold.histories.push(history(site, id, entry, HistoryEnd::StillWorking { age: origin }));
    fold.components.push(ComponentState {
        component: ComponentId(id),
        site: SiteId(site),
        class: CAPACITOR,
        covariates: Vec::new(),
        heat_age_hours: origin,
        heat_age_half_range_hours: 0.0,
        heat_rate: 1.0,
        readings: Vec::new(),
        conditions: Vec::new(),
    });
    let month = ((life - origin) / (YEAR * hurry / 6.0)).floor();
    let date = (0..MONTHS).find(|m| (f64::from(u32::try_from(*m).unwrap()) - month).abs() < 0.5);
    fold.ends.push(date.map_or(SeasonEnd::Worked, |date| SeasonEnd::Failed { date }));
}

fn empty_fold(seed: u64) -> Fold {
    let path: Vec<f64> = (1..=6).map(|m| f64::from(m) * YEAR / 6.0).collect();
    let ensemble = HeatEnsemble::new(&[path]).unwrap();
    Fold {
        label: format!("{seed}"),
        histories: Vec::new(),
        past: Vec::new(),
        components: Vec::new(),
        drift: BTreeMap::new(),
        ends: Vec::new(),
        ensembles: [(CAPACITOR, ensemble)].into(),
        local_heat: LocalHeat {
            equivalent_hours_per_year: ComponentClass::ALL.iter().map(|&c| (c, YEAR)).collect(),
        },
    }
}

#[test]
fn a_branch_that_obeys_the_model_is_released() {
    let found =
        backtest(&[fold(1000, 1.0, 1), fold(1000, 1.0, 2)], None, &[], &Priors::default()).unwrap();
    assert_eq!(found.verdict, Verdict::Release, "{:#?}", found.pooled);
    assert_eq!(found.seasons.len(), 2);
    let gains = found.pooled.gains.unwrap();
    assert!(gains.model > 1.3 * gains.random, "{gains:?}");
    assert!(found.pooled.harrell.unwrap() > 0.55);
    let tenths: f64 = found.pooled.by_tenth.iter().map(|t| t.expected).sum();
    assert!((tenths - found.pooled.total.expected).abs() < 1e-9);
    let months: f64 = found.pooled.by_date.iter().map(|t| t.expected).sum();
    assert!((months - found.pooled.total.expected).abs() < 1e-9);
}

#[test]
fn a_season_twice_as_hard_as_predicted_is_refused_with_the_reason() {
    let found = backtest(&[fold(1000, 2.0, 3)], None, &[], &Priors::default()).unwrap();
    let Verdict::Refuse { reasons } = found.verdict else { panic!("{:?}", found.verdict) };
    assert!(reasons[0].contains("were expected"), "{reasons:?}");
}

#[test]
fn a_rival_that_knows_nothing_does_not_stop_the_model() {
    let own = fold(1000, 1.0, 1);
    let mut blind = own.clone();
    for part in &mut blind.components {
        part.heat_age_hours = 5.0 * YEAR;
    }
    let found = backtest(&[own], Some(&[blind]), &[], &Priors::default()).unwrap();
    assert_eq!(found.verdict, Verdict::Release);
    assert!(found.pooled.brier.unwrap() < found.pooled.brier_calendar_age.unwrap());
}

#[test]
fn a_small_branch_is_told_that_there_is_too_little_data() {
    let found = backtest(&[fold(15, 1.0, 4)], None, &[], &Priors::default()).unwrap();
    assert!(matches!(found.verdict, Verdict::TooLittleData { needed: 10, .. }));
}

#[test]
fn what_happened_after_the_origin_is_not_known_at_it() {
    let found_later =
        history(1, 1, 100.0, HistoryEnd::FoundFailed { last_good: 900.0, found: 1500.0 });
    let known = known_at(&found_later, 1200.0).unwrap();
    assert_eq!(known.end, HistoryEnd::StillWorking { age: 900.0 });
    assert_eq!(known_at(&found_later, 1600.0).unwrap().end, found_later.end);
    assert!(known_at(&found_later, 50.0).is_none());
}
