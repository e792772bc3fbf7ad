//! Plans an instance file as `hotspell plan-season` does, without building the whole daemon:
//! `season FILE SECONDS [SEED] [THREADS] [ITERATIONS]`. Given iterations, the seconds do not matter.
use std::time::Instant;

use hotspell_planning::checker::check;
use hotspell_planning::season::{Budget, PlanReport, iterations_for, parse_instance, plan};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let [_, file, seconds, rest @ ..] = &args[..] else {
        return Err("usage: season FILE SECONDS [SEED] [THREADS] [ITERATIONS]".into());
    };
    let text = std::fs::read_to_string(file)?;
    let seconds: f64 = seconds.parse()?;
    let seed: u64 = rest.first().map_or(Ok(1), |s| s.parse())?;
    let threads: usize = rest.get(1).map_or(Ok(2), |s| s.parse())?;
    let iterations: Option<u64> = rest.get(2).map(|s| s.parse()).transpose()?;
    let begin = Instant::now();
    let problem = parse_instance(&text)?;
    let share = || begin.elapsed().as_secs_f64() / seconds;
    let budget = Budget {
        iterations: iterations.unwrap_or_else(|| iterations_for(&problem, seconds, threads)),
        threads,
        stop: None,
        time_share: iterations.is_none().then_some(&share),
        progress: None,
    };
    let plan = plan(&problem, &budget, seed)?;
    if let Some(violation) = check(&problem, &plan).violations.first() {
        return Err(format!("the plan does not pass the checker: {violation}").into());
    }
    let report = PlanReport::new(&problem, &plan, begin.elapsed().as_secs_f64());
    println!("{}", serde_json::to_string(&report)?);
    Ok(())
}
