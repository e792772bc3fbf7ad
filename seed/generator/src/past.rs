//! The years before the agreement: what sat in a machine when the company first saw it, and how
//! much of that it could learn.

use chrono::{Datelike, NaiveDate};
use hotspell_domain::{ComponentClass, Exposure, UnitKind};

use crate::calendar::HeatCalendar;
use crate::days::{FIRST_HEAT, TODAY, day, later};
use crate::dice::Dice;
use crate::life::{KnownDay, Machine, Occupant, component_key, fresh_machine, retires};
use crate::machine::{Make, Part, Surroundings, make};

/// Machines of a site as the company finds them on the first day of the agreement.
pub(crate) fn machines(
    site: &str,
    (heat, frailty): (&HeatCalendar, f64),
    first_day: NaiveDate,
    dice: &mut Dice,
) -> Vec<Machine> {
    let count = dice.share(&[(1, 0.74), (2, 0.235), (3, 0.025)], 1);
    let labels: &[&str] = match count {
        1 => &[""],
        2 if dice.chance(0.7) => &["downstairs", "upstairs"],
        2 => &["main house", "guest house"],
        _ => &["east wing", "west wing", "casita"],
    };
    let kind = dice.share(
        &[
            (UnitKind::SplitAirConditioner, 0.60),
            (UnitKind::HeatPump, 0.27),
            (UnitKind::PackagedUnit, 0.13),
        ],
        UnitKind::SplitAirConditioner,
    );
    // Two of three households with several machines had them put in on one day.
    let twins = dice.chance(0.7);
    let new_with_agreement = dice.chance(0.25);
    let mut machines: Vec<Machine> = Vec::new();
    for (number, label) in (1..).zip(labels) {
        let key = format!("{site}-{number}");
        let twin = machines.first().filter(|_| twins).cloned();
        let machine = if let Some(twin) = twin {
            twin_machine(&key, label, (heat, frailty), &twin, dice)
        } else {
            let exposure = exposure(dice);
            if new_with_agreement && (number == 1 || dice.chance(0.4)) {
                let made = make(kind, first_day, exposure, dice);
                fresh_machine(&key, label, (heat, made, frailty), first_day, dice)
            } else {
                let installed = built(first_day, dice);
                let made = make(kind, installed, exposure, dice);
                let (known, original) = known_install(installed, first_day, dice);
                let found = Found { installed, known, original, first_day };
                found_machine(&key, label, (heat, made, frailty), &found, dice)
            }
        };
        machines.push(machine);
    }
    split_off_indoor(&mut machines, dice);
    machines
}

/// What is known of a machine that others put in.
#[derive(Debug, Clone)]
pub(crate) struct Found {
    pub(crate) installed: NaiveDate,
    /// The machine's install day as the records have it.
    pub(crate) known: KnownDay,
    /// Date code on the parts that came with the machine.
    pub(crate) original: String,
    pub(crate) first_day: NaiveDate,
}

fn exposure(dice: &mut Dice) -> Exposure {
    dice.share(
        &[(Exposure::Sun, 0.36), (Exposure::PartSun, 0.43), (Exposure::Shade, 0.21)],
        Exposure::PartSun,
    )
}

/// When a machine that stands there on the first day was built in: up to 15 years before.
fn built(first_day: NaiveDate, dice: &mut Dice) -> NaiveDate {
    let days = (dice.unit() * 15.0 * crate::calendar::DAYS_PER_YEAR) as i64;
    later(first_day, -days - 20).max(FIRST_HEAT)
}

/// What the nameplate and the papers say of the install day.
fn known_install(
    installed: NaiveDate,
    first_day: NaiveDate,
    dice: &mut Dice,
) -> (KnownDay, String) {
    let code = crate::machine::batch(installed, dice);
    let known = match dice.share(&[(0, 0.28), (1, 0.30), (2, 0.33), (3, 0.08)], 4) {
        0 => installed.to_string(),
        1 => month_known(installed, first_day),
        2 => year_known(installed, first_day),
        3 => {
            let year = installed.year();
            range(day(year - 1, 1, 1), day(year + 1, 12, 31).min(first_day))
        }
        _ => String::new(),
    };
    (known, code)
}

fn month_known(installed: NaiveDate, first_day: NaiveDate) -> KnownDay {
    let first = day(installed.year(), installed.month(), 1);
    let last = later(first, i64::from(first.num_days_in_month()) - 1);
    if last > first_day { range(first, first_day) } else { installed.format("%Y-%m").to_string() }
}

fn year_known(installed: NaiveDate, first_day: NaiveDate) -> KnownDay {
    let first = day(installed.year(), 1, 1);
    let last = day(installed.year(), 12, 31);
    if last > first_day { range(first, first_day) } else { installed.year().to_string() }
}

fn range(first: NaiveDate, last: NaiveDate) -> KnownDay {
    format!("{first}..{last}")
}

fn twin_machine(
    key: &str,
    label: &str,
    (heat, frailty): (&HeatCalendar, f64),
    twin: &Machine,
    dice: &mut Dice,
) -> Machine {
    let mut made = make(twin.make.kind, twin.installed, twin.make.exposure, dice);
    made.has_blower = twin.make.has_blower;
    made.supply_volts = twin.make.supply_volts;
    let code = twin.occupants.first().map(|o| o.part.batch.clone()).unwrap_or_default();
    let by_company = twin.occupants.iter().all(|o| o.history_complete);
    let mut machine = if by_company {
        fresh_machine(key, label, (heat, made, frailty), twin.installed, dice)
    } else {
        let first_day =
            twin.occupants.first().map_or(twin.installed, |occupant| occupant.observed_from);
        let found = Found {
            installed: twin.installed,
            known: twin.installed_on.clone(),
            original: code.clone(),
            first_day,
        };
        found_machine(key, label, (heat, made, frailty), &found, dice)
    };
    for occupant in &mut machine.occupants {
        if occupant.part.installed == twin.installed && occupant.part.place.class.is_run_capacitor()
        {
            occupant.part.batch.clone_from(&code);
        }
    }
    machine
}

/// A machine with the parts that survived to the first day, after the replacements that nobody
/// wrote down.
pub(crate) fn found_machine(
    key: &str,
    label: &str,
    (heat, make, frailty): (&HeatCalendar, Make, f64),
    found: &Found,
    dice: &mut Dice,
) -> Machine {
    let around = Surroundings { heat, make: &make, frailty };
    let occupants = make
        .places()
        .into_iter()
        .map(|place| {
            let mut part = around.new_part(place, found.installed, None, dice);
            part.batch.clone_from(&found.original);
            while let Some(failed) = part.fails.filter(|failed| *failed < found.first_day) {
                // A machine whose compressor had died would not stand there any more.
                let since = match place.class {
                    ComponentClass::Compressor => found.installed,
                    _ => failed,
                };
                part = around.new_part(place, since, Some(&part.rating), dice);
            }
            occupant(key, part, found, dice)
        })
        .collect();
    Machine {
        key: key.to_owned(),
        label: label.to_owned(),
        retires: retires(found.installed, found.first_day, dice),
        installed: found.installed,
        installed_on: found.known.clone(),
        make,
        occupants,
    }
}

fn occupant(unit: &str, mut part: Part, found: &Found, dice: &mut Dice) -> Occupant {
    let original = part.installed == found.installed;
    let installed_on = if original {
        part.batch.clone_from(&found.original);
        found.known.clone()
    } else {
        match dice.share(&[(0, 0.58), (1, 0.25), (2, 0.13)], 3) {
            0 => year_known(part.installed, found.first_day),
            1 => month_known(part.installed, found.first_day),
            2 => range(found.installed, found.first_day),
            _ => {
                part.batch.clear();
                String::new()
            }
        }
    };
    // A date code is read on some cans only.
    if dice.chance(0.35) {
        part.batch.clear();
    }
    Occupant {
        key: component_key(unit, part.place, 1),
        part,
        ordinal: 1,
        installed_on,
        observed_from: found.first_day.min(TODAY),
        history_complete: false,
        last_seen_good: None,
    }
}

/// At some homes the indoor machine has a row of its own, with the blower's parts.
fn split_off_indoor(machines: &mut Vec<Machine>, dice: &mut Dice) {
    let mut indoor = Vec::new();
    for machine in machines.iter_mut() {
        let kind = match machine.make.kind {
            UnitKind::HeatPump => UnitKind::AirHandler,
            UnitKind::SplitAirConditioner => UnitKind::Furnace,
            _ => continue,
        };
        if !machine.make.has_blower || !dice.chance(0.12) {
            continue;
        }
        let mut inside = machine.clone();
        inside.key = format!("{}-IN", machine.key);
        inside.make.kind = kind;
        inside.make.tons = None;
        inside.make.exposure = Exposure::Shade;
        // It outlives the outdoor machine.
        inside.retires = later(inside.retires, 4_000);
        let is_blower = |o: &Occupant| {
            matches!(
                o.part.place.class,
                ComponentClass::RunCapacitorSingle | ComponentClass::BlowerMotor
            )
        };
        inside.occupants.retain(|o| is_blower(o));
        for occupant in &mut inside.occupants {
            occupant.key = component_key(&inside.key, occupant.part.place, occupant.ordinal);
        }
        machine.occupants.retain(|o| !is_blower(o));
        machine.make.has_blower = false;
        indoor.push(inside);
    }
    machines.extend(indoor);
}
