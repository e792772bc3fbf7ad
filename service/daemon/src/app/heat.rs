//! From a station's days to the heat that each class of component gathers.
//!
//! Weather gives run hours and part temperature of each day, reliability weighs them; this file
//! hands the one to the other and keeps the running totals to look up.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, NaiveDate};
use hotspell_domain::{ComponentClass, SiteId};
use hotspell_reliability::ensemble::HeatEnsemble;
use hotspell_reliability::heat_age::{AgingLaw, cumulative};
use hotspell_reliability::heat_rate::CABINET_RISE_KELVIN;
use hotspell_reliability::priors::LocalHeat;
use hotspell_weather::quantile::quantile;
use hotspell_weather::run_hours::{HouseLoad, PartEnvironment};
use hotspell_weather::season::{self, WeatherPath};
use hotspell_weather::series::{DailyTemperature, StationSeries};

use super::AppError;
use super::stations::StationUsed;
use super::weather::{self, WholeRecord};

/// Balance point of the reference house: 65 degF, the usual base of cooling degree days.
const BALANCE_CELSIUS: f64 = 18.333_333_333_333_332;
/// Capacity over design load of the reference house (usual practice; see `HouseLoad`).
const OVERSIZE: f64 = 1.15;
/// Share of days whose maximum lies below the design temperature.
const DESIGN_PERCENTILE: f64 = 0.99;
/// Full years that make the average yearly heat.
const YEARS_OF_LOCAL_HEAT: i32 = 10;

/// The reference part's surroundings: shaded cabinet.
const REFERENCE_PART: PartEnvironment = PartEnvironment {
    cabinet_rise_kelvin: CABINET_RISE_KELVIN,
    sun_rise_kelvin: 0.0,
    sunlit_share: 0.0,
};

/// Equivalent hours of each class's reference part by the end of each day.
type Gathered = BTreeMap<ComponentClass, Vec<f64>>;

/// A station beside the branch's own.
#[derive(Debug, Clone)]
struct FurtherStation {
    key: String,
    gathered: Gathered,
    /// Days on which the branch's own station stands in.
    lent: BTreeSet<NaiveDate>,
}

/// The heat of a branch's station, and of further ones beside it: for each class, the equivalent hours that its reference part has
/// gathered by the end of each day of the record.
#[derive(Debug, Clone)]
pub struct HeatBook {
    /// The record without holes, up to the day before `as_of`.
    pub series: StationSeries,
    /// The first day that is not known.
    pub as_of: NaiveDate,
    /// The house that the run hours stand for.
    pub house: HouseLoad,
    /// Days foretold from `as_of` on; may be empty.
    pub forecast: Vec<DailyTemperature>,
    /// What was assumed where the record had holes, in words.
    pub assumptions: Vec<String>,
    first_day: NaiveDate,
    gathered: Gathered,
    /// Further stations, on the same days.
    further: Vec<FurtherStation>,
    /// What each station counts at a home, this one first; a home that is not here has this
    /// station alone.
    weights: BTreeMap<SiteId, Vec<f64>>,
    /// Whether age is counted by the calendar and not by heat.
    by_calendar: bool,
}

impl HeatBook {
    /// Reckons the heat of a record up to the day before `as_of`.
    ///
    /// Holes are filled by the stated rule of the weather room and named in `assumptions`.
    ///
    /// # Errors
    /// [`AppError::NotReady`] when the record is empty or has too many holes.
    pub fn new(record: &StationSeries, as_of: NaiveDate) -> Result<Self, AppError> {
        let WholeRecord { series, range, assumptions } = weather::whole(record, as_of)?;
        let house = reference_house(&series)?;
        let gathered = gathered(&house, &series)?;
        Ok(Self {
            first_day: range.first,
            further: Vec::new(),
            weights: BTreeMap::new(),
            series,
            as_of,
            house,
            forecast: Vec::new(),
            assumptions,
            gathered,
            by_calendar: false,
        })
    }

    /// The same weather as it was known on an earlier day.
    #[must_use]
    pub fn known_on(&self, day: NaiveDate) -> Self {
        let known = self.series.days.iter().filter(|it| it.date < day).copied().collect();
        Self {
            series: StationSeries::from_days(self.series.station.clone(), known),
            as_of: day,
            forecast: Vec::new(),
            ..self.clone()
        }
    }

    /// Ages that count each day alike, whatever its heat: what heat age is compared with.
    #[must_use]
    pub fn by_calendar(&self) -> Self {
        let days = self.series.days.len();
        let hours: Vec<f64> = (1..=days).map(|day| 24.0 * day as f64).collect();
        let gathered = ComponentClass::ALL.iter().map(|class| (*class, hours.clone())).collect();
        let (further, weights) = (Vec::new(), BTreeMap::new());
        Self { gathered, further, weights, by_calendar: true, ..self.clone() }
    }

    /// Ages that grow a trace (one thousandth of an hour) on a day without heat too, so that the
    /// order of days is the order of ages.
    #[must_use]
    pub fn strictly_rising(&self) -> Self {
        let mut rising = self.clone();
        let further = rising.further.iter_mut().flat_map(|it| it.gathered.values_mut());
        for totals in rising.gathered.values_mut().chain(further) {
            for (day, total) in totals.iter_mut().enumerate() {
                *total += 0.001 * day as f64;
            }
        }
        rising
    }

    /// Whether age is counted by the calendar and not by heat.
    #[must_use]
    pub fn is_by_calendar(&self) -> bool {
        self.by_calendar
    }

    /// The same with what is foretold.
    #[must_use]
    pub fn with_forecast(mut self, forecast: Vec<DailyTemperature>) -> Self {
        self.forecast = forecast;
        self
    }

    /// Puts a further station beside, whose record covers the days of this one; its house is the
    /// one that its own weather asks for.
    ///
    /// # Errors
    /// [`AppError::Internal`] when the days are not the same.
    pub fn add_station(
        &mut self,
        series: &StationSeries,
        lent: &[NaiveDate],
    ) -> Result<(), AppError> {
        if series.covered != self.series.covered || series.days.len() != self.series.days.len() {
            return Err(AppError::internal("heat of a further station", "other days"));
        }
        if !lent.is_empty() {
            self.assumptions.push(format!(
                "station {} lacks {} of {} days; {} stands in on them, moved by their mean difference",
                series.station,
                lent.len(),
                series.days.len(),
                self.series.station
            ));
        }
        let gathered = gathered(&reference_house(series)?, series)?;
        let (key, lent) = (series.station.clone(), lent.iter().copied().collect());
        self.further.push(FurtherStation { key, gathered, lent });
        Ok(())
    }

    /// Says what each station counts at each home: this book's own first, then the further ones in
    /// the order in which they were added.
    pub fn weigh(&mut self, weights: BTreeMap<SiteId, Vec<f64>>) {
        self.weights = weights;
    }

    /// The stations, this book's own first, for the record of a run.
    #[must_use]
    pub fn stations_used(&self) -> Vec<StationUsed> {
        let own = StationUsed { station: self.series.station.clone(), lent_days: 0 };
        let further = self
            .further
            .iter()
            .map(|it| StationUsed { station: it.key.clone(), lent_days: it.lent.len() });
        std::iter::once(own).chain(further).collect()
    }

    /// Whether what a station says of a day counts at a home: by its weight there, or because it
    /// stands in for one that lacks the day.
    #[must_use]
    pub fn counts_at(&self, site: SiteId, station: &str, day: NaiveDate) -> bool {
        let is_own = self.series.station == station;
        let Some((own, further)) = self.weights.get(&site).and_then(|all| all.split_first()) else {
            return is_own;
        };
        let lends = |it: &FurtherStation| is_own && it.lent.contains(&day);
        (is_own && *own > 0.0)
            || self
                .further
                .iter()
                .zip(further)
                .any(|(it, weight)| *weight > 0.0 && (it.key == station || lends(it)))
    }

    /// What each station counts at homes where others than this book's own count.
    #[must_use]
    pub fn weights(&self) -> &BTreeMap<SiteId, Vec<f64>> {
        &self.weights
    }

    /// Heat of the reference part by the end of a day: 0 before the record, its total after it.
    fn total(&self, gathered: &Gathered, class: ComponentClass, day: NaiveDate) -> f64 {
        let Some(totals) = gathered.get(&class) else { return 0.0 };
        match usize::try_from((day - self.first_day).num_days()) {
            Err(_) => 0.0,
            Ok(index) => totals.get(index).or(totals.last()).copied().unwrap_or(0.0),
        }
    }

    /// Equivalent hours that the reference part gathers at the branch's own station from the
    /// beginning of `from` to the beginning of `until`.
    #[must_use]
    pub fn between(&self, class: ComponentClass, from: NaiveDate, until: NaiveDate) -> f64 {
        self.between_of(&self.gathered, class, from, until)
    }

    fn between_of(
        &self,
        gathered: &Gathered,
        class: ComponentClass,
        from: NaiveDate,
        until: NaiveDate,
    ) -> f64 {
        let before =
            |day: NaiveDate| day.pred_opt().map_or(0.0, |day| self.total(gathered, class, day));
        (before(until) - before(from)).max(0.0)
    }

    /// The same at a home: the stations' heat by their weights there.
    #[must_use]
    pub fn between_at(
        &self,
        site: SiteId,
        class: ComponentClass,
        from: NaiveDate,
        until: NaiveDate,
    ) -> f64 {
        let Some(weights) = self.weights.get(&site) else {
            return self.between(class, from, until);
        };
        let stations =
            std::iter::once(&self.gathered).chain(self.further.iter().map(|it| &it.gathered));
        stations
            .zip(weights)
            .map(|(heat, weight)| weight * self.between_of(heat, class, from, until))
            .sum()
    }

    /// How much faster than at the branch's own station heat gathers at a home: the ratio of the
    /// average yearly heat over the last full years. What is to come is told by the branch's own
    /// station and scaled by it.
    #[must_use]
    pub fn local_rate(&self, site: SiteId, class: ComponentClass) -> f64 {
        if !self.weights.contains_key(&site) {
            return 1.0;
        }
        let Some((from, until)) = self.local_years() else { return 1.0 };
        let own = self.between(class, from, until);
        let here = self.between_at(site, class, from, until);
        if own > 0.0 && here > 0.0 { here / own } else { 1.0 }
    }

    /// The full years whose heat is the usual one, as their first day and the first day after.
    fn local_years(&self) -> Option<(NaiveDate, NaiveDate)> {
        let this_year = self.as_of.year();
        let first_year = (this_year - YEARS_OF_LOCAL_HEAT).max(self.first_day.year() + 1);
        NaiveDate::from_yo_opt(first_year, 1).zip(NaiveDate::from_yo_opt(this_year, 1))
    }

    /// First day of the record: a part installed earlier is younger here than it truly is.
    #[must_use]
    pub fn first_day(&self) -> NaiveDate {
        self.first_day
    }

    /// Average yearly heat of each class over the last full years.
    #[must_use]
    pub fn local_heat(&self) -> LocalHeat {
        let equivalent_hours_per_year = ComponentClass::ALL
            .iter()
            .filter_map(|class| {
                let (from, until) = self.local_years()?;
                let years = f64::from((until.year() - from.year()).max(1));
                Some((*class, self.between(*class, from, until) / years))
            })
            .collect();
        LocalHeat { equivalent_hours_per_year }
    }

    /// Weather paths from `as_of` to `end`: the past years, the first days drawn to the forecast.
    ///
    /// # Errors
    /// [`AppError::NotReady`] when the record has too few years.
    pub fn paths(&self, end: NaiveDate) -> Result<Vec<WeatherPath>, AppError> {
        season::ensemble(&self.series, self.as_of, &self.forecast, end).map_err(|error| {
            AppError::NotReady(format!("season of {}: {error}", self.series.station))
        })
    }

    /// For each class, the heat to come by the beginning of each date, on every path.
    ///
    /// # Errors
    /// [`AppError::Internal`] when the paths do not make an ensemble.
    pub fn ensembles(
        &self,
        paths: &[WeatherPath],
        dates: &[NaiveDate],
    ) -> Result<BTreeMap<ComponentClass, HeatEnsemble>, AppError> {
        // The ensemble takes its paths as alike; the weather room's default makes them so.
        let first = paths.first().map_or(0.0, |path| path.weight);
        if paths.iter().any(|path| (path.weight - first).abs() > 1e-12) {
            return Err(AppError::internal("heat to come", "weather paths of unequal weight"));
        }
        let mut ensembles = BTreeMap::new();
        for class in ComponentClass::ALL {
            let mut rows = Vec::with_capacity(paths.len());
            for path in paths {
                if self.by_calendar {
                    let hours = |date: &NaiveDate| 24.0 * (*date - self.as_of).num_days() as f64;
                    rows.push(dates.iter().map(hours).collect());
                    continue;
                }
                let totals = cumulative(&daily_heat(&self.house, *class, &path.days)?);
                rows.push(dates.iter().map(|date| self.by(*date, &totals)).collect());
            }
            let ensemble = HeatEnsemble::new(&rows)
                .map_err(|error| AppError::internal("heat to come", error))?;
            ensembles.insert(*class, ensemble);
        }
        Ok(ensembles)
    }

    /// A path's heat by the beginning of a date.
    fn by(&self, date: NaiveDate, totals: &[f64]) -> f64 {
        match usize::try_from((date - self.as_of).num_days()) {
            Err(_) | Ok(0) => 0.0,
            Ok(days) => totals.get(days - 1).or(totals.last()).copied().unwrap_or(0.0),
        }
    }
}

/// The house of the usual proportions whose design temperature is the station's own.
fn reference_house(series: &StationSeries) -> Result<HouseLoad, AppError> {
    let maxima: Vec<f64> = series.days.iter().map(|day| day.tmax_celsius).collect();
    let design_celsius = quantile(&maxima, DESIGN_PERCENTILE)
        .ok_or_else(|| AppError::NotReady("the weather record is empty".to_owned()))?;
    Ok(HouseLoad { balance_celsius: BALANCE_CELSIUS, design_celsius, oversize: OVERSIZE })
}

fn gathered(house: &HouseLoad, series: &StationSeries) -> Result<Gathered, AppError> {
    let mut gathered = BTreeMap::new();
    for class in ComponentClass::ALL {
        gathered.insert(*class, cumulative(&daily_heat(house, *class, &series.days)?));
    }
    Ok(gathered)
}

fn daily_heat(
    house: &HouseLoad,
    class: ComponentClass,
    days: &[DailyTemperature],
) -> Result<Vec<f64>, AppError> {
    let exposures = house.exposures(days, &REFERENCE_PART);
    let run_hours: Vec<f64> = exposures.iter().map(|day| day.run_hours).collect();
    let part_celsius: Vec<f64> = exposures.iter().map(|day| day.part_celsius).collect();
    AgingLaw::of_class(class)
        .daily_equivalent_hours(&run_hours, &part_celsius, 1.0)
        .map_err(|error| AppError::internal("heat of a day", error))
}
