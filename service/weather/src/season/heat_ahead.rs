//! The hot spell that a forecast brings.

use chrono::{Datelike, Days, NaiveDate};

use super::outlook::base_years;
use super::{FEWEST_YEARS, SeasonDefinition, SeasonError, season_range};
use crate::series::{DailyTemperature, DayRange, StationSeries};

/// A hot spell of which a day is still to come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpellAhead {
    /// Its first day from the as-of day on.
    pub first_day: NaiveDate,
    /// Whether it had begun before the as-of day.
    pub goes_on: bool,
    /// How many of its days are still to come, the first day included.
    pub days: usize,
    /// Whether its last day is the forecast's last: then it may be longer.
    pub open_end: bool,
    /// Highest daily maximum of those days, °C.
    pub highest_celsius: f64,
}

/// The first hot spell, by the season's own definition, that the days before `as_of` and the forecast
/// from that day on make together; nothing when they make none.
///
/// # Errors
/// [`SeasonError`] when the record has no day to take percentiles from.
pub fn spell_ahead(
    history: &StationSeries,
    as_of: NaiveDate,
    forecast: &[DailyTemperature],
    definition: &SeasonDefinition,
) -> Result<Option<SpellAhead>, SeasonError> {
    let season = season_range(as_of.year(), definition)?;
    let rule = definition
        .first_hot_spell
        .resolve(history, base_years(history, as_of.year()))
        .ok_or(SeasonError::TooFewYears {
            usable: 0,
            needed: FEWEST_YEARS,
            from: season.first,
            to: season.last,
        })?;
    let coming: Vec<DailyTemperature> =
        forecast.iter().copied().filter(|day| day.date >= as_of).collect();
    let Some(last) = coming.last().map(|day| day.date) else { return Ok(None) };
    let year_before = as_of.checked_sub_days(Days::new(365));
    let known = year_before.zip(as_of.pred_opt()).map(|(first, last)| DayRange { first, last });
    let mut days = known.map_or_else(Vec::new, |range| history.days_within(range).to_vec());
    days.extend(&coming);
    let spell = rule.spells(&days).into_iter().find(|spell| spell.last_day >= as_of);
    Ok(spell.map(|spell| {
        let first_day = spell.first_day.max(as_of);
        let ahead = coming.iter().filter(|day| (first_day..=spell.last_day).contains(&day.date));
        SpellAhead {
            first_day,
            goes_on: spell.first_day < as_of,
            days: ahead.clone().count(),
            open_end: spell.last_day == last,
            highest_celsius: ahead.map(|day| day.tmax_celsius).fold(f64::NEG_INFINITY, f64::max),
        }
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn day(text: &str, tmin_celsius: f64, tmax_celsius: f64) -> DailyTemperature {
        DailyTemperature { date: date(text), tmin_celsius, tmax_celsius }
    }

    /// Thirty years whose daily means rise by a hundredth of a degree a day within each year, from 10 °C:
    /// the 95th percentile lies near the mean of the year's 347th day, 13.5 °C.
    fn record(until: &str) -> StationSeries {
        let days = date("1991-01-01").iter_days().take_while(|day| *day < date(until));
        let days = days.map(|day| {
            let mean = 10.0 + 0.01 * f64::from(day.ordinal());
            DailyTemperature { date: day, tmin_celsius: mean - 5.0, tmax_celsius: mean + 5.0 }
        });
        StationSeries::from_days("EXAMPLE".to_owned(), days.collect())
    }

    fn ahead(history: &StationSeries, forecast: &[DailyTemperature]) -> Option<SpellAhead> {
        let definition = SeasonDefinition::default();
        spell_ahead(history, date("2021-06-10"), forecast, &definition).unwrap()
    }

    #[test]
    fn three_hot_days_in_a_row_of_the_forecast_are_a_spell_and_two_are_none() {
        let history = record("2021-06-10");
        let mut forecast = vec![
            day("2021-06-10", 6.0, 16.0),
            day("2021-06-11", 15.0, 25.0),
            day("2021-06-12", 15.0, 27.0),
            day("2021-06-13", 15.0, 26.0),
            day("2021-06-14", 6.0, 16.0),
        ];
        let spell = ahead(&history, &forecast).unwrap();
        let told = (spell.first_day, spell.goes_on, spell.days, spell.open_end);
        assert_eq!(told, (date("2021-06-11"), false, 3, false));
        assert!((spell.highest_celsius - 27.0).abs() < 1e-9, "the daily maximum, not the mean");
        forecast[3] = day("2021-06-13", 6.0, 16.0);
        assert_eq!(ahead(&history, &forecast), None);
        assert_eq!(ahead(&history, &[]), None);
    }

    #[test]
    fn a_spell_that_began_before_today_goes_on_and_one_that_reaches_the_end_is_open() {
        let mut days = record("2021-06-08").days;
        days.extend([day("2021-06-08", 15.0, 25.0), day("2021-06-09", 15.0, 25.0)]);
        let history = StationSeries::from_days("EXAMPLE".to_owned(), days);
        let forecast = [day("2021-06-10", 15.0, 24.0), day("2021-06-11", 6.0, 16.0)];
        let spell = ahead(&history, &forecast).unwrap();
        assert_eq!((spell.first_day, spell.goes_on, spell.days), (date("2021-06-10"), true, 1));
        assert!(!spell.open_end);
        let spell = ahead(&history, &forecast[..1]).unwrap();
        assert!(spell.open_end);
    }
}
