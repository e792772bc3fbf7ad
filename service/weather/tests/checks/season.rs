//! Season dates of past years, and what can be said ahead.

use chrono::{Datelike, NaiveDate};
use hotspell_weather::degree_days::Base;
use hotspell_weather::degree_days::{DegreeDayRule, Method, Sense};
use hotspell_weather::hot_spells::SpellDefinition;
use hotspell_weather::quantile::quantile;
use hotspell_weather::season::{
    EnsembleOptions, SeasonDefinition, SourceYears, climatology_paths, ensemble, ensemble_with,
    first_day_of_load_share, outlook, season_curve, year_dates,
};
use hotspell_weather::series::{DailyTemperature, StationSeries, year_range};

use crate::support::{assert_within, austin, by_id, phoenix, table};

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// Day of the year of load shares and first runs, as the tables have them.
fn dates_of(series: &StationSeries, year: i32) -> Option<[Option<u32>; 4]> {
    let season = year_range(year).unwrap();
    let rule = |definition: SpellDefinition| definition.resolve(series, 1991..=2020).unwrap();
    let mean75 = rule(SpellDefinition::MeanAtLeast { fahrenheit: 75.0, consecutive_days: 3 });
    let tmax90 = rule(SpellDefinition::MaximumAtLeast { fahrenheit: 90.0, consecutive_days: 3 });
    let dates = year_dates(series, season, &mean75, &tmax90, Base::FAHRENHEIT_65)?;
    let days = series.days_within(season);
    let mean = DegreeDayRule::new(Method::Mean, Base::FAHRENHEIT_65, Sense::Cooling).unwrap();
    let mut load = Vec::new();
    mean.of_days_into(days, &mut load).unwrap();
    let share = |share| first_day_of_load_share(days, &load, share);
    let doy = |date: Option<NaiveDate>| date.map(|date| date.ordinal());
    Some([doy(share(0.1)), doy(share(0.5)), doy(dates.heat_begins), doy(dates.first_hot_spell)])
}

const COLUMNS: [&str; 4] =
    ["doy_10pct", "doy_50pct", "doy_first_3day_mean75", "doy_first_3day_tmax90"];

/// Computed apart (numpy) from the same records.
#[test]
fn season_dates_of_both_stations_agree_year_by_year() {
    let mut dated = 0;
    for name in ["weather_season_dates.csv", "weather_season_dates_austin.csv"] {
        for row in table(name) {
            let year = row.text("year").parse().unwrap();
            let got = dates_of(by_id(row.text("station")), year);
            for (at, column) in COLUMNS.iter().enumerate() {
                let expected = row.number(column).map(|doy| doy as u32);
                assert_eq!(got.and_then(|dates| dates[at]), expected, "{year} {column}");
            }
            dated += usize::from(got.is_some());
        }
    }
    assert_eq!(dated, 64 + 27);
}

#[test]
fn quantiles_of_season_dates_agree() {
    for row in table("weather_season_quantiles.csv") {
        let at = COLUMNS.iter().position(|column| *column == row.text("date_kind")).unwrap();
        let days: Vec<f64> = (1991..=2020)
            .filter_map(|year| dates_of(phoenix(), year)?[at])
            .map(f64::from)
            .collect();
        assert_eq!(days.len().to_string(), row.text("years"));
        for (column, p) in [("q10", 0.1), ("q50", 0.5), ("q90", 0.9)] {
            assert_within(
                quantile(&days, p).unwrap(),
                row.value(column),
                1e-9,
                row.text("date_kind"),
            );
        }
    }
}

#[test]
fn an_ensemble_has_every_day_and_weights_of_one() {
    let (as_of, end) = (date("2024-02-27"), date("2024-12-31"));
    let paths = ensemble(phoenix(), as_of, &[], end).unwrap();
    let weight: f64 = paths.iter().map(|path| path.weight).sum();
    assert_within(weight, 1.0, 1e-12, "weights");
    assert!(paths.len() >= 60);
    for path in &paths {
        assert_eq!((path.days.first().unwrap().date, path.days.last().unwrap().date), (as_of, end));
        assert!(path.days.windows(2).all(|pair| pair[0].date.succ_opt() == Some(pair[1].date)));
        assert!(path.days.iter().all(|day| day.tmin_celsius <= day.tmax_celsius));
        // A past season serves only when it was over: nothing of the future leaks in.
        assert!(path.source_year < 2024);
    }
}

#[test]
fn what_comes_after_the_day_changes_nothing_said_before() {
    let as_of = date("2015-04-01");
    let cut: Vec<DailyTemperature> =
        phoenix().days.iter().filter(|day| day.date < as_of).copied().collect();
    let known = StationSeries::from_days("USW00023183", cut);
    let end = date("2015-12-31");
    assert_eq!(
        ensemble(phoenix(), as_of, &[], end).unwrap(),
        ensemble(&known, as_of, &[], end).unwrap()
    );
}

#[test]
fn the_spread_grows_with_the_days_ahead_to_that_of_the_past_years() {
    let as_of = date("2024-04-01");
    let end = date("2024-05-31");
    let forecast: Vec<DailyTemperature> = as_of
        .iter_days()
        .take(12)
        .map(|date| DailyTemperature { date, tmin_celsius: 25.0, tmax_celsius: 40.0 })
        .collect();
    let spread = |paths: &[hotspell_weather::season::WeatherPath], ahead: usize| {
        let values: Vec<f64> = paths.iter().map(|path| path.days[ahead].tmax_celsius).collect();
        quantile(&values, 0.9).unwrap() - quantile(&values, 0.1).unwrap()
    };
    let with = ensemble(phoenix(), as_of, &forecast, end).unwrap();
    let without = ensemble(phoenix(), as_of, &[], end).unwrap();
    assert!(spread(&with, 0) < 0.45 * spread(&without, 0));
    assert!(spread(&with, 6) > 0.6 * spread(&without, 6));
    for ahead in 7..20 {
        assert_within(spread(&with, ahead), spread(&without, ahead), 1e-9, "past day seven");
    }
    let mean: f64 = with.iter().map(|path| path.weight * path.days[0].tmax_celsius).sum();
    assert!(mean > 38.0, "the first day follows the forecast: {mean}");
}

#[test]
fn a_hot_march_makes_an_early_season_more_likely() {
    let definition = SeasonDefinition::default();
    let as_of = date("2024-04-01");
    let shifted = |by: f64| {
        let march = hotspell_weather::series::DayRange {
            first: date("2024-03-01"),
            last: date("2024-03-31"),
        };
        let mut series = phoenix().clone();
        for day in
            series.days.iter_mut().filter(|day| march.first <= day.date && day.date <= march.last)
        {
            // Kept below the definition's own threshold, so that only the standing differs.
            day.tmin_celsius += by - 3.0;
            day.tmax_celsius += by - 3.0;
        }
        let said = outlook(&series, 2024, as_of, &[], &definition).unwrap();
        said.heat_begins.by(date("2024-04-15"))
    };
    assert!(shifted(2.0) > shifted(-2.0) + 0.02, "{} {}", shifted(2.0), shifted(-2.0));
}

#[test]
fn an_event_that_has_come_is_certain() {
    let said =
        outlook(phoenix(), 2024, date("2024-09-01"), &[], &SeasonDefinition::default()).unwrap();
    let came = &said.heat_begins;
    assert_within(came.probability, 1.0, 1e-12, "probability");
    assert_eq!(came.p10, came.p90);
    // Day of year 102, as in the table of season dates.
    assert_eq!(came.p50.unwrap().ordinal(), 102);
    let whole =
        outlook(phoenix(), 2024, date("2025-01-15"), &[], &SeasonDefinition::default()).unwrap();
    assert_eq!(whole.heat_begins.p50, came.p50);
    assert_eq!(whole.peak_week.p10, whole.peak_week.p90);
}

#[test]
fn an_event_that_mostly_stays_away_has_a_probability_and_no_median() {
    let definition = SeasonDefinition {
        first_hot_spell: SpellDefinition::MaximumAtLeast { fahrenheit: 119.0, consecutive_days: 2 },
        ..SeasonDefinition::default()
    };
    let said = outlook(phoenix(), 2010, date("2010-04-01"), &[], &definition).unwrap();
    let spell = &said.first_hot_spell;
    assert!(spell.probability > 0.0 && spell.probability < 0.5, "{}", spell.probability);
    assert_eq!((spell.p50, spell.p90), (None, None));
}

#[test]
fn quantiles_are_in_order_and_the_early_tail_is_early() {
    for (series, year) in [(phoenix(), 2020), (austin(), 2020)] {
        let as_of = NaiveDate::from_ymd_opt(year, 4, 1).unwrap();
        let said = outlook(series, year, as_of, &[], &SeasonDefinition::default()).unwrap();
        for event in [&said.heat_begins, &said.first_hot_spell, &said.peak_week] {
            assert!(event.p10 <= event.p50, "{}", event.definition);
            assert!(event.p90.is_none() || event.p50 <= event.p90);
        }
        let so_far = said.heat_so_far.unwrap();
        assert!(so_far.p10 <= so_far.p90 && (0.0..=1.0).contains(&so_far.warmer_than_share));
    }
}

#[test]
fn excess_heat_can_define_the_first_hot_spell() {
    let definition = SeasonDefinition {
        first_hot_spell: SpellDefinition::ExcessHeat,
        ..SeasonDefinition::default()
    };
    let said = outlook(phoenix(), 2023, date("2023-04-01"), &[], &definition).unwrap();
    let spell = said.first_hot_spell;
    assert!(spell.probability > 0.9);
    assert!(spell.p10.unwrap() > date("2023-05-01") && spell.p90.unwrap() < date("2023-08-15"));
}

#[test]
fn a_season_of_the_southern_hemisphere_runs_across_new_year() {
    let definition = SeasonDefinition { first_month: 7, ..SeasonDefinition::default() };
    // Phoenix moved by half a year stands for a station south of the equator.
    let moved = phoenix()
        .days
        .iter()
        .map(|day| DailyTemperature { date: day.date + chrono::Days::new(184), ..*day })
        .collect();
    let south = StationSeries::from_days("SOUTH", moved);
    let said = outlook(&south, 2020, date("2020-10-01"), &[], &definition).unwrap();
    let peak = said.peak_week.p50.unwrap();
    assert!(peak > date("2020-12-15") && peak < date("2021-02-28"), "{peak}");
    assert!(said.heat_so_far.is_some());
}

#[test]
fn too_short_a_record_is_refused_with_advice() {
    let days = phoenix().days.iter().filter(|day| day.date.year() >= 2018).copied().collect();
    let short = StationSeries::from_days("USW00023183", days);
    let refused = outlook(&short, 2024, date("2024-04-01"), &[], &SeasonDefinition::default());
    assert!(refused.unwrap_err().to_string().contains("longer record"));
    let backwards = ensemble(phoenix(), date("2024-04-01"), &[], date("2024-03-01"));
    assert!(backwards.unwrap_err().to_string().contains("two years"));
}

#[test]
fn climatology_is_the_past_years_as_they_were() {
    let (as_of, end) = (date("2023-07-01"), date("2023-07-31"));
    let paths = climatology_paths(phoenix(), as_of, end, SourceYears::Past).unwrap();
    let of_2020 = paths.iter().find(|path| path.source_year == 2020).unwrap();
    let range =
        hotspell_weather::series::DayRange { first: date("2020-07-01"), last: date("2020-07-31") };
    for (path, source) in of_2020.days.iter().zip(phoenix().days_within(range)) {
        assert_eq!(
            (path.tmin_celsius, path.tmax_celsius),
            (source.tmin_celsius, source.tmax_celsius)
        );
    }
}

#[test]
fn favouring_years_that_stood_alike_keeps_weights_of_one() {
    let options = EnsembleOptions { kernel_width: 1.0, ..EnsembleOptions::default() };
    let paths =
        ensemble_with(phoenix(), date("2024-04-01"), &[], date("2024-10-31"), &options).unwrap();
    let sum: f64 = paths.iter().map(|path| path.weight).sum();
    assert_within(sum, 1.0, 1e-12, "weights");
    let most = paths.iter().map(|path| path.weight).fold(0.0, f64::max);
    assert!(most > 1.2 / paths.len() as f64);
}

#[test]
fn the_curve_joins_what_is_known_to_what_may_come() {
    let definition = SeasonDefinition::default();
    let as_of = date("2024-07-01");
    let paths = ensemble(phoenix(), as_of, &[], date("2024-12-31")).unwrap();
    let curve = season_curve(phoenix(), 2024, as_of, &paths, &definition).unwrap();
    assert_eq!(curve.days.len(), 366);
    let at = |text: &str| curve.days.iter().find(|day| day.date == date(text)).unwrap();
    let (last_known, first_ahead, end) = (at("2024-06-30"), at("2024-07-01"), at("2024-12-31"));
    assert!(last_known.ahead_p50.is_none() && first_ahead.this_year.is_none());
    assert!(first_ahead.ahead_p10.unwrap() > last_known.this_year.unwrap());
    assert!(end.ahead_p10 < end.ahead_p90 && end.past_p10 < end.past_p90);
    assert!(curve.hot_spells.iter().all(|spell| spell.last_day < as_of));
}
