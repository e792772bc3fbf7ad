//! `hotspell import`: the user's own CSV files.

use std::fs::File;
use std::io::Read as _;
use std::ops::ControlFlow;
use std::path::PathBuf;

use clap::Args;
use hotspell_imports::{ImportKind, ImportRefusal, ImportReport, MAX_BYTES, Mode};

use super::CommandError;
use super::account::chosen_branch;
use super::serve::{ConfigArg, open_store};
use crate::app::AppError;
use crate::app::imports::{SourceFile, audited, import_files};
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

/// Imports one file and says what was done, or every row that is wrong. What is kept has its row in the
/// audit.
pub(crate) fn run(args: &ImportArgs) -> Result<(), CommandError> {
    let config = args.config.load()?;
    let mut content = Vec::new();
    // One byte more than may be imported shows that there is too much.
    File::open(&args.file)
        .and_then(|file| file.take(MAX_BYTES + 1).read_to_end(&mut content))
        .map_err(|error| {
            CommandError::Input(format!("cannot read {}: {error}", args.file.display()))
        })?;
    let files = [SourceFile { kind: args.kind, content }];
    let (store, now) = (open_store(&config)?, SystemClock.now());
    let branch = store.read(|conn| chosen_branch(conn, args.branch.as_deref()))?;
    let mode = if args.dry_run { Mode::DryRun } else { Mode::Keep };
    let unwatched = |_| ControlFlow::Continue(());
    let seal = audited(branch.id, None, now);
    match import_files((&store, now), branch.id, &files, mode, &unwatched, seal) {
        Ok(reports) => {
            reports.iter().for_each(print);
            Ok(())
        }
        Err(AppError::Import(refusal)) => Err(refused(&args.file.display().to_string(), &refusal)),
        Err(AppError::Store(error)) => Err(error.into()),
        Err(error) => Err(CommandError::Failure(Box::new(error))),
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
