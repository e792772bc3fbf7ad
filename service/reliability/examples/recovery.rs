//! Prints the recovery table of `docs/risk.md`:
//! `cargo run --release -p hotspell-reliability --example recovery [REPLICATES]`.

use hotspell_reliability::recovery::{
    Design, Estimate, TRUTH, Treatment, Truth, simulate_and_fit, summarise,
};
use rayon::prelude::*;

fn run(truth: Truth, design: Design, treatment: Treatment, replicates: u64) -> Vec<Estimate> {
    let seeds = (0..replicates).into_par_iter();
    seeds.map(|seed| simulate_and_fit(truth, 500, design, treatment, seed)).collect()
}

fn row(name: &str, design: Design, treatment: Treatment, replicates: u64) {
    let estimates = run(TRUTH, design, treatment, replicates);
    let truths = [TRUTH.scale, TRUTH.shape, TRUTH.coefficient, TRUTH.frailty_variance];
    let mean = |f: &dyn Fn(&Estimate) -> usize| {
        estimates.iter().map(f).sum::<usize>() / estimates.len().max(1)
    };
    let mut cells = Vec::new();
    let mut coverage = Vec::new();
    for (i, truth) in truths.into_iter().enumerate() {
        let found = summarise(&estimates, i, truth);
        let held = i == 3 && treatment == Treatment::FrailtyIgnored;
        cells.push(if held {
            "–".into()
        } else {
            format!("{:.3} ({:.3})", found.mean, found.sd)
        });
        coverage.push(if held { "–".into() } else { format!("{:.3}", found.coverage) });
    }
    let failed = estimates.iter().filter(|e| !e.converged).count();
    println!(
        "| {name} | {} of {} | {} | {} | {failed} |",
        mean(&|e| e.failures),
        mean(&|e| e.parts),
        cells.join(" | "),
        coverage.join(" / ")
    );
}

fn main() {
    let replicates = std::env::args().nth(1).and_then(|word| word.parse().ok()).unwrap_or(1000);
    println!(
        "{replicates} replicates a row; truth: scale 12, shape 3, coefficient 0.5, frailty variance 0.5\n"
    );
    println!(
        "| design | failures | scale: mean (sd) | shape | coefficient | frailty variance | 95 % coverage | not converged |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    row("watched from new", Design::FromNew, Treatment::Right, replicates);
    row("taken over, entry ages used", Design::TakenOver, Treatment::Right, replicates);
    row("taken over, entry ages forgotten", Design::TakenOver, Treatment::EntryIgnored, replicates);
    row(
        "watched from new, frailty left out",
        Design::FromNew,
        Treatment::FrailtyIgnored,
        replicates,
    );
    row("yearly visits, intervals", Design::YearlyVisits, Treatment::Right, replicates);
    row("yearly visits, day of finding", Design::YearlyVisits, Treatment::FindingDay, replicates);
    row(
        "taken over, replacements unseen",
        Design::UnseenReplacements,
        Treatment::Right,
        replicates,
    );
    let none = run(
        Truth { frailty_variance: 0.0, ..TRUTH },
        Design::FromNew,
        Treatment::Right,
        replicates,
    );
    let share = |f: &dyn Fn(&&Estimate) -> bool| {
        let count = u32::try_from(none.iter().filter(f).count()).unwrap_or(u32::MAX);
        f64::from(count) / none.len().max(1) as f64
    };
    println!(
        "\nNo frailty in truth: likelihood ratio zero in {:.3} of runs; above 2.7055 in {:.3}, above 3.8415 in {:.3}.",
        share(&|e| e.likelihood_ratio < 1e-8),
        share(&|e| e.likelihood_ratio > 2.7055),
        share(&|e| e.likelihood_ratio > 3.8415)
    );
}
