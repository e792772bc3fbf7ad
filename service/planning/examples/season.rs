//! Experiments: plan an instance file for some seconds and print the parts.
use std::time::Instant;

use hotspell_planning::checker::check;
use hotspell_planning::season::{Budget, parse_instance, plan};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let text = std::fs::read_to_string(&args[1])?;
    let seconds: f64 = args[2].parse()?;
    let iterations: u64 = args[3].parse()?;
    let seed: u64 = args.get(4).map_or(Ok(1), |s| s.parse())?;
    let threads: usize = args.get(5).map_or(Ok(2), |s| s.parse())?;
    let problem = parse_instance(&text)?;
    let begin = Instant::now();
    let share = || begin.elapsed().as_secs_f64() / seconds;
    let first = std::sync::OnceLock::new();
    let progress = |p: &hotspell_planning::season::Progress| {
        first.get_or_init(|| (begin.elapsed(), p.best_s / 60, p.unplaced));
    };
    let budget = Budget {
        iterations,
        threads,
        stop: None,
        time_share: Some(&share),
        progress: Some(&progress),
    };
    let plan = plan(&problem, &budget, seed)?;
    let report = check(&problem, &plan);
    let c = plan.cost;
    println!(
        "{} its {} in {:.1}s ({:.0}/s) first {:?} clean {} unplaced {} objective {} travel {} risk {} late {}",
        args[1].rsplit('/').next().unwrap_or(""),
        plan.iterations,
        begin.elapsed().as_secs_f64(),
        plan.iterations as f64 / begin.elapsed().as_secs_f64(),
        first.get(),
        report.is_clean(),
        plan.unplaced.len(),
        c.total_s() / 60,
        c.travel_s / 60,
        c.risk_s / 60,
        c.late_s / 60
    );
    for violation in report.violations.iter().take(5) {
        println!("  {violation}");
    }
    Ok(())
}
