//! Rehearsals as the office uses them.
#![expect(clippy::unwrap_used, reason = "helpers of tests may stop the test")]

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicUsize, Ordering};

use hotspell_domain::{ComponentClass, ComponentId, SiteId};
use hotspell_reliability::ensemble::HeatEnsemble;
use hotspell_reliability::matrix::Matrix;
use hotspell_reliability::priors::{LocalHeat, Priors};
use hotspell_reliability::rehearsal::{
    Observer, Plan, PlannedVisit, Rehearsal, RehearsalError, RehearsalInput, VisitEffect, rehearse,
};
use hotspell_reliability::risk_model::{FitInput, RiskModel, fit};
use hotspell_reliability::score::{ComponentState, ScoreError, ScoreInput, score};

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

/// A season of 300 parts at 150 sites.
struct Season {
    model: RiskModel,
    parts: Vec<ComponentState>,
    heat: BTreeMap<ComponentClass, HeatEnsemble>,
    replicates: usize,
    seed: u64,
}

impl Season {
    fn new(replicates: usize) -> Self {
        let heat = [(CAPACITOR, ensemble())].into();
        Self { model: model(), parts: parts(300), heat, replicates, seed: 11 }
    }

    fn rehearse(
        &self,
        plans: &[Plan],
        observer: Observer<'_>,
    ) -> Result<Rehearsal, RehearsalError> {
        let input = RehearsalInput {
            model: &self.model,
            drift: &BTreeMap::new(),
            components: &self.parts,
            past: &BTreeMap::new(),
            ensembles: &self.heat,
            plans,
            daily_capacity: &[1.0; DAYS],
            replicates: self.replicates,
            seed: self.seed,
        };
        rehearse(input, observer)
    }

    fn unwatched(&self, plans: &[Plan]) -> Rehearsal {
        self.rehearse(plans, &|_, _| ControlFlow::Continue(())).unwrap()
    }
}

fn on_threads<T: Send>(threads: usize, work: impl FnOnce() -> T + Send) -> T {
    rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(work)
}

fn swap_where(name: &str, day: usize, chosen: impl Fn(usize) -> bool) -> Plan {
    Plan {
        name: name.to_owned(),
        visits: (0..300)
            .filter(|&component| chosen(component))
            .map(|component| PlannedVisit { component, day, effect: VisitEffect::Swap })
            .collect(),
    }
}

fn swap_oldest(day: usize) -> Plan {
    swap_where("swap the oldest", day, |i| i % 12 >= 8)
}

#[test]
fn the_same_seed_gives_the_same_season_on_any_number_of_threads() {
    let season = Season::new(200);
    let plans = [swap_oldest(5)];
    let one = on_threads(1, || season.unwatched(&plans));
    for threads in [2, 3, 8] {
        assert_eq!(one, on_threads(threads, || season.unwatched(&plans)));
    }
    let other = Season { seed: 12, ..Season::new(200) };
    assert_ne!(one.plans, other.unwatched(&plans).plans);
}

#[test]
fn swapping_the_oldest_parts_before_the_heat_avoids_calls_and_late_swaps_avoid_fewer() {
    let found = Season::new(400).unwatched(&[swap_oldest(1), swap_oldest(60)]);
    let avoided = |plan: usize| found.difference(plan, 0).unwrap().calls_avoided.mean;
    assert!(avoided(1) > avoided(2) && avoided(2) > 0.0, "{} {}", avoided(1), avoided(2));
    assert!(found.plans[1].days_over_capacity.mean < found.plans[0].days_over_capacity.mean);
    assert!(found.difference(1, 0).unwrap().days_over_capacity_avoided.mean > 0.0);
}

#[test]
fn a_plan_meets_the_same_fate_whichever_plans_stand_beside_it() {
    let season = Season::new(100);
    let (early, late) = (swap_oldest(1), swap_oldest(60));
    let both = season.unwatched(&[early.clone(), late.clone()]);
    assert_eq!(both.plans[..2], season.unwatched(&[early]).plans);
    assert_eq!(both.plans[2], season.unwatched(&[late]).plans[1]);
}

#[test]
fn every_plan_is_held_against_every_earlier_one() {
    let found = Season::new(300).unwatched(&[swap_oldest(1), swap_oldest(60)]);
    let pairs: Vec<_> = found.differences.iter().map(|d| (d.plan, d.against)).collect();
    assert_eq!(pairs, [(1, 0), (2, 0), (2, 1)]);
    for difference in &found.differences {
        let calls = |plan: usize| found.plans[plan].calls.mean;
        let expected = calls(difference.against) - calls(difference.plan);
        assert!((difference.calls_avoided.mean - expected).abs() < 1e-9);
        assert!(difference.calls_avoided.low <= difference.calls_avoided.high);
    }
    // Swapping late spares fewer calls than swapping early, in nearly every season.
    let late = found.difference(2, 1).unwrap();
    assert!(late.calls_avoided.mean < 0.0 && late.share_with_fewer_calls < 0.1);
}

#[test]
fn a_difference_on_the_same_fate_is_sharper_than_one_on_independent_fates() {
    let (adopted, candidate) =
        (swap_where("adopted", 5, |i| i % 12 >= 8), swap_where("candidate", 5, |i| i % 12 >= 7));
    let season = Season::new(400);
    let together = season.unwatched(&[adopted.clone(), candidate.clone()]);
    let apart = Season { seed: 12, ..Season::new(400) }.unwatched(&[candidate]);
    let alone = season.unwatched(&[adopted]);
    let common = together.difference(2, 1).unwrap().calls_avoided;
    let independent =
        alone.plans[1].calls.standard_error.hypot(apart.plans[1].calls.standard_error);
    // The variance falls at least tenfold.
    assert!(
        10.0 * common.standard_error.powi(2) < independent.powi(2),
        "{} {independent}",
        common.standard_error
    );
    assert!(common.mean > 10.0 * common.standard_error);
}

#[test]
fn days_over_capacity_are_the_sum_of_the_shares_of_each_day() {
    let found = Season::new(300).unwatched(&[swap_oldest(1)]);
    for plan in &found.plans {
        let shares: f64 = plan.share_over_capacity.iter().sum();
        assert!((shares - plan.days_over_capacity.mean).abs() < 1e-9);
        let calls: f64 = plan.calls_per_day.iter().map(|day| day.mean).sum();
        assert!((calls - plan.calls.mean).abs() < 1e-9);
    }
    assert!(found.plans[0].days_over_capacity.mean > 0.0);
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
    let found = Season::new(200).unwatched(&[check(0.0), check(1.0)]);
    assert_eq!(found.plans[1].calls, found.plans[0].calls);
    assert!(found.plans[2].calls.mean < 0.1 * found.plans[0].calls.mean);
}

#[test]
fn the_mean_number_of_calls_agrees_with_the_scores() {
    let mut season = Season { seed: 3, ..Season::new(2000) };
    let scores = score(ScoreInput {
        model: &season.model,
        drift: &BTreeMap::new(),
        components: &season.parts,
        past: &[],
        ensembles: &season.heat,
        reference_hours: &BTreeMap::new(),
        reason_date: DAYS - 1,
        confidence: 0.9,
    })
    .unwrap();
    let expected: f64 = scores.iter().map(|s| s.probability[DAYS - 1]).sum();
    // The scores hold the parameters at their centre; the rehearsal draws them. With them held
    // here too (no covariance) only the rare second failures and Monte Carlo error remain.
    season.model.covariance = Matrix::zeros(season.model.covariance.size());
    let found = season.unwatched(&[]);
    let mean = found.plans[0].calls.mean;
    assert!((mean / expected - 1.0).abs() < 0.02, "{mean} {expected}");
}

#[test]
fn an_observer_sees_every_replicate_counted_up_to_the_last() {
    let (asked, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
    Season::new(50)
        .rehearse(&[], &|done, total| {
            assert_eq!(total, 50);
            asked.fetch_add(1, Ordering::Relaxed);
            most.fetch_max(done, Ordering::Relaxed);
            ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(most.into_inner(), 50);
    // Before each replicate and after it.
    assert_eq!(asked.into_inner(), 100);
}

#[test]
fn a_cancelled_rehearsal_stops_and_says_how_far_it_came() {
    let season = Season::new(10_000);
    let after_stop = AtomicUsize::new(0);
    let outcome = on_threads(2, || {
        season.rehearse(&[], &|done, _| {
            if done < 20 {
                return ControlFlow::Continue(());
            }
            after_stop.fetch_add(1, Ordering::Relaxed);
            ControlFlow::Break(())
        })
    });
    let Err(RehearsalError::Cancelled { done, replicates: 10_000 }) = outcome else {
        panic!("{outcome:?}")
    };
    assert!((20..=22).contains(&done), "{done}");
    // One thread stops the run, the other may have been asking at the same moment.
    assert!(after_stop.into_inner() <= 2);
}

#[test]
fn a_rehearsal_that_is_cancelled_at_once_plays_no_replicate() {
    let outcome = Season::new(10).rehearse(&[], &|_, _| ControlFlow::Break(()));
    assert_eq!(outcome, Err(RehearsalError::Cancelled { done: 0, replicates: 10 }));
}

#[test]
fn a_large_branch_is_asked_within_a_replicate_too() {
    let season = Season { parts: parts(10_000), ..Season::new(1) };
    let asked = AtomicUsize::new(0);
    let outcome = season.rehearse(&[], &|_, _| {
        if asked.fetch_add(1, Ordering::Relaxed) < 2 {
            ControlFlow::Continue(())
        } else {
            ControlFlow::Break(())
        }
    });
    assert_eq!(outcome, Err(RehearsalError::Cancelled { done: 0, replicates: 1 }));
}

#[test]
fn what_cannot_be_is_refused_by_name() {
    let refusal = |season: &Season, plans: &[Plan]| {
        season.rehearse(plans, &|_, _| ControlFlow::Continue(())).unwrap_err()
    };
    let season = Season::new(5);
    let visit = |component, day, effect| Plan {
        name: "adopted".to_owned(),
        visits: vec![PlannedVisit { component, day, effect }],
    };
    let wrong = RehearsalError::Visit { plan: "adopted".to_owned(), visit: 0 };
    let check = |detection| VisitEffect::Check { detection };
    for plan in [
        visit(300, 0, VisitEffect::Swap),
        visit(0, DAYS, VisitEffect::Swap),
        visit(0, 0, check(1.5)),
        visit(0, 0, check(f64::NAN)),
    ] {
        assert_eq!(refusal(&season, &[plan]), wrong);
    }
    assert_eq!(refusal(&Season::new(0), &[]), RehearsalError::NoReplicates);
    assert_eq!(
        refusal(&Season { heat: BTreeMap::new(), ..Season::new(5) }, &[]),
        RehearsalError::Component(ScoreError::Class(CAPACITOR))
    );
    let mut undetermined = Season::new(5);
    undetermined.model.covariance.set(0, 0, -1.0);
    assert_eq!(refusal(&undetermined, &[]), RehearsalError::Covariance);
    let mut confused = Season::new(5);
    confused.parts[7].covariates = vec![1.0];
    assert_eq!(refusal(&confused, &[]).to_string(), "site 3: a part has 1 covariates, the model 0");
}
