//! Hindcast of season outlooks: `cargo run --release -p hotspell-weather --example hindcast [FILE.dly...]`.
//!
//! Prints the table of `docs/heat.md`: what would have been said on 1 April of each year of a
//! record, scored against the past years alone.

use std::error::Error;
use std::fs::File;
use std::io::BufReader;
use std::path::PathBuf;

use hotspell_weather::formats::ghcn_dly;
use hotspell_weather::season::{
    EnsembleOptions, Hindcast, SeasonDefinition, SourceYears, hindcast,
};
use hotspell_weather::series::StationSeries;

fn main() -> Result<(), Box<dyn Error>> {
    let given: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let seed = concat!(env!("CARGO_MANIFEST_DIR"), "/../../seed/weather");
    let files = if given.is_empty() {
        ["ghcnd_USW00023183.dly", "ghcnd_USW00013904.dly"]
            .map(|f| PathBuf::from(seed).join(f))
            .to_vec()
    } else {
        given
    };
    for file in files {
        let series = ghcn_dly::read(BufReader::new(File::open(file)?), None)?;
        println!("station {}", series.station);
        for sources in [SourceYears::Past, SourceYears::AllOthers] {
            for (name, options) in variants(sources) {
                print(name, &series, sources, &options)?;
            }
        }
    }
    Ok(())
}

fn variants(sources: SourceYears) -> [(&'static str, EnsembleOptions); 5] {
    let full = EnsembleOptions { sources, ..EnsembleOptions::default() };
    [
        (
            "known days only",
            EnsembleOptions { follow_trend: false, follow_standing: false, ..full },
        ),
        ("trend", EnsembleOptions { follow_standing: false, ..full }),
        ("standing", EnsembleOptions { follow_trend: false, ..full }),
        ("trend, standing (default)", full),
        ("trend, standing, alike favoured", EnsembleOptions { kernel_width: 1.0, ..full }),
    ]
}

fn print(
    name: &str,
    series: &StationSeries,
    sources: SourceYears,
    options: &EnsembleOptions,
) -> Result<(), Box<dyn Error>> {
    let result: Hindcast = hindcast(series, (4, 1), &SeasonDefinition::default(), options)?;
    for score in &result.scores {
        println!(
            "| {sources:?} | {name} | {:?} | {} | {:.2} | {:.2} | {:.2} | {:.2} | {:.2} | {:.2} |",
            score.event,
            score.years,
            score.crps_days,
            score.climatology_crps_days,
            score.coverage,
            score.climatology_coverage,
            score.before_p10,
            score.climatology_before_p10,
        );
    }
    Ok(())
}
