//! `hotspell season`: what can be said of a season on a day, as JSON.

use std::path::PathBuf;

use chrono::NaiveDate;
use hotspell_weather::formats::Format;
use hotspell_weather::report::{joined_record, season_report};
use hotspell_weather::season::SeasonDefinition;

use super::CommandError;
use super::weather_file::{UnitName, print_json, read_file};

/// When heat begins, when the first hot spell comes and which week loads most, as distributions.
#[derive(Debug, clap::Args)]
pub(crate) struct Args {
    /// Weather files of one station; of a day given twice the later file wins
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// The season's year
    #[arg(long)]
    year: i32,
    /// First day that is not known; the day after the record's last in that year without it
    #[arg(long)]
    as_of: Option<NaiveDate>,
    /// First month of the season year: 1 north of the equator, 7 south of it
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=12))]
    first_month: u32,
    /// Format of the files, if it cannot be told from their beginning
    #[arg(long)]
    format: Option<Format>,
    /// Station to pick out of files with several
    #[arg(long)]
    station: Option<String>,
    /// Unit of a CSV whose column names do not state it
    #[arg(long, value_enum)]
    unit: Option<UnitName>,
}

pub(crate) fn run(args: Args) -> Result<(), CommandError> {
    let input = |error: &dyn std::error::Error| CommandError::Input(error.to_string());
    let records = args
        .files
        .into_iter()
        .map(|file| read_file(&file, args.format, args.station.clone(), args.unit))
        .collect::<Result<Vec<_>, _>>()?;
    let history = joined_record(records).map_err(|e| input(&e))?;
    let definition =
        SeasonDefinition { first_month: args.first_month, ..SeasonDefinition::default() };
    let report =
        season_report(&history, args.year, args.as_of, &definition).map_err(|e| input(&e))?;
    print_json(&report)
}
