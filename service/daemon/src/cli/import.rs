//! `hotspell import`: the user's own CSV files.

use std::fs::File;
use std::path::PathBuf;

use clap::Args;
use hotspell_domain::local_time::local_day;
use hotspell_imports::{ImportKind, ImportRefusal, ImportReport, Mode, import};

use super::CommandError;
use super::account::chosen_branch;
use super::serve::{ConfigArg, open_store};
use crate::clock::{Clock as _, SystemClock};

/// Which file holds what.
#[derive(Debug, Args)]
pub(crate) struct ImportArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Key of the branch; may be left out while there is only one.
    #[arg(long)]
    branch: Option<String>,
    /// Do everything but keep it.
    #[arg(long)]
    dry_run: bool,
    /// What the file holds: technicians, sites, agreements, units, components, replacements or
    /// readings, to be imported in this order.
    kind: ImportKind,
    /// The CSV file.
    file: PathBuf,
}

/// Imports one file and says what was done, or every row that is wrong.
pub(crate) fn run(args: &ImportArgs) -> Result<(), CommandError> {
    let config = args.config.load()?;
    let file = File::open(&args.file).map_err(|error| {
        CommandError::Input(format!("cannot read {}: {error}", args.file.display()))
    })?;
    let (store, now) = (open_store(&config)?, SystemClock.now());
    let branch = store.read(|conn| chosen_branch(conn, args.branch.as_deref()))?;
    let mode = if args.dry_run { Mode::DryRun } else { Mode::Keep };
    let today = local_day(now, branch.time_zone);
    match import(&store, branch.id, args.kind, file, mode, now, today) {
        Ok(report) => {
            print(&report);
            Ok(())
        }
        Err(refusal) => Err(refused(&args.file.display().to_string(), &refusal)),
    }
}

fn print(report: &ImportReport) {
    let kept = if report.dry_run { " (dry run: nothing is kept)" } else { "" };
    println!(
        "{}: {} rows, {} new, {} changed, {} unchanged{kept}",
        report.kind, report.rows, report.inserted, report.changed, report.unchanged
    );
    for assumption in &report.assumptions {
        let more = if assumption.count > assumption.keys.len() { ", …" } else { "" };
        println!(
            "  {}: {}: {}{more}",
            assumption.count,
            assumption.what,
            assumption.keys.join(", ")
        );
    }
}

fn refused(file: &str, refusal: &ImportRefusal) -> CommandError {
    let mut lines = vec![format!("{file}: {refusal}")];
    if let ImportRefusal::Rows { findings, total, .. } = refusal {
        lines.extend(findings.iter().map(|finding| format!("  {finding}")));
        if *total > findings.len() {
            lines.push(format!("  and {} more", total - findings.len()));
        }
    }
    CommandError::Input(lines.join("\n"))
}
