//! Solves a routing instance as `hotspell route` does with distances in tenths, without building the whole
//! daemon: `route FILE SECONDS [SEED] [ITERATIONS]`. Given iterations, the seconds do not matter.
use std::time::Instant;

use hotspell_planning::Budget;
use hotspell_planning::day::{Distances, Goal, iterations_for, parse, solve};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let [_, file, seconds, rest @ ..] = &args[..] else {
        return Err("usage: route FILE SECONDS [SEED] [ITERATIONS]".into());
    };
    let text = std::fs::read_to_string(file)?;
    let seconds: f64 = seconds.parse()?;
    let seed: u64 = rest.first().map_or(Ok(1), |s| s.parse())?;
    let iterations: Option<u64> = rest.get(1).map(|s| s.parse()).transpose()?;
    let begin = Instant::now();
    let instance = parse(&text)?;
    let share = || begin.elapsed().as_secs_f64() / seconds;
    let budget = Budget {
        iterations: iterations.unwrap_or_else(|| iterations_for(&instance, seconds)),
        threads: 1,
        stop: None,
        time_share: iterations.is_none().then_some(&share),
        progress: None,
    };
    let mut report = solve(&instance, Goal::Distance, Distances::Tenths, &budget, seed)?;
    report.seconds = begin.elapsed().as_secs_f64();
    println!("{}", serde_json::to_string(&report)?);
    Ok(())
}
