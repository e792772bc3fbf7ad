//! Planted errors are found, and nothing else; gaps and sufficiency follow their rules.

use hotspell_weather::caltrack;
use hotspell_weather::degree_days::{Base, DegreeDayRule, Method, Sense};
use hotspell_weather::formats::{ReadOptions, WeatherRecord, read_record};
use hotspell_weather::gaps::{self, Origin};
use hotspell_weather::quality::FindingKind;
use hotspell_weather::series::{DayRange, StationSeries, year_range};

use crate::support::{austin, daily, phoenix, table};

/// Phoenix, June and July 2022, with one error of each kind planted.
#[test]
fn each_planted_error_is_found_and_no_other() {
    let series = daily("weather_quality_input.csv", &ReadOptions::default());
    let mut found: Vec<(String, String)> = series
        .findings
        .iter()
        .map(|finding| {
            let days = if finding.first_day == finding.last_day {
                finding.first_day.to_string()
            } else {
                format!("{}..{}", finding.first_day, finding.last_day)
            };
            let kind = serde_json::to_value(finding.finding).unwrap();
            (days, kind.as_str().unwrap().to_owned())
        })
        .collect();
    let mut expected: Vec<(String, String)> = table("weather_quality_expected.csv")
        .iter()
        .map(|row| (row.text("date").to_owned(), row.text("finding").to_owned()))
        .collect();
    found.sort();
    expected.sort();
    assert_eq!(found, expected);
}

#[test]
fn days_with_an_error_do_not_count_and_the_others_do() {
    let series = daily("weather_quality_input.csv", &ReadOptions::default());
    let day = |text: &str| series.day(text.parse().unwrap()).is_some();
    for dropped in [
        "2022-06-04",
        "2022-06-07",
        "2022-06-10",
        "2022-06-13",
        "2022-06-18",
        "2022-06-21",
        "2022-06-25",
        "2022-06-28",
        "2022-07-01",
        "2022-07-11",
    ] {
        assert!(!day(dropped), "{dropped}");
    }
    for kept in ["2022-06-05", "2022-06-17", "2022-06-22", "2022-07-06", "2022-07-15", "2022-07-16"]
    {
        assert!(day(kept), "{kept}");
    }
}

/// Source: CalTRACK 2.0 methods, sections named in the table.
#[test]
fn sufficiency_limits_are_those_of_caltrack() {
    for row in table("weather_caltrack_cases.csv") {
        let (total, missing) =
            (row.text("total").parse().unwrap(), row.text("missing").parse().unwrap());
        let outcome = match row.text("rule") {
            "daily_baseline_days_missing" => caltrack::check_baseline_days(total, missing),
            "daily_mean_hours_missing" => caltrack::check_daily_mean(total, missing),
            "billing_period_hours_missing" => caltrack::check_period_mean(total, missing),
            "consecutive_hours_missing" => caltrack::check_hourly_gap(missing),
            other => panic!("rule {other}"),
        };
        let expected = matches!(row.text("expected"), "pass" | "interpolate");
        assert_eq!(outcome.is_ok(), expected, "{} {missing}", row.text("rule"));
    }
}

fn without(series: &StationSeries, range: DayRange) -> StationSeries {
    let days = series.days.iter().filter(|day| day.date < range.first || day.date > range.last);
    StationSeries { days: days.copied().collect(), ..series.clone() }
}

fn july(first: u32, last: u32) -> DayRange {
    let day = |d| chrono::NaiveDate::from_ymd_opt(2023, 7, d).unwrap();
    DayRange { first: day(first), last: day(last) }
}

#[test]
fn short_gaps_are_bridged_and_long_ones_take_normals_both_marked() {
    let year = year_range(2023).unwrap();
    let holed = without(&without(phoenix(), july(5, 6)), july(15, 20));
    let filled = gaps::fill(&holed, year).unwrap();
    assert_eq!(filled.days.len(), 365);
    let count = |origin| filled.days.iter().filter(|day| day.origin == origin).count();
    assert_eq!((count(Origin::Interpolated), count(Origin::FromNormals)), (2, 6));
    let kinds: Vec<FindingKind> = filled.findings.iter().map(|found| found.finding).collect();
    assert_eq!(kinds, [FindingKind::GapInterpolated, FindingKind::GapFilledFromNormals]);
    assert!(
        filled
            .days
            .iter()
            .all(|day| (day.origin == Origin::Measured) == (day.deviation_kelvin == 0.0))
    );
}

/// July 2023 was the hottest month on record: what normals put in falls short, and the stated
/// uncertainty must admit it.
#[test]
fn the_uncertainty_of_filled_days_covers_what_was_really_there() {
    let year = year_range(2023).unwrap();
    let rule = DegreeDayRule::new(Method::Mean, Base::FAHRENHEIT_65, Sense::Cooling).unwrap();
    let truth = rule.of_series(phoenix(), year).unwrap().total;
    let filled = gaps::fill(&without(phoenix(), july(10, 24)), year).unwrap();
    let total = rule.of_series(&filled.series("x"), year).unwrap().total;
    let deviation = filled.total_deviation(&rule).unwrap();
    assert!(truth > total, "{truth} {total}");
    assert!(deviation > 0.0 && truth - total < 3.0 * deviation, "{truth} {total} {deviation}");
}

#[test]
fn too_many_missing_days_are_refused_with_the_rule_named() {
    let refused = gaps::fill(austin(), year_range(1992).unwrap()).unwrap_err().to_string();
    assert!(refused.contains("312 of 366") && refused.contains("2.2.1.2"), "{refused}");
}

#[test]
fn a_whole_column_in_fahrenheit_under_a_celsius_name_is_found() {
    let mut text = String::from("date,tmin_c,tmax_c\n");
    for day in 1..=30 {
        text.push_str(&format!("2023-06-{day:02},{},{}\n", 75 + day % 4, 104 + day % 5));
    }
    let read = read_record(text.as_bytes(), &ReadOptions::default());
    let Ok(WeatherRecord::Daily(series)) = read else { panic!("days expected") };
    assert!(series.days.is_empty());
    assert!(
        series.findings.iter().all(|found| found.finding == FindingKind::UnitMixup),
        "{:?}",
        series.findings.first()
    );
}

/// The archive's own outlier check has been over these records, so hardly anything may be left.
#[test]
fn long_real_records_lie_within_their_own_range() {
    for series in [phoenix(), austin()] {
        let outside: Vec<_> = series
            .findings
            .iter()
            .filter(|found| found.finding == FindingKind::OutsideStationRange)
            .collect();
        assert!(outside.is_empty(), "{}: {outside:?}", series.station);
    }
}

#[test]
fn a_value_that_the_stations_record_does_not_hold_is_told_with_its_expected_range_and_kept() {
    let mut text = String::from("date,tmin_c,tmax_c\n");
    let odd = chrono::NaiveDate::from_ymd_opt(2020, 1, 15).unwrap();
    for day in &phoenix().days {
        let tmax = if day.date == odd { 49.0 } else { day.tmax_celsius };
        text.push_str(&format!("{},{},{tmax}\n", day.date, day.tmin_celsius));
    }
    let Ok(WeatherRecord::Daily(series)) = read_record(text.as_bytes(), &ReadOptions::default())
    else {
        panic!("days expected")
    };
    let found: Vec<_> = series
        .findings
        .iter()
        .filter(|found| found.finding == FindingKind::OutsideStationRange)
        .collect();
    let [found] = found.as_slice() else { panic!("one expected: {found:?}") };
    assert_eq!((found.first_day, found.value_celsius), (odd, Some(49.0)));
    // A usual high of 19 degC with a deviation of 4 K in mid-January.
    let range = found.expected_celsius.unwrap();
    assert!(range.lowest < 0.0 && (35.0..48.0).contains(&range.highest), "{range:?}");
    assert!(series.day(odd).is_some_and(|day| day.tmax_celsius > 48.0));
    // 49 degC in July are a hot day there and no finding.
    assert!(phoenix().days.iter().any(|day| day.tmax_celsius >= 48.0));
}
