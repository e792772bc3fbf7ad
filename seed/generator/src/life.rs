//! The years of one site: visits, readings, failures, replacements, new machines.

use chrono::{Datelike, NaiveDate};

use crate::calendar::HeatCalendar;
use crate::days::{TODAY, day, later, working, years_between};
use crate::dice::Dice;
use crate::household::{Promise, Term};
use crate::machine::{Make, Part, Place, Surroundings, make};
use crate::records::{ComponentRow, ReadingRow, UnitRow};
use crate::technicians::who_came;

/// A day as far as the records know it: the text for the file.
pub(crate) type KnownDay = String;

/// A part with what the records know of it.
#[derive(Debug, Clone)]
pub(crate) struct Occupant {
    pub(crate) part: Part,
    pub(crate) key: String,
    /// How many sat in the position before, as far as is recorded, plus one.
    pub(crate) ordinal: usize,
    pub(crate) installed_on: KnownDay,
    pub(crate) observed_from: NaiveDate,
    pub(crate) history_complete: bool,
    pub(crate) last_seen_good: Option<NaiveDate>,
}

/// A machine with its parts.
#[derive(Debug, Clone)]
pub(crate) struct Machine {
    pub(crate) key: String,
    pub(crate) label: String,
    pub(crate) make: Make,
    pub(crate) installed: NaiveDate,
    pub(crate) installed_on: KnownDay,
    /// Day on which the household has it replaced for its age.
    pub(crate) retires: NaiveDate,
    pub(crate) occupants: Vec<Occupant>,
}

/// What the records keep of a site's machines.
#[derive(Debug, Default)]
pub(crate) struct MachineRecords {
    pub(crate) units: Vec<UnitRow>,
    pub(crate) components: Vec<ComponentRow>,
    pub(crate) readings: Vec<ReadingRow>,
}

/// One site on its way through the years.
pub(crate) struct SiteLife<'a> {
    pub(crate) site: String,
    pub(crate) heat: &'a HeatCalendar,
    pub(crate) frailty: f64,
    pub(crate) term: Term,
    /// Share of calls at which the other capacitors of the house are read too.
    pub(crate) sisters_read: f64,
    pub(crate) machines: Vec<Machine>,
    pub(crate) dice: Dice,
    pub(crate) records: MachineRecords,
}

/// What happens next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    Visit,
    Call { machine: usize, place: usize },
    NewMachine { machine: usize },
}

/// How a part's time ended.
#[derive(Debug, Clone, Copy)]
enum End {
    Failed,
    ReplacedBeforeFailing,
    WentWithUnit,
}

impl End {
    const fn word(self) -> &'static str {
        match self {
            Self::Failed => "failed",
            Self::ReplacedBeforeFailing => "replaced-before-failing",
            Self::WentWithUnit => "went-with-unit",
        }
    }
}

impl SiteLife<'_> {
    /// Lives on to the demo's day or the end of the agreement and hands back the records.
    pub(crate) fn live(mut self) -> MachineRecords {
        let end = self.term.last_day.map_or(TODAY, |last| last.min(TODAY));
        let mut visits = visit_days(&self.term, end, &mut self.dice);
        visits.reverse();
        while let Some((on, event)) = self.next_event(visits.last().copied(), end) {
            match event {
                Event::Visit => {
                    visits.pop();
                    self.visit(on);
                }
                Event::Call { machine, place } => self.call(on, machine, place),
                Event::NewMachine { machine } => self.new_machine(on, machine),
            }
        }
        for machine in core::mem::take(&mut self.machines) {
            for occupant in &machine.occupants {
                self.records.components.push(component_row(&machine.key, occupant));
            }
            self.records.units.push(unit_row(&self.site, &machine, None));
        }
        self.records
    }

    fn next_event(&self, visit: Option<NaiveDate>, end: NaiveDate) -> Option<(NaiveDate, Event)> {
        let mut next: Option<(NaiveDate, Event)> = visit.map(|on| (on, Event::Visit));
        let mut consider = |on: NaiveDate, event: Event| {
            if next.is_none_or(|known| (on, event) < known) {
                next = Some((on, event));
            }
        };
        for (m, machine) in self.machines.iter().enumerate() {
            if machine.retires > self.term.first_day {
                consider(machine.retires, Event::NewMachine { machine: m });
            }
            for (p, occupant) in machine.occupants.iter().enumerate() {
                if let Some(fails) = occupant.part.fails.filter(|_| !occupant.part.quiet) {
                    consider(later(fails, lag(fails)), Event::Call { machine: m, place: p });
                }
            }
        }
        next.filter(|(on, _)| *on < end)
    }

    fn around(&self, machine: usize) -> Surroundings<'_> {
        Surroundings { heat: self.heat, make: &self.machines[machine].make, frailty: self.frailty }
    }

    /// The yearly visit: every run capacitor is read, what is out or due goes.
    fn visit(&mut self, on: NaiveDate) {
        let technician = who_came(on, &mut self.dice);
        for machine in 0..self.machines.len() {
            // An old machine may be gone and the new one not there yet.
            if self.machines[machine].installed > on {
                continue;
            }
            for place in 0..self.machines[machine].occupants.len() {
                let class = self.machines[machine].occupants[place].part.place.class;
                if class.is_run_capacitor() {
                    self.read_and_judge(on, machine, place, technician);
                } else {
                    self.look(on, machine, place, technician);
                }
            }
        }
    }

    fn read_and_judge(&mut self, on: NaiveDate, machine: usize, place: usize, technician: &str) {
        let failed = self.machines[machine].occupants[place].part.fails.is_some_and(|f| f <= on);
        let lowest = self.read(on, machine, place, technician);
        if failed {
            self.replace(on, machine, place, End::Failed);
        } else if (lowest < -10.0 && self.dice.chance(0.92))
            || (lowest < -6.0 && self.dice.chance(0.2))
        {
            self.replace(on, machine, place, End::ReplacedBeforeFailing);
        } else {
            self.machines[machine].occupants[place].last_seen_good = Some(on);
        }
    }

    /// Parts that are not measured: seen running, now and then changed for wear.
    fn look(&mut self, on: NaiveDate, machine: usize, place: usize, technician: &str) {
        let occupant = &self.machines[machine].occupants[place];
        let age = years_between(occupant.part.installed, on);
        let (key, class) = (occupant.key.clone(), occupant.part.place.class);
        if class == hotspell_domain::ComponentClass::Contactor
            && age > 9.0
            && self.term.promise != Promise::CapacitorsOnly
            && self.dice.chance(0.09)
        {
            self.note(&key, on, technician, "", "contacts pitted");
            self.replace(on, machine, place, End::ReplacedBeforeFailing);
            return;
        }
        let close = self.machines[machine].occupants[place]
            .part
            .fails
            .is_some_and(|fails| fails < later(on, 400));
        if class == hotspell_domain::ComponentClass::FanMotor
            && self.dice.chance(if close { 0.3 } else { 0.012 })
        {
            self.note(&key, on, technician, "hot", "bearing noise");
        }
        self.machines[machine].occupants[place].last_seen_good = Some(on);
    }

    /// Measures every section; returns the lowest deviation as shown, percent.
    fn read(&mut self, on: NaiveDate, machine: usize, place: usize, technician: &str) -> f64 {
        let occupant = self.machines[machine].occupants[place].clone();
        let heat = self.around(machine).heat_age(&occupant.part, on);
        let failed = occupant.part.fails.is_some_and(|fails| fails <= on);
        let close = occupant.part.fails.is_some_and(|fails| fails < later(on, 300));
        let condition = if failed && self.dice.chance(0.65) {
            self.dice.share(&[("bulged", 0.8), ("leaking", 0.1)], "bulged;leaking")
        } else if self.dice.chance(if close { 0.16 } else { 0.012 }) {
            "hot"
        } else {
            ""
        };
        let dead = self.dice.whole(0, 1);
        let under_load = !failed && self.dice.chance(0.12);
        let mut lowest = f64::INFINITY;
        for (at, section) in (0..).zip(&occupant.part.sections) {
            let mut percent =
                section.percent(heat) + self.dice.normal(0.0, crate::truth::METER_PERCENT);
            // Of a failed part one section is gone, unless it only shows.
            let gone = failed
                && (occupant.part.sections.len() == 1 || at == dead)
                && (condition.is_empty() || self.dice.chance(0.5));
            if gone {
                percent = self.dice.between(-100.0, -35.0);
            }
            let shown = (section.rated_microfarads * (1.0 + percent / 100.0)).max(0.0);
            lowest = lowest.min(percent);
            let mut row = self.reading_row(&occupant.key, on, technician);
            row.section = if at == 0 { "main" } else { "fan" }.to_owned();
            condition.clone_into(&mut row.conditions);
            if under_load {
                let volts = self.dice.between(362.0, 398.0).round();
                let amperes =
                    shown * volts * 2.0 * core::f64::consts::PI * crate::MAINS_HERTZ / 1e6;
                row.volts = format!("{volts:.0}");
                row.amperes = format!("{amperes:.2}");
            } else {
                row.microfarads =
                    if shown < 20.0 { format!("{shown:.2}") } else { format!("{shown:.1}") };
            }
            self.records.readings.push(row);
        }
        lowest
    }

    fn note(&mut self, key: &str, on: NaiveDate, technician: &str, conditions: &str, note: &str) {
        let mut row = self.reading_row(key, on, technician);
        conditions.clone_into(&mut row.conditions);
        note.clone_into(&mut row.note);
        self.records.readings.push(row);
    }

    fn reading_row(&self, component: &str, on: NaiveDate, technician: &str) -> ReadingRow {
        ReadingRow {
            // Numbered across the branch in the end.
            reading: String::new(),
            component: component.to_owned(),
            taken_on: on,
            technician: technician.to_owned(),
            ..ReadingRow::default()
        }
    }

    /// Nothing cools: the part is replaced on the day of the call; sometimes the twin is read too.
    fn call(&mut self, on: NaiveDate, machine: usize, place: usize) {
        let occupant = &mut self.machines[machine].occupants[place];
        let class = occupant.part.place.class;
        // Most callers can say until when it cooled; else the last visit counts.
        if let Some(fails) = occupant.part.fails.filter(|_| self.dice.chance(0.7)) {
            let said = later(fails, -1).max(occupant.part.installed).max(occupant.observed_from);
            occupant.last_seen_good = occupant.last_seen_good.max(Some(said));
        }
        let machine_age = years_between(self.machines[machine].installed, on);
        if class == hotspell_domain::ComponentClass::Compressor
            && machine_age > 8.0
            && self.dice.chance(0.8)
        {
            self.replace_machine(on, machine, Some(place));
            return;
        }
        self.replace(on, machine, place, End::Failed);
        if class.is_run_capacitor() && on.year() >= 2019 {
            self.check_sisters(on, machine, place);
        }
    }

    /// Since 2019 the technicians sometimes read the other capacitors when they are there anyway.
    fn check_sisters(&mut self, on: NaiveDate, machine: usize, place: usize) {
        if !self.dice.chance(self.sisters_read) {
            return;
        }
        let technician = who_came(on, &mut self.dice);
        for m in 0..self.machines.len() {
            if self.machines[m].installed > on {
                continue;
            }
            for p in 0..self.machines[m].occupants.len() {
                let part = &self.machines[m].occupants[p].part;
                if (m, p) != (machine, place) && part.place.class.is_run_capacitor() {
                    self.read_and_judge(on, m, p, technician);
                }
            }
        }
    }

    /// Ends the occupant of a place and puts a new part there.
    fn replace(&mut self, on: NaiveDate, machine: usize, place: usize, end: End) {
        let old = self.machines[machine].occupants[place].clone();
        let mut dice = self.dice.clone();
        let part =
            self.around(machine).new_part(old.part.place, on, Some(&old.part.rating), &mut dice);
        self.dice = dice;
        let unit = self.machines[machine].key.clone();
        let next = Occupant {
            key: component_key(&unit, old.part.place, old.ordinal + 1),
            part,
            ordinal: old.ordinal + 1,
            installed_on: on.to_string(),
            observed_from: on,
            history_complete: old.history_complete,
            last_seen_good: Some(on),
        };
        self.end(&unit, &old, on, end, &next.key);
        self.machines[machine].occupants[place] = next;
    }

    fn end(&mut self, unit: &str, old: &Occupant, on: NaiveDate, end: End, next: &str) {
        let mut row = component_row(unit, old);
        row.ended_on = Some(on);
        end.word().clone_into(&mut row.end_kind);
        next.clone_into(&mut row.replaced_by);
        row.last_seen_good_on = match end {
            End::Failed => old.last_seen_good,
            End::ReplacedBeforeFailing | End::WentWithUnit => Some(on),
        };
        self.records.components.push(row);
    }

    fn new_machine(&mut self, on: NaiveDate, machine: usize) {
        self.replace_machine(on, machine, None);
    }

    /// The old machine goes with all its parts, a new one comes on the same day. `failed` names
    /// the part whose failure was the reason.
    fn replace_machine(&mut self, on: NaiveDate, machine: usize, failed: Option<usize>) {
        let gone = if failed.is_some() { working(later(on, self.dice.whole(1, 6))) } else { on };
        let gone = gone.min(TODAY);
        let old = self.machines[machine].clone();
        for (place, occupant) in old.occupants.iter().enumerate() {
            if failed == Some(place) {
                self.end(&old.key, occupant, on, End::Failed, "");
            } else {
                // What had failed unnoticed leaves with the machine and is never known.
                self.end(&old.key, occupant, gone, End::WentWithUnit, "");
            }
        }
        self.records.units.push(unit_row(&self.site, &old, Some(gone)));
        let mut dice = self.dice.clone();
        let mut made = make(old.make.kind, gone, old.make.exposure, &mut dice);
        // The house stays as large as it was; its blower stays where it was recorded.
        made.tons = old.make.tons;
        made.supply_volts = old.make.supply_volts;
        made.has_blower &= old.make.has_blower;
        self.machines[machine] = fresh_machine(
            &next_unit_key(&old.key),
            &old.label,
            (self.heat, made, self.frailty),
            gone,
            &mut dice,
        );
        self.dice = dice;
    }
}

/// A machine that the company itself puts in.
pub(crate) fn fresh_machine(
    key: &str,
    label: &str,
    (heat, make, frailty): (&HeatCalendar, Make, f64),
    on: NaiveDate,
    dice: &mut Dice,
) -> Machine {
    let around = Surroundings { heat, make: &make, frailty };
    let code = crate::machine::batch(on, dice);
    let occupants = make
        .places()
        .into_iter()
        .map(|place| {
            let mut part = around.new_part(place, on, None, dice);
            part.batch.clone_from(&code);
            Occupant {
                key: component_key(key, place, 1),
                part,
                ordinal: 1,
                installed_on: on.to_string(),
                observed_from: on,
                history_complete: true,
                last_seen_good: Some(on),
            }
        })
        .collect();
    Machine {
        key: key.to_owned(),
        label: label.to_owned(),
        retires: retires(on, on, dice),
        installed: on,
        installed_on: on.to_string(),
        make,
        occupants,
    }
}

/// The day on which a household has a machine replaced for its age: in the cool months, around 19
/// years. Never before `not_before` plus a year.
pub(crate) fn retires(installed: NaiveDate, not_before: NaiveDate, dice: &mut Dice) -> NaiveDate {
    let years = dice.normal(19.0, 2.8).max(12.0);
    let due = later(installed, (years * crate::calendar::DAYS_PER_YEAR) as i64);
    let due = due.max(later(not_before, 400));
    let year = due.year();
    let winter = day(if year < 2100 { year } else { 2100 }, 11, 3);
    working(later(winter, dice.whole(0, 110)))
}

pub(crate) fn component_key(unit: &str, place: Place, ordinal: usize) -> String {
    format!("{unit}-{}{ordinal}", place.short)
}

/// `S-0001-1` becomes `S-0001-1b`, then `S-0001-1c`.
fn next_unit_key(old: &str) -> String {
    let next = |letter: char| char::from_u32(u32::from(letter) + 1).unwrap_or('z');
    match old.chars().last() {
        Some(letter) if letter.is_ascii_lowercase() => {
            format!("{}{}", old.trim_end_matches(letter), next(letter))
        }
        _ => format!("{old}b"),
    }
}

/// Days from a failure to the call, by the day alone so that asking twice gives the same.
fn lag(fails: NaiveDate) -> i64 {
    [0, 0, 1, 0, 1, 0, 2][fails.ordinal() as usize % 7]
}

/// The days of past visits: a first inspection, then what was promised, now and then missed.
fn visit_days(term: &Term, end: NaiveDate, dice: &mut Dice) -> Vec<NaiveDate> {
    let mut days = Vec::new();
    if dice.chance(0.8) {
        days.push(term.first_day);
    }
    for year in term.first_day.year()..=end.year() {
        // In 2020 many households let nobody in.
        let kept = if year == 2020 { 0.6 } else { 0.94 };
        let spring = working(later(day(year, 2, 15), dice.whole(0, 87)));
        let autumn = working(later(day(year, 9, 15), dice.whole(0, 74)));
        if dice.chance(kept) {
            days.push(spring);
        }
        if dice.chance(0.9) && term.promise == Promise::SpringAndAutumn {
            days.push(autumn);
        }
    }
    days.retain(|on| {
        *on == term.first_day || (*on >= later(term.first_day, 75) && *on < day(2025, 2, 15))
    });
    days.retain(|on| *on < end);
    days.sort_unstable();
    days.dedup();
    days
}

fn unit_row(site: &str, machine: &Machine, removed_on: Option<NaiveDate>) -> UnitRow {
    UnitRow {
        unit: machine.key.clone(),
        site: site.to_owned(),
        kind: machine.make.kind.to_string(),
        label: machine.label.clone(),
        capacity_tons: machine.make.tons.map_or_else(String::new, |tons| tons.to_string()),
        installed_on: machine.installed_on.clone(),
        removed_on,
        exposure: machine.make.exposure.to_string(),
        supply_volts: machine.make.supply_volts.to_string(),
    }
}

fn component_row(unit: &str, occupant: &Occupant) -> ComponentRow {
    ComponentRow {
        component: occupant.key.clone(),
        unit: unit.to_owned(),
        position: occupant.part.place.position.to_owned(),
        class: occupant.part.place.class.to_string(),
        rating: occupant.part.rating.clone(),
        installed_on: occupant.installed_on.clone(),
        observed_from: Some(occupant.observed_from),
        history_complete: if occupant.history_complete { "yes" } else { "no" }.to_owned(),
        ended_on: None,
        end_kind: String::new(),
        last_seen_good_on: None,
        replaced_by: String::new(),
        batch: occupant.part.batch.clone(),
    }
}
