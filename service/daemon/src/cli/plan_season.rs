//! `hotspell plan-season`: a season plan for an instance file.

use std::path::PathBuf;
use std::time::Instant;

use clap::Args;
use hotspell_planning::Budget;
use hotspell_planning::checker::check;
use hotspell_planning::season::{self, PlanReport};

use super::CommandError;
use super::planner_input::{RunLimits, in_file, print, read};

/// Arguments of `plan-season`.
#[derive(Debug, Args)]
pub(crate) struct PlanSeason {
    /// The instance file (JSON; see docs/planning.md).
    file: PathBuf,
    #[command(flatten)]
    limits: RunLimits,
}

pub(crate) fn run(args: &PlanSeason) -> Result<(), CommandError> {
    let begin = Instant::now();
    let wrong = in_file(&args.file);
    let problem = season::parse_instance(&read(&args.file)?).map_err(&wrong)?;
    let share = || args.limits.share_since(begin);
    let (seconds, threads) = (args.limits.seconds, args.limits.threads());
    let iterations = args.limits.iterations;
    let budget = Budget {
        iterations: iterations
            .unwrap_or_else(|| season::iterations_for(&problem, seconds, threads)),
        threads,
        stop: None,
        time_share: Some(&share),
        progress: None,
    };
    let plan = season::plan(&problem, &budget, args.limits.seed).map_err(&wrong)?;
    let report = check(&problem, &plan);
    if let Some(violation) = report.violations.first() {
        return Err(CommandError::failure(format!(
            "the plan does not pass the checker: {violation}"
        )));
    }
    print(&PlanReport::new(&problem, &plan, begin.elapsed().as_secs_f64()))
}
