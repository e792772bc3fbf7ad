//! Recovery of known parameters from simulated branches, 200 each: G01 to G03. The mistakes that a
//! fit must not make are in `tests/recovery.rs`.

use hotspell_reliability::recovery::{
    Design, Estimate, TRUTH, Treatment, Truth, simulate_and_fit, summarise,
};
use rayon::prelude::*;

use crate::harness::Case;

fn replicates(truth: Truth, design: Design) -> Vec<Estimate> {
    let fits = (0..200_u64).into_par_iter();
    fits.map(|seed| simulate_and_fit(truth, 500, design, Treatment::Right, seed)).collect()
}

fn check_recovery(id: &str, design: Design) {
    let case = Case::open(id);
    let estimates = replicates(TRUTH, design);
    assert!(estimates.iter().all(|estimate| estimate.converged));
    let truths = [TRUTH.scale, TRUTH.shape, TRUTH.coefficient, TRUTH.frailty_variance];
    for (index, (name, truth)) in
        ["eta", "shape", "beta", "theta"].into_iter().zip(truths).enumerate()
    {
        let found = summarise(&estimates, index, truth);
        case.check(&format!("mean_{name}"), found.mean);
        case.check(&format!("sd_{name}"), found.sd);
        case.check_range(&format!("coverage95_{name}"), found.coverage);
    }
    case.close();
}

#[test]
fn g01_recovery_of_a_branch_watched_from_new() {
    check_recovery("G01", Design::FromNew);
}

#[test]
fn g02_recovery_of_a_branch_taken_over() {
    check_recovery("G02", Design::TakenOver);
}

#[test]
fn g03_the_test_for_frailty_keeps_its_level_when_there_is_none() {
    let case = Case::open("G03");
    let estimates = replicates(Truth { frailty_variance: 0.0, ..TRUTH }, Design::FromNew);
    let share = |holds: &dyn Fn(f64) -> bool| {
        let count = estimates.iter().filter(|estimate| holds(estimate.likelihood_ratio)).count();
        f64::from(u32::try_from(count).unwrap()) / 200.0
    };
    case.check_range("share_lr_zero", share(&|ratio| ratio < 1e-8));
    case.check_range("reject_at_2_7055", share(&|ratio| ratio > 2.7055));
    case.check_range("reject_at_3_8415", share(&|ratio| ratio > 3.8415));
    case.close();
}
