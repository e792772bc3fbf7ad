//! `hotspell degree-days`: degree days of a weather file, as JSON.

use std::path::PathBuf;

use chrono::NaiveDate;
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::Format;
use hotspell_weather::gaps::GapRule;
use hotspell_weather::report::degree_day_report;

use super::CommandError;
use super::weather_file::{UnitName, print_json, read_file};

/// Degree days of a weather file, with what was found wrong in it.
#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// Weather file: GHCN-Daily (.dly, by-year or by-station CSV), EPW, api.weather.gov JSON, or a
    /// CSV with `date,tmin_c,tmax_c` or `timestamp,temp_c` (or `_f`); - reads standard input
    file: PathBuf,
    /// Format of the file, if it cannot be told from its beginning
    #[arg(long)]
    format: Option<Format>,
    /// Station to pick out of a file with several
    #[arg(long)]
    station: Option<String>,
    /// Unit of a CSV whose column names do not state it
    #[arg(long, value_enum)]
    unit: Option<UnitName>,
    /// Base temperature with its unit; the degree days count in that unit
    #[arg(long, default_value = "65F")]
    base: Base,
    /// mean, rounded-mean, modified-mean, single-sine, double-sine, single-triangle,
    /// double-triangle or hourly
    #[arg(long, default_value = "mean")]
    method: Method,
    /// Count cold below the base instead of heat above it
    #[arg(long)]
    heating: bool,
    /// Horizontal cutoff in the unit of the base: temperatures beyond it count as the cutoff
    #[arg(long)]
    cutoff: Option<f64>,
    /// What to do about days without a usable value: leave them without, or fill them, marked
    #[arg(long, value_enum, default_value = "leave")]
    gaps: Gaps,
    /// First day; the record's first without it
    #[arg(long)]
    from: Option<NaiveDate>,
    /// Last day; the record's last without it
    #[arg(long)]
    to: Option<NaiveDate>,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum Gaps {
    Leave,
    Fill,
}

pub(crate) fn run(args: Args) -> Result<(), CommandError> {
    let input = |error: &dyn std::error::Error| CommandError::Input(error.to_string());
    let sense = if args.heating { Sense::Heating } else { Sense::Cooling };
    let rule = DegreeDayRule::new(args.method, args.base, sense).map_err(|e| input(&e))?;
    let rule = match args.cutoff {
        Some(cutoff) => rule.with_cutoff(cutoff).map_err(|e| input(&e))?,
        None => rule,
    };
    let gaps = match args.gaps {
        Gaps::Leave => GapRule::Leave,
        Gaps::Fill => GapRule::Fill,
    };
    let record = read_file(&args.file, args.format, args.station, args.unit)?;
    let report =
        degree_day_report(&record, &rule, gaps, args.from, args.to).map_err(|e| input(&e))?;
    print_json(&report)
}
