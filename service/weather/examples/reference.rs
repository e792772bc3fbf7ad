//! What `tests/outside/weather_reference.py` compares with reference libraries, as JSON: degree
//! days by year, and hot spells of a record (`reference FILE.dly`).

use std::collections::BTreeMap;
use std::error::Error;
use std::fs::File;
use std::io::BufReader;

use chrono::Datelike;
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::ghcn_dly;
use hotspell_weather::hot_spells::SpellDefinition;
use hotspell_weather::series::StationSeries;
use serde_json::json;

fn main() -> Result<(), Box<dyn Error>> {
    let file = std::env::args_os().nth(1).ok_or("give a .dly file")?;
    let series = ghcn_dly::read(BufReader::new(File::open(file)?), None)?;
    let definition =
        SpellDefinition::MaximumAbovePercentile { percentile: 95.0, consecutive_days: 3 };
    let rule = definition.resolve(&series, 1991..=2020).ok_or("no days in 1991-2020")?;
    let spells: Vec<_> = rule
        .spells(&series.days)
        .iter()
        .map(|spell| json!({"year": spell.first_day.year(), "days": spell.days}))
        .collect();
    println!(
        "{}",
        json!({
            "cooling 18C": yearly(&series, "18C", Sense::Cooling)?,
            "cooling 65F": yearly(&series, "65F", Sense::Cooling)?,
            "heating 18C": yearly(&series, "18C", Sense::Heating)?,
            "threshold_celsius": rule.threshold_celsius(),
            "spells": spells,
        })
    );
    Ok(())
}

fn yearly(
    series: &StationSeries,
    base: &str,
    sense: Sense,
) -> Result<BTreeMap<i32, f64>, Box<dyn Error>> {
    let rule = DegreeDayRule::new(Method::Mean, base.parse::<Base>()?, sense)?;
    let mut values = Vec::with_capacity(series.days.len());
    rule.of_days_into(&series.days, &mut values)?;
    let mut sums = BTreeMap::new();
    for (day, value) in series.days.iter().zip(values) {
        *sums.entry(day.date.year()).or_default() += value;
    }
    Ok(sums)
}
