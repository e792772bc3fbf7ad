//! The command line: one file per command.

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::server::Hooks;

pub(crate) mod account;
mod bounce;
mod check_season;
mod degree_days;
mod demo;
mod export;
mod import;
mod lifetimes;
mod openapi;
mod plan_season;
mod planner_input;
mod route;
mod season;
pub(crate) mod serve;
mod weather_file;

/// What the daemon serves and does beside the API.
const HOOKS: Hooks = Hooks { pages: crate::pages::routes, jobs: crate::jobs::driver::spawn };

/// Memory and foresight for a cooling contractor's maintenance agreements.
#[derive(Debug, Parser)]
#[command(name = "hotspell", version, about, max_term_width = 100)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

/// One variant per command; each has its file.
#[derive(Debug, Subcommand)]
enum Command {
    /// Run the whole loop on an invented branch and real weather, print it, then serve it.
    Demo(demo::DemoArgs),
    /// Laws, curves and comparisons of lifetimes in a plain table; JSON on standard output.
    #[command(subcommand)]
    Lifetimes(lifetimes::Lifetimes),
    /// Print the API document that openapi/openapi.json holds.
    Openapi,
    /// Serve the interface and the pages, and run the jobs, until SIGTERM or ctrl-c.
    Serve(serve::ConfigArg),
    /// Bring your own records as CSV files; docs/import.md describes them.
    Import(import::ImportArgs),
    /// Read a delivery report from standard input: whom a notice did not reach is called instead.
    Bounce(bounce::BounceArgs),
    /// Take your own records out again, as the CSV files that an import reads.
    Export(export::ExportArgs),
    /// Branches.
    #[command(subcommand)]
    Branch(account::BranchCommand),
    /// Accounts and tokens.
    #[command(subcommand)]
    Account(account::AccountCommand),
    /// Degree days of a weather file, with what was found wrong in it.
    DegreeDays(degree_days::Args),
    /// When heat begins, when the first hot spell comes, which week loads most.
    Season(season::Args),
    /// Plan routes for an instance file with time windows and print them as JSON.
    Route(route::Route),
    /// Plan a season from an instance file and print the plan as JSON.
    PlanSeason(plan_season::PlanSeason),
    /// Recompute feasibility and cost of a season plan file; exit status 1 if it breaks a rule.
    CheckSeason(check_season::CheckSeason),
}

/// What a command ends with when it does not succeed.
#[derive(Debug, thiserror::Error)]
pub enum CommandError {
    /// The input given on the command line or in a file is wrong; exit status 2.
    #[error("{0}")]
    Input(String),
    /// Anything else; exit status 1.
    #[error(transparent)]
    Failure(#[from] Box<dyn std::error::Error + Send + Sync>),
}

impl CommandError {
    /// A failure that is not the input's fault.
    pub fn failure(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        Self::Failure(error.into())
    }
}

/// Runs the chosen command; errors go to standard error, results to standard output.
#[must_use]
pub fn run(cli: Cli) -> ExitCode {
    let result = match cli.command {
        Command::Demo(args) => demo::run(&args, HOOKS),
        Command::Lifetimes(command) => lifetimes::run(&command),
        Command::Openapi => openapi::run(),
        Command::Serve(args) => serve::run(&args, HOOKS),
        Command::Import(args) => import::run(&args),
        Command::Export(args) => export::run(&args),
        Command::Bounce(args) => bounce::run(&args),
        Command::Branch(command) => account::run_branch(&command),
        Command::Account(command) => account::run_account(&command),
        Command::DegreeDays(args) => degree_days::run(args),
        Command::Route(args) => route::run(&args),
        Command::PlanSeason(args) => plan_season::run(&args),
        Command::CheckSeason(args) => check_season::run(&args),
        Command::Season(args) => season::run(args),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("hotspell: {error}");
            let mut source = std::error::Error::source(&error);
            while let Some(cause) = source {
                eprintln!("  because: {cause}");
                source = cause.source();
            }
            match error {
                CommandError::Input(_) => ExitCode::from(2),
                CommandError::Failure(_) => ExitCode::FAILURE,
            }
        }
    }
}
