//! `hotspell lifetimes`: laws, curves and comparisons of lifetimes in a plain table.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use hotspell_reliability::location_scale::Distribution;
use hotspell_reliability::report::{
    FitRequest, Form, columns_of, compare_report, curve_report, fit_report,
};
use hotspell_reliability::table::LifetimeTable;
use serde::Serialize;

use super::CommandError;

/// What to do with a table `entry,lower,upper[,weight][,...]`: equal lower and upper are an exact
/// failure age, an empty upper a part that had not failed, an empty lower one that had failed
/// before; an empty entry is 0.
#[derive(Debug, Subcommand)]
pub(super) enum Lifetimes {
    /// Fit a law by maximum likelihood.
    Fit(FitArguments),
    /// Kaplan-Meier or, with interval ends, Turnbull curves.
    Curve(CurveArguments),
    /// Compare groups by the log-rank test.
    Compare(CompareArguments),
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum FormArgument {
    /// Coefficients on log time.
    Aft,
    /// Log hazard ratios.
    Ph,
}

#[derive(Debug, Args)]
pub(super) struct FitArguments {
    /// The table.
    file: PathBuf,
    /// weibull, lognormal, loglogistic or exponential.
    #[arg(long)]
    distribution: Distribution,
    /// Columns of covariates, separated by commas.
    #[arg(long, value_delimiter = ',')]
    covariates: Vec<String>,
    /// Form of the coefficients.
    #[arg(long, value_enum, default_value = "aft")]
    form: FormArgument,
    /// Column whose values share a gamma frailty.
    #[arg(long)]
    frailty: Option<String>,
    /// Level of the intervals.
    #[arg(long, default_value_t = 0.95)]
    confidence: f64,
}

#[derive(Debug, Args)]
pub(super) struct CurveArguments {
    /// The table.
    file: PathBuf,
    /// Column of the groups.
    #[arg(long)]
    group: Option<String>,
    /// Level of the bands.
    #[arg(long, default_value_t = 0.95)]
    confidence: f64,
}

#[derive(Debug, Args)]
pub(super) struct CompareArguments {
    /// The table.
    file: PathBuf,
    /// Column of the groups.
    #[arg(long)]
    group: String,
}

pub(super) fn run(command: &Lifetimes) -> Result<(), CommandError> {
    match command {
        Lifetimes::Fit(arguments) => fit(arguments),
        Lifetimes::Curve(arguments) => curve(arguments),
        Lifetimes::Compare(arguments) => compare(arguments),
    }
}

fn fit(arguments: &FitArguments) -> Result<(), CommandError> {
    let request = FitRequest {
        distribution: arguments.distribution,
        covariates: arguments.covariates.clone(),
        form: match arguments.form {
            FormArgument::Aft => Form::Aft,
            FormArgument::Ph => Form::Ph,
        },
        frailty: arguments.frailty.clone(),
        confidence: arguments.confidence,
    };
    let (numeric, text) = columns_of(&request);
    let table = read(&arguments.file, &numeric, &text)?;
    print(&fit_report(&table, &request).map_err(|error| at(&arguments.file, &error))?)
}

fn curve(arguments: &CurveArguments) -> Result<(), CommandError> {
    let text: Vec<String> = arguments.group.iter().cloned().collect();
    let table = read(&arguments.file, &[], &text)?;
    let report = curve_report(&table, arguments.group.as_deref(), arguments.confidence);
    print(&report.map_err(|error| at(&arguments.file, &error))?)
}

fn compare(arguments: &CompareArguments) -> Result<(), CommandError> {
    let table = read(&arguments.file, &[], core::slice::from_ref(&arguments.group))?;
    let report = compare_report(&table, &arguments.group);
    print(&report.map_err(|error| at(&arguments.file, &error))?)
}

fn read(file: &Path, numeric: &[String], text: &[String]) -> Result<LifetimeTable, CommandError> {
    let content = std::fs::read_to_string(file).map_err(|error| at(file, &error))?;
    LifetimeTable::parse(&content, numeric, text).map_err(|error| at(file, &error))
}

/// Everything that goes wrong here lies in what was given.
fn at(file: &Path, error: &dyn std::error::Error) -> CommandError {
    CommandError::Input(format!("{}: {error}", file.display()))
}

fn print(report: &impl Serialize) -> Result<(), CommandError> {
    println!("{}", serde_json::to_string_pretty(report).map_err(CommandError::failure)?);
    Ok(())
}
