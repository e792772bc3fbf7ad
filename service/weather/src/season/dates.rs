//! The dates of one season, read off its days.

use chrono::NaiveDate;

use crate::degree_days::{Base, DegreeDayRule, Method, Sense};
use crate::hot_spells::SpellRule;
use crate::series::{DailyTemperature, DayRange, StationSeries};

/// Days in the peak-load week.
const WEEK: usize = 7;
/// A year with more missing days than this has no dates.
const MOST_MISSING: usize = 5;

/// What a complete year was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearDates {
    /// First day of the first run that the definition of heat asks for.
    pub heat_begins: Option<NaiveDate>,
    /// First day of the first hot spell.
    pub first_hot_spell: Option<NaiveDate>,
    /// First day of the week with the most degree days; none in a year without any.
    pub peak_week: Option<NaiveDate>,
}

/// The dates of a stretch of days that are in order.
pub(super) fn dates_of_days(
    days: &[DailyTemperature],
    heat_begins: &SpellRule,
    hot_spell: &SpellRule,
    load: &[f64],
) -> YearDates {
    YearDates {
        heat_begins: heat_begins.first_spell(days),
        first_hot_spell: hot_spell.first_spell(days),
        peak_week: peak_week(days, load),
    }
}

/// The dates of a past season; none when the record has fewer than 365 of its days or more than
/// five missing.
pub fn year_dates(
    series: &StationSeries,
    season: DayRange,
    heat_begins: &SpellRule,
    hot_spell: &SpellRule,
    load_base: Base,
) -> Option<YearDates> {
    let days = complete_days(series, season)?;
    Some(dates_of_days(days, heat_begins, hot_spell, &daily_load(days, load_base)))
}

/// The days of a season that is complete enough to have dates.
pub(super) fn complete_days(
    series: &StationSeries,
    season: DayRange,
) -> Option<&[DailyTemperature]> {
    let covered = series.covered?.intersection(season)?;
    let days = series.days_within(season);
    (covered.days() >= 365 && season.days() - days.len() <= MOST_MISSING).then_some(days)
}

/// Simple-mean cooling degree days of each day.
pub(super) fn daily_load(days: &[DailyTemperature], base: Base) -> Vec<f64> {
    let mut load = Vec::new();
    // The mean method has no unit and no hours to refuse.
    if let Ok(rule) = DegreeDayRule::new(Method::Mean, base, Sense::Cooling)
        && rule.of_days_into(days, &mut load).is_err()
    {
        load.clear();
    }
    load
}

/// First day of the seven consecutive calendar days with the most load; the earliest on a tie, none
/// without any load.
pub fn peak_week(days: &[DailyTemperature], load: &[f64]) -> Option<NaiveDate> {
    let mut best: Option<(f64, NaiveDate)> = None;
    for (week, load) in days.windows(WEEK).zip(load.windows(WEEK)) {
        let (Some(first), Some(last)) = (week.first(), week.last()) else { continue };
        if (last.date - first.date).num_days() != WEEK as i64 - 1 {
            continue;
        }
        let sum: f64 = load.iter().sum();
        // A billionth keeps the order of addition from choosing between equal weeks.
        if sum > 1e-9 && best.is_none_or(|(most, _)| sum > most + 1e-9) {
            best = Some((sum, first.date));
        }
    }
    best.map(|(_, first)| first)
}

/// First day by which this share of a season's load has come; none for a season without load.
pub fn first_day_of_load_share(
    days: &[DailyTemperature],
    load: &[f64],
    share: f64,
) -> Option<NaiveDate> {
    let total: f64 = load.iter().sum();
    if total <= 0.0 {
        return None;
    }
    let wanted = share * total - 1e-9;
    let mut reached = 0.0;
    let passes = |amount: &f64| {
        reached += amount;
        reached >= wanted
    };
    let at = load.iter().position(passes)?;
    days.get(at).map(|day| day.date)
}
