//! `hotspell check-season`: recomputes feasibility and cost of a plan file.

use std::path::PathBuf;

use clap::Args;
use hotspell_planning::checker::check_sequences;
use hotspell_planning::season::{self, CheckReport};

use super::CommandError;
use super::planner_input::{in_file, print, read};

/// Arguments of `check-season`.
#[derive(Debug, Args)]
pub(crate) struct CheckSeason {
    /// The instance file (JSON; see docs/planning.md).
    file: PathBuf,
    /// The plan file, such as `plan-season` prints.
    plan: PathBuf,
}

pub(crate) fn run(args: &CheckSeason) -> Result<(), CommandError> {
    let problem = season::parse_instance(&read(&args.file)?).map_err(in_file(&args.file))?;
    let wrong = in_file(&args.plan);
    let plan = season::parse_plan(&read(&args.plan)?).map_err(&wrong)?;
    let sequences = plan.sequences(&problem).map_err(&wrong)?;
    let report = check_sequences(&problem, &sequences);
    print(&CheckReport::new(&problem, &report))?;
    match report.violations.len() {
        0 => Ok(()),
        count => Err(CommandError::failure(format!("the plan breaks {count} rules"))),
    }
}
