//! Experiments: solve a routing instance for some seconds and print distance and gap.
use std::time::Instant;

use hotspell_planning::Budget;
use hotspell_planning::day::{Distances, Goal, parse, solve};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let text = std::fs::read_to_string(&args[1])?;
    let seconds: f64 = args[2].parse()?;
    let iterations: u64 = args[3].parse()?;
    let seed: u64 = args.get(4).map_or(Ok(1), |s| s.parse())?;
    let best: f64 = args.get(5).map_or(Ok(1.0), |s| s.parse())?;
    let vehicles = args.get(6).is_some();
    let instance = parse(&text)?;
    let begin = Instant::now();
    let share = || begin.elapsed().as_secs_f64() / seconds;
    let budget =
        Budget { iterations, threads: 1, stop: None, time_share: Some(&share), progress: None };
    let (goal, distances) = if vehicles {
        (Goal::Vehicles, Distances::Real)
    } else {
        (Goal::Distance, Distances::Tenths)
    };
    let report = solve(&instance, goal, distances, &budget, seed)?;
    println!(
        "{} {:.1} gap {:.2} vehicles {} feasible {} its {} in {:.1} {:?}",
        report.instance,
        report.distance,
        (report.distance / best - 1.0) * 100.0,
        report.vehicles,
        report.feasible,
        report.iterations,
        begin.elapsed().as_secs_f64(),
        report.breaches.first()
    );
    Ok(())
}
