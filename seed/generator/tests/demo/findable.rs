//! The risk model finds the true law again from what the files say.
//!
//! Histories are built as any user of the reliability room would: heat of the station's days for
//! a shaded reference part, times the part's own rate, between the days in the files.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::quantity::celsius_from_fahrenheit;
use hotspell_domain::{CapacitorRating, ComponentClass, ComponentId, Exposure, SiteId};
use hotspell_reliability::heat_age::{AgingLaw, cumulative};
use hotspell_reliability::heat_rate::{CABINET_RISE_KELVIN, heat_rate};
use hotspell_reliability::history::{ComponentHistory, HistoryEnd};
use hotspell_reliability::priors::{LocalHeat, Priors};
use hotspell_reliability::risk_model::{FitInput, FittedRiskModel, fit};
use hotspell_weather::quantile::quantile;
use hotspell_weather::run_hours::{HouseLoad, PartEnvironment};

use crate::scenario::{Known, Row, Scenario, station_record};

const DAYS_PER_YEAR: f64 = 365.2425;

fn today() -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, 2, 17).unwrap()
}

/// Heat of the reference part of each class, up to and including each day of the record.
struct Heat {
    first: NaiveDate,
    totals: BTreeMap<ComponentClass, Vec<f64>>,
}

impl Heat {
    fn of_phoenix() -> Self {
        let record = station_record();
        let first = NaiveDate::from_ymd_opt(1990, 1, 1).unwrap();
        let days: Vec<_> = record.days.iter().filter(|day| day.date >= first).copied().collect();
        let maxima: Vec<f64> = record.days.iter().map(|day| day.tmax_celsius).collect();
        let house = HouseLoad {
            balance_celsius: celsius_from_fahrenheit(65.0),
            design_celsius: quantile(&maxima, 0.99).unwrap(),
            oversize: 1.15,
        };
        let shade = PartEnvironment {
            cabinet_rise_kelvin: CABINET_RISE_KELVIN,
            sun_rise_kelvin: 0.0,
            sunlit_share: 0.0,
        };
        let exposures = house.exposures(&days, &shade);
        let (hours, celsius): (Vec<f64>, Vec<f64>) =
            exposures.iter().map(|day| (day.run_hours, day.part_celsius)).unzip();
        let totals = ComponentClass::ALL.iter().map(|&class| {
            let law = AgingLaw::of_class(class);
            (class, cumulative(&law.daily_equivalent_hours(&hours, &celsius, 1.0).unwrap()))
        });
        Self { first, totals: totals.collect() }
    }

    fn before(&self, class: ComponentClass, day: NaiveDate) -> f64 {
        let days = usize::try_from((day - self.first).num_days()).unwrap();
        self.totals[&class][days - 1]
    }

    fn between(&self, class: ComponentClass, from: NaiveDate, until: NaiveDate) -> f64 {
        self.before(class, until) - self.before(class, from)
    }

    fn local(&self) -> LocalHeat {
        let from = NaiveDate::from_ymd_opt(2015, 1, 1).unwrap();
        let until = NaiveDate::from_ymd_opt(2025, 1, 1).unwrap();
        let yearly = |&class: &ComponentClass| (class, self.between(class, from, until) / 10.0);
        LocalHeat { equivalent_hours_per_year: ComponentClass::ALL.iter().map(yearly).collect() }
    }
}

fn history(number: usize, row: &Row, unit: &Row, heat: &Heat) -> Option<ComponentHistory> {
    let class: ComponentClass = row.text("class").parse().unwrap();
    let indoors = row.text("position").starts_with("blower");
    let exposure = if indoors { Exposure::Shade } else { unit.text("exposure").parse().unwrap() };
    let rating: Option<CapacitorRating> = row.text("rating").parse().ok();
    let capacitor = rating.map(|rating| (unit.number("supply_volts").unwrap(), rating.voltage));
    let rate = heat_rate(class, exposure, capacitor);
    let installed = Known::read(row.some("installed_on")?);
    let from = installed.middle().unwrap();
    let age = |day: NaiveDate| rate * heat.between(class, from, day.max(from));
    let entry_age = age(row.day("observed_from")?);
    let end = match (row.text("end_kind"), row.day("ended_on")) {
        ("failed", Some(found)) => HistoryEnd::FoundFailed {
            last_good: row.day("last_seen_good_on").map_or(entry_age, age),
            found: age(found),
        },
        ("went-with-unit", Some(ended)) => HistoryEnd::WentWithUnit { age: age(ended) },
        (_, Some(ended)) => HistoryEnd::ReplacedBeforeFailing { age: age(ended) },
        (_, None) => HistoryEnd::StillWorking { age: age(today()) },
    };
    let range = rate * heat.between(class, installed.earliest.unwrap(), installed.latest.unwrap());
    let watched = row.day("ended_on").map_or(age(today()), age);
    (watched > entry_age).then(|| ComponentHistory {
        component: ComponentId(i64::try_from(number).unwrap()),
        site: SiteId(row.text("unit")[2..6].parse().unwrap()),
        class,
        covariates: Vec::new(),
        entry_age,
        end,
        age_half_range: range / 2.0,
        earlier_parts_unknown: row.text("history_complete") == "no",
    })
}

fn fitted(scenario: &Scenario, heat: &Heat) -> FittedRiskModel {
    let units = scenario.table("units").by_key();
    let histories: Vec<ComponentHistory> = scenario
        .rows("components")
        .iter()
        .enumerate()
        .filter_map(|(number, row)| history(number, row, units[row.text("unit")], heat))
        .collect();
    let (priors, local_heat) = (Priors::default(), heat.local());
    fit(FitInput {
        histories: &histories,
        covariate_names: &[],
        local_heat: &local_heat,
        priors: &priors,
    })
    .unwrap()
}

/// Mean yearly heat of a part in part sun while the demo's parts aged.
fn usual_year(class: ComponentClass, exposure: Exposure, heat: &Heat) -> f64 {
    let from = NaiveDate::from_ymd_opt(1998, 1, 1).unwrap();
    let years = (today() - from).num_days() as f64 / DAYS_PER_YEAR;
    heat.between(class, from, today()) / years * heat_rate(class, exposure, None)
}

/// The truth of generator/src/truth.rs: shape and scale in usual years.
const TRUE_LAWS: [(ComponentClass, f64, f64); 6] = [
    (ComponentClass::RunCapacitorDual, 2.8, 10.8),
    (ComponentClass::RunCapacitorSingle, 2.6, 12.8),
    (ComponentClass::Contactor, 2.4, 21.0),
    (ComponentClass::FanMotor, 2.5, 22.0),
    (ComponentClass::BlowerMotor, 2.5, 24.0),
    (ComponentClass::Compressor, 3.0, 30.0),
];
/// What unrecorded earlier parts may do to a scale, as a share (`ComponentHistory` and the fit's own
/// warning name it).
const UNKNOWN_PARTS_BIAS: f64 = 0.06;
const TRUE_FRAILTY_VARIANCE: f64 = 0.4;

#[test]
fn the_fit_finds_the_true_law_of_every_class_and_that_sites_differ() {
    let heat = Heat::of_phoenix();
    let fitted = fitted(&Scenario::committed(), &heat);
    let layout = fitted.model.layout();
    let deviation = |at: usize| fitted.model.covariance.get(at, at).sqrt();
    let assert_near = |what: &str, found: f64, truth: f64, deviation: f64| {
        let off = (found / truth).ln().abs();
        let allowed = UNKNOWN_PARTS_BIAS + 3.0 * deviation;
        assert!(off < allowed, "{what}: {found}, in truth {truth}, log sd {deviation}");
    };
    for (class, shape, scale_years) in TRUE_LAWS {
        let at = ComponentClass::ALL.iter().position(|other| *other == class).unwrap();
        let law = fitted.model.class(class).unwrap();
        let year = usual_year(class, Exposure::PartSun, &heat);
        let what = format!("scale of {class} in years");
        assert_near(&what, law.scale_hours / year, scale_years, deviation(layout.log_scale(at)));
        let what = format!("shape of {class}");
        assert_near(&what, law.shape, shape, deviation(layout.log_shape(at)));
    }
    let spread = deviation(layout.frailty());
    assert_near("variance", fitted.model.frailty_variance, TRUE_FRAILTY_VARIANCE, spread);
}

#[test]
fn the_sister_of_the_story_is_among_the_capacitors_most_at_risk() {
    let heat = Heat::of_phoenix();
    let scenario = Scenario::committed();
    let model = fitted(&scenario, &heat).model;
    let units = scenario.table("units").by_key();
    let mut sites: BTreeMap<SiteId, (f64, f64)> = BTreeMap::new();
    let mut living = Vec::new();
    for (number, row) in scenario.rows("components").iter().enumerate() {
        let Some(history) = history(number, row, units[row.text("unit")], &heat) else { continue };
        let law = model.class(history.class).unwrap();
        let lifetime = history.lifetime(0.0).unwrap();
        let site = sites.entry(history.site).or_default();
        site.0 += f64::from(u8::from(history.failed()));
        site.1 += law.hazard_between(lifetime.entry, lifetime.end_age() - lifetime.entry);
        if row.some("ended_on").is_none() && history.class == ComponentClass::RunCapacitorDual {
            let exposure = units[row.text("unit")].text("exposure").parse().unwrap();
            let year = usual_year(history.class, exposure, &heat);
            let more = law.hazard_between(lifetime.end_age(), year);
            living.push((row.text("component"), history.site, more));
        }
    }
    let risk = |(_, site, more): &(&str, SiteId, f64)| {
        let (failures, hazard) = sites[site];
        model.frailty_posterior(failures, hazard).cumulative_risk(*more)
    };
    living.sort_by(|a, b| risk(b).total_cmp(&risk(a)));
    let rank = living.iter().position(|(key, ..)| *key == "S-0217-2-oc1").unwrap();
    assert!(rank < 12, "place {rank} of {}", living.len());
}
