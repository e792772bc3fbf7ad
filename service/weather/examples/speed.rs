//! The peer of `tests/peers/weather_degree_days.py`: prints seconds for the same work on the same
//! data.
//!
//! ```text
//! speed parse FILE.csv            stream a by-year file, sum of its values
//! speed methods                   30 years x 1,000 stations: all daily methods and normals
//! speed units                     one new day for 100,000 units
//! ```

use std::error::Error;
use std::fs::File;
use std::io::BufReader;
use std::time::Instant;

use chrono::NaiveDate;
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::ghcn_csv;
use hotspell_weather::normals::DayOfYearNormals;
use hotspell_weather::run_hours::{HouseLoad, PartEnvironment};
use hotspell_weather::series::DailyTemperature;
use rayon::prelude::*;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["parse", file] => parse(file),
        ["methods"] => methods(),
        ["units"] => units(),
        _ => Err("give parse FILE, methods or units".into()),
    }
}

fn parse(file: &str) -> Result<(), Box<dyn Error>> {
    let bytes = std::fs::metadata(file)?.len();
    let start = Instant::now();
    let (mut values, mut sum) = (0_u64, 0.0);
    ghcn_csv::visit(BufReader::with_capacity(1 << 18, File::open(file)?), |_, value| {
        if let (Some(celsius), None) = (value.celsius, value.quality_flag) {
            values += 1;
            sum += celsius;
        }
        Ok(())
    })?;
    let seconds = start.elapsed().as_secs_f64();
    println!(
        "{{\"seconds\": {seconds}, \"megabytes_per_second\": {}, \"values\": {values}, \"sum\": {sum}, \"peak_megabytes\": {}}}",
        bytes as f64 / 1e6 / seconds,
        peak_megabytes()?
    );
    Ok(())
}

/// The most memory that this process has held, by Linux' own book.
fn peak_megabytes() -> Result<f64, Box<dyn Error>> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kibibytes = line.and_then(|line| line.split_whitespace().next()).ok_or("no VmHWM")?;
    Ok(kibibytes.parse::<f64>()? / 1024.0)
}

/// A year as a sine with a fixed disturbance; the peer makes the same numbers.
fn station(index: usize) -> Vec<DailyTemperature> {
    let first = NaiveDate::from_ymd_opt(1991, 1, 1).unwrap_or_default();
    (0..10_958_usize)
        .zip(first.iter_days())
        .map(|(day, date)| {
            let season = (std::f64::consts::TAU * (day as f64 - 105.0) / 365.25).sin();
            let mixed = (day * 7919 + index * 104_729) % 1000;
            let mean = 15.0 + (index % 17) as f64 + 10.0 * season + mixed as f64 / 125.0 - 4.0;
            let half = 4.0 + (mixed % 60) as f64 / 10.0;
            DailyTemperature { date, tmin_celsius: mean - half, tmax_celsius: mean + half }
        })
        .collect()
}

const DAILY_METHODS: [Method; 7] = [
    Method::Mean,
    Method::RoundedMean,
    Method::ModifiedMean,
    Method::SingleSine,
    Method::DoubleSine,
    Method::SingleTriangle,
    Method::DoubleTriangle,
];

fn methods() -> Result<(), Box<dyn Error>> {
    let stations: Vec<Vec<DailyTemperature>> = (0..1000).into_par_iter().map(station).collect();
    let rules =
        DAILY_METHODS.map(|method| DegreeDayRule::new(method, Base::FAHRENHEIT_65, Sense::Cooling));
    let start = Instant::now();
    let sums: Vec<[f64; 8]> = stations
        .par_iter()
        .map(|days| {
            let mut totals = [0.0; 8];
            let mut values = Vec::with_capacity(days.len());
            for (total, rule) in totals.iter_mut().zip(rules.iter().flatten()) {
                values.clear();
                if rule.of_days_into(days, &mut values).is_ok() {
                    *total = values.iter().sum();
                }
            }
            values.clear();
            if let Some(Ok(mean)) = rules.first()
                && mean.of_days_into(days, &mut values).is_ok()
            {
                let dated = days.iter().map(|day| day.date).zip(values.iter().copied());
                totals[7] = DayOfYearNormals::from_values(dated).yearly_total().unwrap_or(f64::NAN);
            }
            totals
        })
        .collect();
    let seconds = start.elapsed().as_secs_f64();
    let totals: Vec<f64> = (0..8).map(|at| sums.iter().map(|sum| sum[at]).sum()).collect();
    println!("{{\"seconds\": {seconds}, \"totals\": {totals:?}}}");
    Ok(())
}

fn units() -> Result<(), Box<dyn Error>> {
    let date = NaiveDate::from_ymd_opt(2024, 7, 1).unwrap_or_default();
    let houses: Vec<(HouseLoad, PartEnvironment, DailyTemperature)> = (0..100_000_u32)
        .map(|unit| {
            let share = f64::from(unit) / 100_000.0;
            let load = HouseLoad {
                balance_celsius: 17.0 + 3.0 * share,
                design_celsius: 40.0,
                oversize: 1.0 + 0.4 * share,
            };
            let part = PartEnvironment {
                cabinet_rise_kelvin: 11.0,
                sun_rise_kelvin: 6.0,
                sunlit_share: share,
            };
            let day = DailyTemperature {
                date,
                tmin_celsius: 22.0 + 4.0 * share,
                tmax_celsius: 36.0 + 6.0 * share,
            };
            (load, part, day)
        })
        .collect();
    let start = Instant::now();
    let hours: f64 =
        houses.iter().map(|(load, part, day)| load.exposure(day, part).run_hours).sum();
    println!("{{\"seconds\": {}, \"hours\": {hours}}}", start.elapsed().as_secs_f64());
    Ok(())
}
