//! Normals from a record, and the published ones.

use chrono::Datelike;
use chrono::NaiveDate;
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::climate_normals::{self, Normal};
use hotspell_weather::normals::DayOfYearNormals;

use crate::support::{assert_within, data, open, phoenix, table};

fn daily_values(method: Method) -> Vec<(NaiveDate, f64)> {
    let rule = DegreeDayRule::new(method, Base::FAHRENHEIT_65, Sense::Cooling).unwrap();
    let mut values = Vec::new();
    rule.of_days_into(&phoenix().days, &mut values).unwrap();
    let dated = phoenix().days.iter().map(|day| day.date).zip(values);
    dated.filter(|(date, _)| (1991..=2020).contains(&date.year())).collect()
}

#[test]
fn smoothed_normals_of_phoenix_agree() {
    let normals = DayOfYearNormals::from_values(daily_values(Method::Mean));
    for row in table("weather_normals_doy_phoenix.csv") {
        let (month, day) = (row.text("month").parse().unwrap(), row.text("day").parse().unwrap());
        let date = NaiveDate::from_ymd_opt(2020, month, day).unwrap();
        let what = format!("{month}-{day}");
        assert_within(normals.raw(date).unwrap(), row.value("raw_mean_cdd65"), 1e-9, &what);
        assert_within(normals.smoothed(date).unwrap(), row.value("smoothed15"), 1e-9, &what);
    }
    assert_within(normals.yearly_total().unwrap(), 4739.449, 5e-4, "year");
}

#[test]
fn monthly_normals_of_phoenix_agree() {
    let columns = [
        ("cdd65_simple_mean", Method::Mean),
        ("cdd65_nws_rounded", Method::RoundedMean),
        ("cdd65_single_sine", Method::SingleSine),
    ];
    for (column, method) in columns {
        let values = daily_values(method);
        for row in table("weather_normals_month_phoenix.csv") {
            let month = row.text("month").parse::<u32>().ok();
            let total: f64 = values
                .iter()
                .filter(|(date, _)| month.is_none_or(|month| date.month() == month))
                .map(|(_, value)| value)
                .sum();
            assert_within(total / 30.0, row.value(column), 1e-9 * total + 1e-9, row.text("month"));
        }
    }
}

/// Source: U.S. Climate Normals 1991-2020 (NOAA NCEI), Lebanon NH, daily and monthly product.
#[test]
fn published_daily_normals_add_up_to_the_published_months() {
    let read = |name: &str| climate_normals::read(open(data(name))).unwrap();
    let daily = read("normals_daily_1991-2020_USW00094765.csv");
    let monthly = read("normals_monthly_1991-2020_USW00094765.csv");
    assert_eq!((daily.rows.len(), monthly.rows.len()), (366, 12));
    for row in table("weather_published_normals.csv") {
        let month: u32 = row.text("month").parse().unwrap();
        let days: Vec<Normal> = daily
            .column("DLY-CLDD-NORMAL")
            .filter(|(at, _, _)| *at == month)
            .map(|(_, _, normal)| normal)
            .collect();
        assert_eq!(days.len().to_string(), row.text("rows"));
        let sum: f64 = days.iter().filter_map(|normal| normal.value()).sum();
        assert_within(sum, row.value("sum_daily_cldd"), 1e-9, row.text("month"));
        let marked = days.iter().filter(|normal| **normal == Normal::PositiveRoundsToZero).count();
        assert_eq!(marked.to_string(), row.text("rows_with_meas_flag"), "month {month}");
        let (_, _, published) =
            monthly.column("MLY-CLDD-NORMAL").find(|(at, _, _)| *at == month).unwrap();
        let published = published.value().unwrap();
        assert_within(published, row.value("published_mly_cldd"), 1e-9, row.text("month"));
        assert_within(sum, published, 0.6, row.text("month"));
    }
}
