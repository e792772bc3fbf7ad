//! Run hours of a day and of a typical year.

use hotspell_weather::run_hours::HouseLoad;
use hotspell_weather::temperature::celsius_from_fahrenheit;

use crate::support::{Row, assert_close, assert_within, table};

fn house(row: &Row) -> HouseLoad {
    HouseLoad {
        balance_celsius: celsius_from_fahrenheit(row.value("balance_F")),
        design_celsius: celsius_from_fahrenheit(row.value("design_F")),
        oversize: row.value("oversize"),
    }
}

/// The straight-line load model integrated over a sine day, evaluated apart.
#[test]
fn run_hours_of_a_sine_day_agree() {
    for row in table("weather_run_hours_day.csv") {
        let (low, high) = (
            celsius_from_fahrenheit(row.value("tmin_F")),
            celsius_from_fahrenheit(row.value("tmax_F")),
        );
        let expected = row.value("run_hours");
        assert_close(house(&row).run_hours(low, high), expected, row.text("tmax_F"));
        let (hours, _) = house(&row).run_hours_and_outdoor_celsius(low, high);
        assert_close(hours, expected, row.text("tmax_F"));
    }
}

/// Source, from memory, for the order of magnitude only: equivalent full-load hours near 2,100 in
/// the older federal calculator for Phoenix, which tabled figures exceed by 1.3 to 2.
#[test]
fn a_phoenix_year_has_a_plausible_number_of_run_hours() {
    let load = HouseLoad { balance_celsius: 18.3, design_celsius: 43.0, oversize: 1.15 };
    let days =
        crate::support::phoenix().days_within(hotspell_weather::series::year_range(2015).unwrap());
    let year: f64 = days.iter().map(|day| load.run_hours(day.tmin_celsius, day.tmax_celsius)).sum();
    assert_within(year, 2500.0, 700.0, "run hours of 2015");
}
