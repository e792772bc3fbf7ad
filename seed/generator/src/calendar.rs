//! Heat that parts gathered between two days of the real record.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use hotspell_domain::ComponentClass;
use hotspell_domain::quantity::celsius_from_fahrenheit;
use hotspell_reliability::heat_age::{AgingLaw, HeatAgeError, cumulative};
use hotspell_reliability::heat_rate::{CABINET_RISE_KELVIN, SUN_RISE_KELVIN};
use hotspell_weather::gaps;
use hotspell_weather::quantile::quantile;
use hotspell_weather::run_hours::{HouseLoad, PartEnvironment};
use hotspell_weather::series::{DayRange, StationSeries};

/// Why there is no heat to age by.
#[derive(Debug, thiserror::Error)]
pub enum CalendarError {
    /// The record holds no day.
    #[error("the station's record holds no day")]
    Empty,
    /// The record has holes that may not be filled.
    #[error("the station's record from {first} to {last} cannot be used")]
    Gaps {
        /// First day needed.
        first: NaiveDate,
        /// Last day needed.
        last: NaiveDate,
        /// Why.
        #[source]
        source: gaps::GapError,
    },
    /// A day that gives no heat age.
    #[error("the station's record gives no heat age for {class}")]
    HeatAge {
        /// The class of part.
        class: ComponentClass,
        /// Why.
        #[source]
        source: HeatAgeError,
    },
}

/// Days of an average year (Gregorian calendar).
pub(crate) const DAYS_PER_YEAR: f64 = 365.2425;

/// Share of days whose maximum the design temperature covers.
const DESIGN_QUANTILE: f64 = 0.99;

/// The reference house, the same for every home: balance point at the degree-day base, design at
/// the hottest hundredth of the station's days, a usual oversize.
fn house(series: &StationSeries) -> Option<HouseLoad> {
    let maxima: Vec<f64> = series.days.iter().map(|day| day.tmax_celsius).collect();
    Some(HouseLoad {
        balance_celsius: celsius_from_fahrenheit(65.0),
        design_celsius: quantile(&maxima, DESIGN_QUANTILE)?,
        oversize: 1.15,
    })
}

/// Surroundings of the reference part: shaded; see [`hotspell_reliability::heat_rate`].
const REFERENCE: PartEnvironment = PartEnvironment {
    cabinet_rise_kelvin: CABINET_RISE_KELVIN,
    sun_rise_kelvin: SUN_RISE_KELVIN,
    sunlit_share: 0.0,
};

/// Running totals of the heat of reference parts, from the first day of the record on.
#[derive(Debug)]
pub(crate) struct HeatCalendar {
    first: NaiveDate,
    /// Element `i` is the heat up to and including day `i`, equivalent hours.
    totals: BTreeMap<ComponentClass, Vec<f64>>,
}

impl HeatCalendar {
    /// Reckons every class over the days `first..=last`.
    pub(crate) fn new(
        series: &StationSeries,
        first: NaiveDate,
        last: NaiveDate,
    ) -> Result<Self, CalendarError> {
        let filled = gaps::fill(series, DayRange { first, last })
            .map_err(|source| CalendarError::Gaps { first, last, source })?
            .series(&series.station);
        let house = house(series).ok_or(CalendarError::Empty)?;
        let days = house.exposures(&filled.days, &REFERENCE);
        let (hours, celsius): (Vec<f64>, Vec<f64>) =
            days.iter().map(|day| (day.run_hours, day.part_celsius)).unzip();
        let mut totals = BTreeMap::new();
        for &class in ComponentClass::ALL {
            let daily = AgingLaw::of_class(class)
                .daily_equivalent_hours(&hours, &celsius, 1.0)
                .map_err(|source| CalendarError::HeatAge { class, source })?;
            totals.insert(class, cumulative(&daily));
        }
        Ok(Self { first, totals })
    }

    /// Heat of the days from `from` to the day before `until`, equivalent hours; days outside the
    /// record bring none.
    pub(crate) fn gathered(&self, class: ComponentClass, from: NaiveDate, until: NaiveDate) -> f64 {
        self.total_before(class, until) - self.total_before(class, from)
    }

    /// The day in which a part put in on `from` has gathered `hours`; none if that lies beyond the
    /// record.
    pub(crate) fn day_reaching(
        &self,
        class: ComponentClass,
        from: NaiveDate,
        hours: f64,
    ) -> Option<NaiveDate> {
        let totals = self.totals.get(&class)?;
        let wanted = self.total_before(class, from) + hours;
        let at = totals.partition_point(|total| *total < wanted);
        if at >= totals.len() {
            return None;
        }
        self.first.checked_add_days(Days::new(u64::try_from(at).ok()?))
    }

    /// Mean heat of a calendar year, equivalent hours.
    pub(crate) fn mean_year(&self, class: ComponentClass) -> f64 {
        let Some(totals) = self.totals.get(&class) else { return 0.0 };
        let days = u32::try_from(totals.len()).map_or(f64::INFINITY, f64::from);
        totals.last().copied().unwrap_or(0.0) / days * DAYS_PER_YEAR
    }

    fn total_before(&self, class: ComponentClass, day: NaiveDate) -> f64 {
        let Some(totals) = self.totals.get(&class) else { return 0.0 };
        let days = usize::try_from((day - self.first).num_days()).unwrap_or(0).min(totals.len());
        days.checked_sub(1).and_then(|last| totals.get(last)).copied().unwrap_or(0.0)
    }
}
