//! Weather paths from a day on: what the coming days may be, as the past years were.

use chrono::{Datelike, Days, NaiveDate};
use serde::{Deserialize, Serialize};

use super::{FEWEST_YEARS, SeasonError};
use crate::series::{DailyTemperature, DayRange, StationSeries};

/// Correlation of a forecast's departure from normal with what then comes, by day ahead from one.
///
/// A member of the ensemble is drawn to the forecast by this much and keeps sqrt(1 - r²) of its own
/// departure, so the spread grows day by day to that of the past years. From memory of published
/// verification of maximum temperature (error near 1.5 K on the first and 3.5 K on the seventh
/// day, where the climatic spread is 4.5 K); not read again: check before relying on it.
pub const FORECAST_SKILL: [f64; 7] = [0.94, 0.92, 0.89, 0.85, 0.79, 0.71, 0.62];

/// Longest gap of a past year that is bridged, days; a longer one leaves the year out.
const BRIDGED_DAYS: i64 = 5;
/// Days over which "how this year stands" is measured.
const RECENT_DAYS: u64 = 30;
/// Time in which a departure fades to a third, days.
const FADING_DAYS: f64 = 30.0;

/// One possible future.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WeatherPath {
    /// The past year that it follows.
    pub source_year: i32,
    /// Its share of the probability; the weights of an ensemble sum to one.
    pub weight: f64,
    /// Every calendar day from the as-of day to the end.
    pub days: Vec<DailyTemperature>,
}

/// Which years may serve as sources.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SourceYears {
    /// Only what was over by the as-of day: what could truly have been said.
    #[default]
    Past,
    /// Every year but the one in question; for the hindcast of short records.
    AllOthers,
}

/// How the past is brought to bear. The default is what the hindcast in `docs/heat.md` chose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnsembleOptions {
    /// Which years serve.
    pub sources: SourceYears,
    /// Move past years along the record's own linear trend to the year in question.
    pub follow_trend: bool,
    /// Move past years by the persistence of how this year stands.
    pub follow_standing: bool,
    /// Width of the kernel that favours past years which stood alike, in standard deviations of
    /// the standing; infinite weighs all alike.
    pub kernel_width: f64,
    /// Correlation of the forecast by day ahead; an empty slice leaves the forecast out.
    pub forecast_skill: &'static [f64],
}

impl Default for EnsembleOptions {
    fn default() -> Self {
        Self {
            sources: SourceYears::Past,
            follow_trend: true,
            follow_standing: true,
            kernel_width: f64::INFINITY,
            forecast_skill: &FORECAST_SKILL,
        }
    }
}

/// Paths from `as_of` to `end` with the default options.
///
/// `history`: the station's record; its days before `as_of` say how this year stands, later ones
/// are not looked at. `forecast`: days from `as_of` on, may be empty; beyond the seventh day it is
/// not used.
///
/// # Errors
/// [`SeasonError`] when fewer than [`FEWEST_YEARS`] past years cover the stretch.
pub fn ensemble(
    history: &StationSeries,
    as_of: NaiveDate,
    forecast: &[DailyTemperature],
    end: NaiveDate,
) -> Result<Vec<WeatherPath>, SeasonError> {
    ensemble_with(history, as_of, forecast, end, &EnsembleOptions::default())
}

/// The past years as they were, all alike: climatology alone.
///
/// # Errors
/// As [`ensemble`].
pub fn climatology_paths(
    history: &StationSeries,
    as_of: NaiveDate,
    end: NaiveDate,
    sources: SourceYears,
) -> Result<Vec<WeatherPath>, SeasonError> {
    let options = EnsembleOptions {
        sources,
        follow_trend: false,
        follow_standing: false,
        kernel_width: f64::INFINITY,
        forecast_skill: &[],
    };
    ensemble_with(history, as_of, &[], end, &options)
}

/// Paths from `as_of` to `end`.
///
/// # Errors
/// As [`ensemble`].
pub fn ensemble_with(
    history: &StationSeries,
    as_of: NaiveDate,
    forecast: &[DailyTemperature],
    end: NaiveDate,
    options: &EnsembleOptions,
) -> Result<Vec<WeatherPath>, SeasonError> {
    let stretch = DayRange { first: as_of, last: end };
    if !(1..=731).contains(&stretch.days()) {
        return Err(SeasonError::BadStretch { from: as_of, to: end });
    }
    let mut paths = source_paths(history, stretch, options.sources);
    if paths.len() < FEWEST_YEARS {
        return Err(SeasonError::TooFewYears {
            usable: paths.len(),
            needed: FEWEST_YEARS,
            from: as_of,
            to: end,
        });
    }
    let target = as_of.year();
    if options.follow_trend {
        follow_trend(&mut paths, target);
    }
    if options.follow_standing || options.kernel_width.is_finite() {
        stand(&mut paths, history, as_of, options);
    }
    blend_forecast(&mut paths, as_of, forecast, options.forecast_skill);
    Ok(paths.into_iter().map(|source| source.path).collect())
}

/// A path with the recent days that came before it in its own year.
struct SourcePath {
    path: WeatherPath,
    /// Recent mean, K, moved along with the path; none where the year before lacks days.
    recent_celsius: Option<f64>,
}

fn source_paths(
    history: &StationSeries,
    stretch: DayRange,
    sources: SourceYears,
) -> Vec<SourcePath> {
    let Some(years) = history.years() else { return Vec::new() };
    let target = stretch.first.year();
    let mut paths = Vec::new();
    for year in years.filter(|year| *year != target) {
        let Some(last) = in_year(stretch.last, year - target) else { continue };
        if sources == SourceYears::Past && last >= stretch.first {
            continue;
        }
        let Some(days) = source_days(history, stretch, year - target) else { continue };
        let recent_celsius =
            in_year(stretch.first, year - target).and_then(|first| recent_mean(history, first));
        let path = WeatherPath { source_year: year, weight: 0.0, days };
        paths.push(SourcePath { path, recent_celsius });
    }
    let weight = 1.0 / paths.len() as f64;
    for source in &mut paths {
        source.path.weight = weight;
    }
    paths
}

/// The same calendar day some years away; 29 February becomes the 28th in an ordinary year.
fn in_year(date: NaiveDate, years: i32) -> Option<NaiveDate> {
    let year = date.year().checked_add(years)?;
    date.with_year(year).or_else(|| NaiveDate::from_ymd_opt(year, date.month(), 28))
}

/// The days of a past year under the dates of the stretch, short gaps bridged; none where a gap is
/// long.
fn source_days(
    history: &StationSeries,
    stretch: DayRange,
    years: i32,
) -> Option<Vec<DailyTemperature>> {
    let days = &history.days;
    let mut at = days.partition_point(|day| Some(day.date) < in_year(stretch.first, years));
    let mut path = Vec::with_capacity(stretch.days());
    for date in stretch.iter() {
        let wanted = in_year(date, years)?;
        while days.get(at).is_some_and(|day| day.date < wanted) {
            at += 1;
        }
        let source = match days.get(at) {
            Some(day) if day.date == wanted => *day,
            next => bridged(wanted, at.checked_sub(1).and_then(|before| days.get(before)), next)?,
        };
        path.push(DailyTemperature { date, ..source });
    }
    Some(path)
}

fn bridged(
    date: NaiveDate,
    before: Option<&DailyTemperature>,
    after: Option<&DailyTemperature>,
) -> Option<DailyTemperature> {
    let (before, after) = (before?, after?);
    let span = (after.date - before.date).num_days();
    if span > BRIDGED_DAYS + 1 {
        return None;
    }
    let share = (date - before.date).num_days() as f64 / span as f64;
    let line = |from: f64, to: f64| from + share * (to - from);
    Some(DailyTemperature {
        date,
        tmin_celsius: line(before.tmin_celsius, after.tmin_celsius),
        tmax_celsius: line(before.tmax_celsius, after.tmax_celsius),
    })
}

/// Mean of the daily means of the thirty days before a day; none with fewer than twenty of them.
fn recent_mean(history: &StationSeries, before: NaiveDate) -> Option<f64> {
    let range = DayRange {
        first: before.checked_sub_days(Days::new(RECENT_DAYS))?,
        last: before.pred_opt()?,
    };
    let days = history.days_within(range);
    if days.len() < 20 {
        return None;
    }
    Some(days.iter().map(DailyTemperature::mean_celsius).sum::<f64>() / days.len() as f64)
}

/// A straight line through points, by least squares, with the standard error of its slope.
struct Line {
    slope: f64,
    slope_error: f64,
    mean_x: f64,
}

impl Line {
    fn through(points: &[(f64, f64)]) -> Option<Self> {
        let count = points.len() as f64;
        if points.len() < 3 {
            return None;
        }
        let mean_x = points.iter().map(|(x, _)| x).sum::<f64>() / count;
        let mean_y = points.iter().map(|(_, y)| y).sum::<f64>() / count;
        let square: f64 = points.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
        if square <= 0.0 {
            return None;
        }
        let slope = points.iter().map(|(x, y)| (x - mean_x) * (y - mean_y)).sum::<f64>() / square;
        let rest: f64 =
            points.iter().map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2)).sum();
        let slope_error = (rest / (count - 2.0) / square).sqrt();
        Some(Self { slope, slope_error, mean_x })
    }

    /// The slope, drawn towards zero by how uncertain it is.
    fn shrunk_slope(&self) -> f64 {
        let squared = self.slope * self.slope;
        if squared <= 0.0 {
            return 0.0;
        }
        self.slope * squared / (squared + self.slope_error * self.slope_error)
    }
}

/// Moves each past year along the trend of its stretch to the target year, nights and days apart
/// (cities warm most at night).
fn follow_trend(paths: &mut [SourcePath], target: i32) {
    let element_mean = |path: &WeatherPath, element: fn(&DailyTemperature) -> f64| {
        path.days.iter().map(element).sum::<f64>() / path.days.len() as f64
    };
    let slope = |element: fn(&DailyTemperature) -> f64| {
        let points: Vec<(f64, f64)> = paths
            .iter()
            .map(|s| (f64::from(s.path.source_year), element_mean(&s.path, element)))
            .collect();
        Line::through(&points).map_or(0.0, |line| line.shrunk_slope())
    };
    let night = slope(|day| day.tmin_celsius);
    let noon = slope(|day| day.tmax_celsius);
    for source in paths {
        let years = f64::from(target - source.path.source_year);
        for day in &mut source.path.days {
            day.tmin_celsius += night * years;
            day.tmax_celsius += noon * years;
            day.tmin_celsius = day.tmin_celsius.min(day.tmax_celsius);
        }
        if let Some(recent) = &mut source.recent_celsius {
            *recent += f64::midpoint(night, noon) * years;
        }
    }
}

/// Conditions the paths on the last thirty days: moves them by the part of the departure that the
/// record shows to persist, fading; and favours years that stood alike.
fn stand(
    paths: &mut [SourcePath],
    history: &StationSeries,
    as_of: NaiveDate,
    options: &EnsembleOptions,
) {
    let Some(now) = recent_mean(history, as_of) else { return };
    let month_ahead = |path: &WeatherPath| {
        let days = path.days.get(..path.days.len().min(RECENT_DAYS as usize)).unwrap_or_default();
        days.iter().map(DailyTemperature::mean_celsius).sum::<f64>() / days.len() as f64
    };
    let points: Vec<(f64, f64)> = paths
        .iter()
        .filter_map(|source| Some((source.recent_celsius?, month_ahead(&source.path))))
        .collect();
    let Some(line) = Line::through(&points) else { return };
    if options.follow_standing {
        // Persistence is never negative and never whole; what the record says beyond is noise.
        let persistence = line.shrunk_slope().clamp(0.0, 0.8);
        // So that the mean of the first thirty days moves by the persistence.
        let first_day = persistence / (1.0 - (-(RECENT_DAYS as f64) / FADING_DAYS).exp());
        for source in paths.iter_mut() {
            let departure = now - source.recent_celsius.unwrap_or(line.mean_x);
            for (ahead, day) in source.path.days.iter_mut().enumerate() {
                let shift = first_day * departure * (-(ahead as f64) / FADING_DAYS).exp();
                day.tmin_celsius += shift;
                day.tmax_celsius += shift;
            }
        }
    }
    if options.kernel_width.is_finite() {
        favour_alike(paths, now, &line, options.kernel_width);
    }
}

fn favour_alike(paths: &mut [SourcePath], now: f64, line: &Line, width: f64) {
    let known: Vec<f64> = paths.iter().filter_map(|source| source.recent_celsius).collect();
    let squares: f64 = known.iter().map(|recent| (recent - line.mean_x).powi(2)).sum();
    let deviation = (squares / known.len() as f64).sqrt().max(1e-6);
    // A year that stands beyond all others is compared with its nearest kin.
    let now = now.clamp(line.mean_x - 2.0 * deviation, line.mean_x + 2.0 * deviation);
    let kernel = |recent: f64| (-0.5 * ((recent - now) / (width * deviation)).powi(2)).exp();
    for source in paths.iter_mut() {
        source.path.weight *= kernel(source.recent_celsius.unwrap_or(line.mean_x));
    }
    let sum: f64 = paths.iter().map(|source| source.path.weight).sum();
    for source in paths {
        source.path.weight /= sum;
    }
}

/// Draws the first days to the forecast, each by its skill, and narrows their spread accordingly.
fn blend_forecast(
    paths: &mut [SourcePath],
    as_of: NaiveDate,
    forecast: &[DailyTemperature],
    skill: &[f64],
) {
    for day in forecast {
        let Some(ahead) = usize::try_from((day.date - as_of).num_days()).ok() else { continue };
        let Some(skill) = skill.get(ahead) else { continue };
        let mean = |element: fn(&DailyTemperature) -> f64| -> f64 {
            let weighted = |source: &SourcePath| {
                source.path.days.get(ahead).map_or(0.0, |day| source.path.weight * element(day))
            };
            paths.iter().map(weighted).sum()
        };
        let usual_night = mean(|day| day.tmin_celsius);
        let usual_noon = mean(|day| day.tmax_celsius);
        let own = (1.0 - skill * skill).sqrt();
        for source in paths.iter_mut() {
            let Some(member) = source.path.days.get_mut(ahead) else { continue };
            let drawn = |value: f64, usual: f64, forecast: f64| {
                usual + skill * (forecast - usual) + own * (value - usual)
            };
            member.tmax_celsius = drawn(member.tmax_celsius, usual_noon, day.tmax_celsius);
            member.tmin_celsius =
                drawn(member.tmin_celsius, usual_night, day.tmin_celsius).min(member.tmax_celsius);
        }
    }
}
