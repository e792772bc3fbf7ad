//! Sums over real records. Source of the records: NOAA NCEI, GHCN-Daily; sums computed apart
//! (numpy) from the same files.

use chrono::NaiveDate;
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::ReadOptions;
use hotspell_weather::series::{DayRange, StationSeries, year_range};
use hotspell_weather::temperature::TemperatureUnit;

use crate::support::{Row, assert_within, by_id, daily, phoenix, table};

const COLUMNS: [(&str, Method); 6] = [
    ("simple_mean", Method::Mean),
    ("nws_rounded", Method::RoundedMean),
    ("modified_mean", Method::ModifiedMean),
    ("single_sine", Method::SingleSine),
    ("single_triangle", Method::SingleTriangle),
    ("double_sine", Method::DoubleSine),
];

fn check(series: &StationSeries, range: DayRange, row: &Row, what: &str) -> usize {
    let unit = match row.text("unit") {
        "F" => TemperatureUnit::Fahrenheit,
        _ => TemperatureUnit::Celsius,
    };
    let base = Base { degrees: row.value("base"), unit };
    let mut checked = 0;
    for (column, method) in COLUMNS {
        let Some(expected) = row.number(column) else { continue };
        let rule = DegreeDayRule::new(method, base, Sense::Cooling).unwrap();
        let sums = rule.of_series(series, range).unwrap();
        let what = format!("{what} {base} {method}");
        // Tables carry twelve digits.
        assert_within(sums.total, expected, 1e-9 * expected.abs() + 1e-9, &what);
        assert_eq!(sums.days.len().to_string(), row.text("days"), "{what}");
        assert_eq!(sums.missing_days.to_string(), row.text("missing_days"), "{what}");
        checked += 1;
    }
    checked
}

fn month_range(year: i32, month: u32) -> DayRange {
    let first = NaiveDate::from_ymd_opt(year, month, 1).unwrap();
    let last = first.checked_add_months(chrono::Months::new(1)).unwrap().pred_opt().unwrap();
    DayRange { first, last }
}

#[test]
fn year_totals_of_phoenix_and_austin_agree() {
    let checked: usize = table("weather_totals_year.csv")
        .iter()
        .map(|row| {
            let year = row.text("year").parse().unwrap();
            check(by_id(row.text("station")), year_range(year).unwrap(), row, row.text("year"))
        })
        .sum();
    assert!(checked > 900, "{checked}");
}

#[test]
fn month_totals_of_phoenix_and_austin_agree() {
    for row in table("weather_totals_month.csv") {
        let (year, month) = (row.text("year").parse().unwrap(), row.text("month").parse().unwrap());
        check(by_id(row.text("station")), month_range(year, month), &row, row.text("month"));
    }
}

/// Source of the record: GHCN-Daily by way of the vega-datasets package.
#[test]
fn year_totals_of_seattle_agree_from_a_plain_file() {
    let unit = Some(TemperatureUnit::Celsius);
    let series = daily("seattle-weather.csv", &ReadOptions { unit, ..ReadOptions::default() });
    for row in table("weather_totals_seattle.csv") {
        let year = row.text("year").parse().unwrap();
        check(&series, year_range(year).unwrap(), &row, row.text("year"));
    }
}

/// Source: press reports of 1 August 2023 quoting the National Weather Service: 102.7 °F.
#[test]
fn july_2023_in_phoenix_has_its_published_mean() {
    let days = phoenix().days_within(month_range(2023, 7));
    let sum: f64 =
        days.iter().map(|day| TemperatureUnit::Fahrenheit.from_celsius(day.mean_celsius())).sum();
    assert_within(sum / days.len() as f64, 102.7, 0.05, "mean of July 2023");
}

/// The choice of method moves a year's sum by more than a mild and a hot year differ.
#[test]
fn the_method_moves_a_phoenix_year_by_five_percent() {
    let mean_year = |method| {
        let rule = DegreeDayRule::new(method, Base::FAHRENHEIT_65, Sense::Cooling).unwrap();
        let years = 1991..=2020;
        let total: f64 = years
            .map(|year| rule.of_series(phoenix(), year_range(year).unwrap()).unwrap().total)
            .sum();
        total / 30.0
    };
    assert_within(mean_year(Method::Mean), 4740.0, 0.5, "simple mean");
    assert_within(mean_year(Method::RoundedMean), 4802.0, 0.5, "rounded");
    assert_within(mean_year(Method::SingleSine), 4999.0, 0.5, "single sine");
}

#[test]
fn days_without_a_value_are_counted_and_have_none() {
    let rule = DegreeDayRule::new(Method::Mean, Base::FAHRENHEIT_65, Sense::Cooling).unwrap();
    let sums = rule.of_series(phoenix(), year_range(1964).unwrap()).unwrap();
    let without = sums.days.iter().filter(|day| day.degree_days.is_none()).count();
    assert_eq!((sums.days.len(), sums.missing_days, without), (366, 1, 1));
}
