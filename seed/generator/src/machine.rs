//! Machines and the parts that sit in them: what is built where, and when a part will fail.

use chrono::{Datelike, NaiveDate};
use hotspell_domain::{CapacitorRating, ComponentClass, Exposure, UnitKind};
use hotspell_reliability::heat_rate::heat_rate;

use crate::calendar::HeatCalendar;
use crate::dice::Dice;
use crate::truth;

/// A place in a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place {
    /// Name of the position in the files.
    pub(crate) position: &'static str,
    /// Short form for keys.
    pub(crate) short: &'static str,
    pub(crate) class: ComponentClass,
}

const OUTDOOR: [Place; 4] = [
    Place { position: "outdoor-capacitor", short: "oc", class: ComponentClass::RunCapacitorDual },
    Place { position: "contactor", short: "ct", class: ComponentClass::Contactor },
    Place { position: "fan-motor", short: "fm", class: ComponentClass::FanMotor },
    Place { position: "compressor", short: "cp", class: ComponentClass::Compressor },
];

const INDOOR: [Place; 2] = [
    Place { position: "blower-capacitor", short: "bc", class: ComponentClass::RunCapacitorSingle },
    Place { position: "blower-motor", short: "bm", class: ComponentClass::BlowerMotor },
];

/// What a machine is like.
#[derive(Debug, Clone)]
pub(crate) struct Make {
    pub(crate) kind: UnitKind,
    /// Cooling capacity; indoor machines have none of their own.
    pub(crate) tons: Option<f64>,
    /// Whether the blower has a motor with a run capacitor and is recorded in this machine.
    pub(crate) has_blower: bool,
    pub(crate) exposure: Exposure,
    pub(crate) supply_volts: f64,
}

impl Make {
    /// The places whose parts are kept in the records.
    pub(crate) fn places(&self) -> Vec<Place> {
        let outdoors = !matches!(self.kind, UnitKind::AirHandler | UnitKind::Furnace);
        let mut places = Vec::new();
        if outdoors {
            places.extend(OUTDOOR);
        }
        if self.has_blower {
            places.extend(INDOOR);
        }
        places
    }
}

/// A new outdoor machine of the year.
pub(crate) fn make(
    kind: UnitKind,
    installed: NaiveDate,
    exposure: Exposure,
    dice: &mut Dice,
) -> Make {
    let tons = dice.share(
        &[(2.0, 0.08), (2.5, 0.14), (3.0, 0.24), (3.5, 0.21), (4.0, 0.18), (5.0, 0.15)],
        3.5,
    );
    let supply_volts = dice
        .share(&[(240.0, 0.72), (236.0, 0.07), (243.0, 0.09), (246.0, 0.08), (250.0, 0.04)], 240.0);
    // Younger blowers are electronically commutated and have no run capacitor.
    let share = if installed.year() < 2012 { 0.8 } else { 0.32 };
    Make { kind, tons: Some(tons), has_blower: dice.chance(share), exposure, supply_volts }
}

/// Drift of the capacitance of one section.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Drift {
    pub(crate) rated_microfarads: f64,
    /// Level when new against the rating, percent.
    new_percent: f64,
    /// Change with heat, percent per equivalent hour.
    percent_per_hour: f64,
}

impl Drift {
    /// The line through two levels, percent: when new and after `heat_hours`.
    pub(crate) fn through(
        rated_microfarads: f64,
        new_percent: f64,
        (heat_hours, then_percent): (f64, f64),
    ) -> Self {
        let percent_per_hour = (then_percent - new_percent) / heat_hours;
        Self { rated_microfarads, new_percent, percent_per_hour }
    }

    /// True capacitance against the rating, percent.
    pub(crate) fn percent(&self, heat_hours: f64) -> f64 {
        self.new_percent + self.percent_per_hour * heat_hours
    }
}

/// A part as nature knows it.
#[derive(Debug, Clone)]
pub(crate) struct Part {
    pub(crate) place: Place,
    pub(crate) rating: String,
    pub(crate) batch: String,
    pub(crate) installed: NaiveDate,
    /// Day in which it fails; none if that lies beyond the record.
    pub(crate) fails: Option<NaiveDate>,
    /// Whether nobody will notice before the next visit.
    pub(crate) quiet: bool,
    /// Sections of a run capacitor, main first.
    pub(crate) sections: Vec<Drift>,
}

/// What a part needs of its surroundings to be made.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Surroundings<'a> {
    pub(crate) heat: &'a HeatCalendar,
    pub(crate) make: &'a Make,
    /// Frailty of the site.
    pub(crate) frailty: f64,
}

impl Surroundings<'_> {
    /// Equivalent hours that a part gathers per hour of the calendar's heat.
    fn rate(&self, class: ComponentClass, capacitor: Option<CapacitorRating>) -> f64 {
        // The sun does not reach a blower.
        let exposure = match class {
            ComponentClass::RunCapacitorSingle | ComponentClass::BlowerMotor => Exposure::Shade,
            _ => self.make.exposure,
        };
        heat_rate(class, exposure, capacitor.map(|c| (self.make.supply_volts, c.voltage)))
    }

    /// Heat age of the part before a day, equivalent hours.
    pub(crate) fn heat_age(&self, part: &Part, until: NaiveDate) -> f64 {
        let class = part.place.class;
        self.rate(class, part.rating.parse().ok())
            * self.heat.gathered(class, part.installed, until)
    }

    /// Heat of an average year of a part in part sun, equivalent hours.
    fn usual_year(&self, class: ComponentClass) -> f64 {
        self.heat.mean_year(class) * heat_rate(class, Exposure::PartSun, None)
    }

    /// Puts a new part into a place; `old` is the rating that it has to stand in for.
    pub(crate) fn new_part(
        &self,
        place: Place,
        installed: NaiveDate,
        old: Option<&str>,
        dice: &mut Dice,
    ) -> Part {
        let rating = rating(place.class, self.make, installed, old, dice);
        let capacitor: Option<CapacitorRating> = rating.parse().ok();
        let law = truth::life_law(place.class);
        let year = self.usual_year(place.class);
        let log_hazard = truth::LOG_HAZARD_PER_TON
            * (self.make.tons.unwrap_or(truth::REFERENCE_TONS) - truth::REFERENCE_TONS);
        // Cumulative hazard z exp(xb) (H / scale)^shape reaches a unit exponential.
        let reached = dice.exponential() / (self.frailty * log_hazard.exp());
        let life_hours = law.scale_years * year * reached.powf(1.0 / law.shape);
        let fails = self.heat.day_reaching(
            place.class,
            installed,
            life_hours / self.rate(place.class, capacitor),
        );
        let quiet = place.class.is_run_capacitor() && dice.chance(truth::QUIET_SHARE);
        let sections = capacitor.map_or_else(Vec::new, |c| {
            core::iter::once(c.main)
                .chain(c.fan)
                .map(|section| self.drift(section.get(), year, dice))
                .collect()
        });
        let batch = batch(installed, dice);
        Part { place, rating, batch, installed, fails, quiet, sections }
    }

    fn drift(&self, rated_microfarads: f64, year: f64, dice: &mut Dice) -> Drift {
        let (mean, deviation) = truth::NEW_PERCENT;
        let middle = -10.0 / (truth::YEARS_TO_TEN_PERCENT * year);
        let own = dice.normal(0.0, truth::LOG_DRIFT_DEVIATION).exp()
            * self.frailty.powf(truth::DRIFT_FRAILTY_POWER);
        Drift {
            rated_microfarads,
            new_percent: dice.normal(mean, deviation),
            percent_per_hour: middle * own,
        }
    }
}

/// Date code of the maker, a few weeks before the part was put in: two digits of the year and the
/// week.
pub(crate) fn batch(installed: NaiveDate, dice: &mut Dice) -> String {
    let made = crate::days::later(installed, -dice.whole(30, 150)).iso_week();
    format!("{:02}{:02}", made.year().rem_euclid(100), made.week())
}

fn rating(
    class: ComponentClass,
    make: &Make,
    installed: NaiveDate,
    old: Option<&str>,
    dice: &mut Dice,
) -> String {
    let tons = make.tons.unwrap_or(truth::REFERENCE_TONS);
    match class {
        ComponentClass::RunCapacitorDual | ComponentClass::RunCapacitorSingle => {
            capacitor_rating(class, tons, installed, old, dice)
        }
        ComponentClass::Contactor if tons > 3.5 => "24 V coil 40 A".to_owned(),
        ComponentClass::Contactor => "24 V coil 30 A".to_owned(),
        ComponentClass::FanMotor if tons > 3.5 => "1/3 hp 825 rpm".to_owned(),
        ComponentClass::FanMotor => "1/4 hp 1075 rpm".to_owned(),
        ComponentClass::BlowerMotor if tons > 3.5 => "3/4 hp 1075 rpm".to_owned(),
        ComponentClass::BlowerMotor => "1/2 hp 1075 rpm".to_owned(),
        ComponentClass::Compressor => format!("scroll {tons} ton"),
    }
}

/// Ratings usual for the capacity (common practice, no source).
fn capacitor_rating(
    class: ComponentClass,
    tons: f64,
    installed: NaiveDate,
    old: Option<&str>,
    dice: &mut Dice,
) -> String {
    let old: Option<CapacitorRating> = old.and_then(|text| text.parse().ok());
    let low_volts = if installed.year() < 2012 { 0.10 } else { 0.04 };
    let new_volts = dice.share(&[("370", low_volts), ("440", 0.34), ("370/440", 0.58)], "370/440");
    if let Some(old) = old {
        let same = old.to_string();
        let farads = same.split(" uF").next().unwrap_or_default();
        let wanted = format!("{farads} uF {new_volts} V");
        let fits = wanted.parse().is_ok_and(|new| old.check_replacement(&new).is_ok());
        return if fits { wanted } else { format!("{farads} uF 440 V") };
    }
    let farads = if class == ComponentClass::RunCapacitorSingle {
        dice.share(&[("5", 0.2), ("7.5", 0.35), ("10", 0.35), ("15", 0.1)], "7.5")
    } else if tons < 2.5 {
        dice.share(&[("30+5", 0.35), ("35+5", 0.65)], "35+5")
    } else if tons < 3.0 {
        dice.share(&[("35+5", 0.55), ("40+5", 0.45)], "35+5")
    } else if tons < 3.5 {
        dice.share(&[("40+5", 0.5), ("45+5", 0.5)], "40+5")
    } else if tons < 4.0 {
        dice.share(&[("45+5", 0.65), ("50+5", 0.35)], "45+5")
    } else if tons < 5.0 {
        dice.share(&[("55+5", 0.55), ("60+5", 0.25), ("55+7.5", 0.2)], "55+5")
    } else {
        dice.share(&[("70+5", 0.3), ("80+5", 0.3), ("80+7.5", 0.4)], "80+7.5")
    };
    format!("{farads} uF {new_volts} V")
}
