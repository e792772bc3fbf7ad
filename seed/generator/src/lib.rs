//! The demo scenario: an invented contract base whose parts aged in the real weather of Phoenix.
//!
//! ```text
//! station record --> heat calendar --> years of every site --> rows of the import files
//! ```
//! Parts fail by a law that only this crate knows ([`truth`]): Weibull on heat age, one gamma
//! frailty for each site, capacitance that drifts with heat. What the files say is what a company
//! could have written down of it.
//!
//! Invariants: no clock; the same record and seed give the same bytes. Only `main.rs` touches
//! files.

mod branch;
mod calendar;
mod days;
mod dice;
mod household;
mod life;
mod machine;
mod past;
mod records;
mod story;
mod technicians;
mod truth;
mod words;

pub use calendar::CalendarError;

use hotspell_weather::series::StationSeries;
use serde::Serialize;

use crate::calendar::HeatCalendar;
use crate::days::{FIRST_HEAT, TODAY, later};
use crate::dice::Dice;
use crate::household::Standing;
use crate::life::{MachineRecords, SiteLife};
use crate::records::{AgreementRow, SiteRow};

/// The seed of the committed files.
pub const DEMO_SEED: u64 = 20_250_217;

/// Mains frequency of the branch, hertz.
pub(crate) const MAINS_HERTZ: f64 = 60.0;

/// Sites whose agreement runs on the demo's day.
const ACTIVE_SITES: usize = 400;
/// Sites whose agreement has ended.
const LAPSED_SITES: usize = 8;
/// Sites whose agreement begins after the demo's day.
const COMING_SITES: usize = 4;
/// Share of components whose first day of watching is left out of the file.
const UNSAID_OBSERVED_FROM: f64 = 0.03;

/// Why there is no scenario.
#[derive(Debug, thiserror::Error)]
pub enum GenerateError {
    /// The weather cannot be used.
    #[error(transparent)]
    Weather(#[from] CalendarError),
    /// Rows that cannot be written.
    #[error("rows of {file} cannot be written")]
    Csv {
        /// The file.
        file: &'static str,
        /// Why.
        #[source]
        source: csv::Error,
    },
    /// The branch cannot be written.
    #[error("branch.toml cannot be written")]
    Branch(#[from] toml::ser::Error),
}

/// A file of the scenario.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScenarioFile {
    /// Its name in the scenario's folder.
    pub name: &'static str,
    /// Its text.
    pub text: String,
}

/// Makes the whole scenario.
///
/// # Errors
/// [`GenerateError`] if the station's record does not cover 1998 to the demo's day.
pub fn generate(series: &StationSeries, seed: u64) -> Result<Vec<ScenarioFile>, GenerateError> {
    let heat = HeatCalendar::new(series, FIRST_HEAT, later(TODAY, -1))?;
    let mut sites: Vec<SiteRow> = Vec::new();
    let mut agreements: Vec<AgreementRow> = Vec::new();
    let mut machines = MachineRecords::default();
    for number in 1..=ACTIVE_SITES + LAPSED_SITES + COMING_SITES {
        let one = one_site(&heat, number, seed);
        sites.push(one.site);
        agreements.extend(one.agreements);
        machines.units.extend(one.machines.units);
        machines.components.extend(one.machines.components);
        machines.readings.extend(one.machines.readings);
    }
    tidy(&mut machines, seed);
    Ok(vec![
        ScenarioFile { name: "branch.toml", text: branch::text(seed)? },
        table("technicians.csv", &technicians::rows())?,
        table("sites.csv", &sites)?,
        table("agreements.csv", &agreements)?,
        table("units.csv", &machines.units)?,
        table("components.csv", &machines.components)?,
        table("readings.csv", &machines.readings)?,
    ])
}

struct OneSite {
    site: SiteRow,
    agreements: Vec<AgreementRow>,
    machines: MachineRecords,
}

fn one_site(heat: &HeatCalendar, number: usize, seed: u64) -> OneSite {
    let key = format!("S-{number:04}");
    let stream = 8 * number as u64;
    let mut people = Dice::new(seed, stream);
    let mut nature = Dice::new(seed, stream + 1);
    let is_story = number == story::NUMBER;
    let term =
        if is_story { story::term() } else { household::term(standing(number), &mut people) };
    let mut site = household::site(number, &key, &term, &mut people);
    let frailty = if is_story { story::FRAILTY } else { nature.frailty(truth::FRAILTY_VARIANCE) };
    let agreements = household::agreements(number, &key, &term, &mut people);
    let machines = if is_story {
        story::adorn(&mut site);
        story::machines(&key, heat, &mut nature)
    } else {
        // Those that start later were looked at when the agreement was sold.
        let seen = term.first_day.min(later(TODAY, -6));
        past::machines(&key, (heat, frailty), seen, &mut nature)
    };
    let life = SiteLife {
        site: key,
        heat,
        frailty,
        term,
        // Since 2019; the story needs a sister that nobody looked at.
        sisters_read: if is_story { 0.0 } else { 0.3 },
        machines,
        dice: Dice::new(seed, stream + 2),
        records: MachineRecords::default(),
    };
    OneSite { site, agreements, machines: life.live() }
}

/// Lapsed and coming agreements stand between the others.
fn standing(number: usize) -> Standing {
    if number.is_multiple_of(50) && number / 50 <= LAPSED_SITES {
        Standing::Lapsed
    } else if number % 100 == 33 && number / 100 < COMING_SITES {
        Standing::StartsLater
    } else {
        Standing::Active
    }
}

/// Puts the rows in order, numbers the readings, leaves out what a company would not know.
fn tidy(machines: &mut MachineRecords, seed: u64) {
    let mut dice = Dice::new(seed, 0);
    machines.units.sort_by(|a, b| a.unit.cmp(&b.unit));
    machines.components.sort_by(|a, b| {
        (&a.unit, &a.position, &a.component).cmp(&(&b.unit, &b.position, &b.component))
    });
    for row in &mut machines.components {
        if dice.chance(UNSAID_OBSERVED_FROM) {
            row.observed_from = None;
        }
    }
    // The sort is stable: the sections of one part stay in the order of measuring.
    machines.readings.sort_by(|a, b| (a.taken_on, &a.component).cmp(&(b.taken_on, &b.component)));
    for (number, row) in (1..).zip(&mut machines.readings) {
        row.reading = format!("R-{number:05}");
    }
}

fn table<Row: Serialize>(name: &'static str, rows: &[Row]) -> Result<ScenarioFile, GenerateError> {
    let failed = |source| GenerateError::Csv { file: name, source };
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.serialize(row).map_err(failed)?;
    }
    let bytes =
        writer.into_inner().map_err(|error| failed(csv::Error::from(error.into_error())))?;
    let text = String::from_utf8_lossy(&bytes).into_owned();
    Ok(ScenarioFile { name, text })
}
