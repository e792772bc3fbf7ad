//! The scenario as an importer would see it: tables of texts.

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::NaiveDate;
use hotspell_seed::generate;
use hotspell_weather::formats::ghcn_dly;
use hotspell_weather::series::StationSeries;

pub(crate) const KINDS: [&str; 6] =
    ["technicians", "sites", "agreements", "units", "components", "readings"];

pub(crate) fn repository_file(path: &str) -> String {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../..");
    let path = root.join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

pub(crate) fn station_record() -> StationSeries {
    let text = repository_file("seed/weather/ghcnd_USW00023183.dly");
    ghcn_dly::read(text.as_bytes(), None).unwrap()
}

/// One row of a file.
#[derive(Debug, Clone)]
pub(crate) struct Row(BTreeMap<String, String>);

impl Row {
    /// The field; panics on a column that the file does not have.
    pub(crate) fn text(&self, column: &str) -> &str {
        &self.0[column]
    }

    /// The field, or nothing if it is empty.
    pub(crate) fn some(&self, column: &str) -> Option<&str> {
        Some(self.text(column)).filter(|text| !text.is_empty())
    }

    pub(crate) fn day(&self, column: &str) -> Option<NaiveDate> {
        self.some(column).map(|text| text.parse().unwrap())
    }

    pub(crate) fn number(&self, column: &str) -> Option<f64> {
        self.some(column).map(|text| text.parse().unwrap())
    }
}

#[derive(Debug)]
pub(crate) struct Table {
    pub(crate) headers: Vec<String>,
    pub(crate) rows: Vec<Row>,
}

impl Table {
    fn read(text: &str) -> Self {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let headers: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
        let rows = reader
            .records()
            .map(|record| {
                let fields = record.unwrap();
                Row(headers.iter().cloned().zip(fields.iter().map(str::to_owned)).collect())
            })
            .collect();
        Self { headers, rows }
    }

    /// Rows by the first column, which is the key; panics on a key that is twice there.
    pub(crate) fn by_key(&self) -> BTreeMap<&str, &Row> {
        let mut rows = BTreeMap::new();
        for row in &self.rows {
            let key = row.text(&self.headers[0]);
            assert!(rows.insert(key, row).is_none(), "{key} is twice there");
        }
        rows
    }
}

/// All tables of a scenario.
pub(crate) struct Scenario(BTreeMap<&'static str, Table>);

impl Scenario {
    /// The committed one.
    pub(crate) fn committed() -> Self {
        Self(KINDS.map(|kind| (kind, read_committed(kind))).into())
    }

    /// One of another seed.
    pub(crate) fn of_seed(record: &StationSeries, seed: u64) -> Self {
        let files = generate(record, seed).unwrap();
        let table = |kind: &'static str| {
            let file = files.iter().find(|file| file.name == format!("{kind}.csv")).unwrap();
            (kind, Table::read(&file.text))
        };
        Self(KINDS.map(table).into())
    }

    pub(crate) fn table(&self, kind: &str) -> &Table {
        &self.0[kind]
    }

    pub(crate) fn rows(&self, kind: &str) -> &[Row] {
        &self.0[kind].rows
    }
}

fn read_committed(kind: &str) -> Table {
    Table::read(&repository_file(&format!("seed/demo/{kind}.csv")))
}

/// A day or a stretch of days, as `docs/import.md` writes it; `None` on a side that is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Known {
    pub(crate) earliest: Option<NaiveDate>,
    pub(crate) latest: Option<NaiveDate>,
}

impl Known {
    pub(crate) fn read(text: &str) -> Self {
        if let Some((first, last)) = text.split_once("..") {
            let side = |text: &str| (!text.is_empty()).then(|| text.parse().unwrap());
            return Self { earliest: side(first), latest: side(last) };
        }
        let parts: Vec<u32> = text.split('-').map(|part| part.parse().unwrap()).collect();
        let day = |year: u32, month, of_month| {
            NaiveDate::from_ymd_opt(i32::try_from(year).unwrap(), month, of_month).unwrap()
        };
        let (earliest, latest) = match parts[..] {
            [year] => (day(year, 1, 1), day(year, 12, 31)),
            [year, month] => {
                let first = day(year, month, 1);
                (first, first + chrono::Months::new(1) - chrono::Days::new(1))
            }
            [year, month, of_month] => (day(year, month, of_month), day(year, month, of_month)),
            _ => panic!("«{text}» is no day"),
        };
        Self { earliest: Some(earliest), latest: Some(latest) }
    }

    /// The middle, where both sides are known.
    pub(crate) fn middle(self) -> Option<NaiveDate> {
        let (first, last) = self.earliest.zip(self.latest)?;
        Some(first + (last - first) / 2)
    }
}
