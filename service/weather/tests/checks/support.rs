//! Tables and records that the checks share.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use chrono::NaiveDate;
use hotspell_weather::formats::{ReadOptions, WeatherRecord, ghcn_dly, read_record};
use hotspell_weather::series::StationSeries;

/// One row of a table, by column name.
pub(crate) struct Row {
    names: Vec<String>,
    cells: Vec<String>,
}

impl Row {
    pub(crate) fn text(&self, name: &str) -> &str {
        let at = self.names.iter().position(|column| column == name);
        &self.cells[at.unwrap_or_else(|| panic!("no column {name} in {:?}", self.names))]
    }

    /// None for an empty cell.
    pub(crate) fn number(&self, name: &str) -> Option<f64> {
        let text = self.text(name);
        (!text.is_empty()).then(|| text.parse().unwrap_or_else(|_| panic!("{name}: {text}")))
    }

    pub(crate) fn value(&self, name: &str) -> f64 {
        self.number(name).unwrap_or_else(|| panic!("{name} is empty"))
    }

    pub(crate) fn date(&self, name: &str) -> NaiveDate {
        self.text(name).parse().unwrap()
    }
}

pub(crate) fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

pub(crate) fn table(name: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(data(name)).unwrap();
    let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows: Vec<Row> = reader
        .records()
        .map(|record| {
            let cells = record.unwrap().iter().map(str::to_owned).collect();
            Row { names: names.clone(), cells }
        })
        .collect();
    assert!(!rows.is_empty(), "{name} has no rows");
    rows
}

pub(crate) fn open(path: impl AsRef<Path>) -> BufReader<File> {
    let path = path.as_ref();
    BufReader::new(File::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display())))
}

fn station(id: &str) -> StationSeries {
    let seed = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../seed/weather");
    ghcn_dly::read(open(seed.join(format!("ghcnd_{id}.dly"))), None).unwrap()
}

/// Phoenix Sky Harbor, 1961 to July 2025.
pub(crate) fn phoenix() -> &'static StationSeries {
    static SERIES: OnceLock<StationSeries> = OnceLock::new();
    SERIES.get_or_init(|| station("USW00023183"))
}

/// Austin Bergstrom, with its real gaps.
pub(crate) fn austin() -> &'static StationSeries {
    static SERIES: OnceLock<StationSeries> = OnceLock::new();
    SERIES.get_or_init(|| station("USW00013904"))
}

pub(crate) fn by_id(id: &str) -> &'static StationSeries {
    match id {
        "USW00023183" => phoenix(),
        "USW00013904" => austin(),
        _ => panic!("no record of {id}"),
    }
}

/// A file of `tests/data` whose format is told from its content.
pub(crate) fn record(name: &str, options: &ReadOptions) -> WeatherRecord {
    read_record(open(data(name)), options).unwrap()
}

pub(crate) fn daily(name: &str, options: &ReadOptions) -> StationSeries {
    match record(name, options) {
        WeatherRecord::Daily(series) => series,
        WeatherRecord::Hourly(_) => panic!("{name} holds hours"),
    }
}

/// Relative 1e-10, absolute 1e-9 near zero: the tolerance of single values.
#[track_caller]
pub(crate) fn assert_close(got: f64, expected: f64, what: &str) {
    assert_within(got, expected, 1e-9_f64.max(1e-10 * expected.abs()), what);
}

#[track_caller]
pub(crate) fn assert_within(got: f64, expected: f64, tolerance: f64, what: &str) {
    let apart = (got - expected).abs();
    assert!(apart <= tolerance, "{what}: got {got}, expected {expected}, apart {apart:e}");
}
