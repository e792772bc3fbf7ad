//! `hotspell route`: routes for an instance file with time windows in the published text form.

use std::path::PathBuf;
use std::time::Instant;

use clap::{Args, ValueEnum};
use hotspell_planning::Budget;
use hotspell_planning::day::{self, Distances, Goal};

use super::CommandError;
use super::planner_input::{RunLimits, in_file, print, read};

/// Arguments of `route`.
#[derive(Debug, Args)]
pub(crate) struct Route {
    /// The instance file.
    file: PathBuf,
    #[command(flatten)]
    limits: RunLimits,
    /// What is to be small.
    #[arg(long, value_enum, default_value_t = Objective::Distance)]
    objective: Objective,
    /// Euclidean distances, or floor(10 d) / 10 for each arc's distance and time.
    #[arg(long, value_enum, default_value_t = DistanceForm::Real)]
    distances: DistanceForm,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Objective {
    /// Total distance.
    Distance,
    /// The number of vehicles first, then total distance.
    Vehicles,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum DistanceForm {
    Real,
    Tenths,
}

pub(crate) fn run(args: &Route) -> Result<(), CommandError> {
    let begin = Instant::now();
    let wrong = in_file(&args.file);
    let instance = day::parse(&read(&args.file)?).map_err(&wrong)?;
    let share = || args.limits.share_since(begin);
    let iterations = args.limits.iterations;
    let budget = Budget {
        iterations: iterations
            .unwrap_or_else(|| day::iterations_for(&instance, args.limits.seconds)),
        threads: args.limits.threads(),
        stop: None,
        time_share: Some(&share),
        progress: None,
    };
    let goal = match args.objective {
        Objective::Distance => Goal::Distance,
        Objective::Vehicles => Goal::Vehicles,
    };
    let distances = match args.distances {
        DistanceForm::Real => Distances::Real,
        DistanceForm::Tenths => Distances::Tenths,
    };
    let mut report =
        day::solve(&instance, goal, distances, &budget, args.limits.seed).map_err(&wrong)?;
    report.seconds = begin.elapsed().as_secs_f64();
    print(&report)
}
