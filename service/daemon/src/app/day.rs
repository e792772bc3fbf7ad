//! One technician's day as people read it: stops with times, machines, parts, what is due, load.

use chrono::NaiveDate;
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{BranchId, ComponentId, RouteId, SiteId, TechnicianId};
use hotspell_store::branches::BranchRecord;
use hotspell_store::components::{self, ComponentFilter, ComponentRecord};
use hotspell_store::contacts::{self, ContactFilter, ContactRecord};
use hotspell_store::readings::{self, ReadingFilter, ReadingRecord};
use hotspell_store::routes::{
    self, LoadListLineFilter, LoadListLineRecord, LoadListRecord, RouteRecord, RouteStopFilter,
    RouteStopRecord,
};
use hotspell_store::scores::ScoreRecord;
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::technicians::{self, TechnicianRecord};
use hotspell_store::units::{self, UnitFilter, UnitRecord};
use hotspell_store::visits::{self, VisitRecord};
use hotspell_store::words::Section;
use hotspell_store::{AnyConnection, Page, branches};

use super::judging::judged;
use super::scoring::KeptReason;
use super::{AppError, day_routes, scores};

/// A part as it stands at a stop.
#[derive(Debug, Clone)]
pub struct DayPart {
    /// The part.
    pub component: ComponentRecord,
    /// Its readings, newest first.
    pub readings: Vec<ReadingRecord>,
    /// What the newest reading of each section says: the worst section.
    pub verdict: Option<Verdict>,
    /// Probability of failing by the season's end, if it was scored.
    pub p_season: Option<f64>,
    /// Why, heaviest first.
    pub reasons: Vec<KeptReason>,
}

impl DayPart {
    /// Whether it is to be replaced: its last reading is below a limit or it was seen failed.
    #[must_use]
    pub fn is_due(&self) -> bool {
        self.verdict.is_some_and(|verdict| verdict >= Verdict::Due)
    }
}

/// A machine at a stop.
#[derive(Debug, Clone)]
pub struct DayUnit {
    /// The machine.
    pub unit: UnitRecord,
    /// Its parts in service, most at risk first.
    pub parts: Vec<DayPart>,
}

/// A stop.
#[derive(Debug, Clone)]
pub struct DayStop {
    /// Planned times.
    pub stop: RouteStopRecord,
    /// The visit.
    pub visit: VisitRecord,
    /// The home.
    pub site: SiteRecord,
    /// Whom to call.
    pub contact: Option<ContactRecord>,
    /// What is there.
    pub units: Vec<DayUnit>,
}

/// A technician's day.
#[derive(Debug, Clone)]
pub struct Day {
    /// The office.
    pub branch: BranchRecord,
    /// Who.
    pub technician: TechnicianRecord,
    /// The route in force.
    pub route: RouteRecord,
    /// In driving order.
    pub stops: Vec<DayStop>,
    /// When the pause begins, in seconds after midnight of the branch's clock; none when the plan has none
    /// for this day.
    pub pause_begins_seconds: Option<i32>,
    /// What the truck must carry; none before it was reckoned.
    pub load: Option<(LoadListRecord, Vec<LoadListLineRecord>)>,
}

/// Loads a technician's day; nothing when there is no route.
///
/// # Errors
/// Those of the store.
pub fn load(
    conn: &mut AnyConnection,
    branch: BranchId,
    technician: TechnicianId,
    day: NaiveDate,
) -> Result<Option<Day>, AppError> {
    let Some(route) = routes::current(conn, branch, technician, day)? else { return Ok(None) };
    let record = branches::find(conn, branch)?;
    let person = technicians::find(conn, branch, technician)?;
    let filter = RouteStopFilter { route: Some(route.id), ..RouteStopFilter::default() };
    let mut rows = routes::list_stops(conn, branch, &filter, Page::everything())?;
    rows.sort_by_key(|stop| stop.place);
    let mut stops = Vec::with_capacity(rows.len());
    for stop in rows {
        let visit = visits::find(conn, branch, stop.visit_id)?;
        let site = sites::find(conn, branch, visit.site_id)?;
        let filter = ContactFilter { site: Some(site.id), ..ContactFilter::default() };
        let contact = contacts::list(conn, branch, &filter, Page::first(1))?.pop();
        let units = units_at(conn, &record, site.id, day)?;
        stops.push(DayStop { stop, visit, site, contact, units });
    }
    let load = load_of(conn, branch, route.id)?;
    let pause_begins_seconds = day_routes::pause(conn, branch, route.plan_id, (day, technician))?;
    Ok(Some(Day { branch: record, technician: person, route, stops, pause_begins_seconds, load }))
}

fn load_of(
    conn: &mut AnyConnection,
    branch: BranchId,
    route: RouteId,
) -> Result<Option<(LoadListRecord, Vec<LoadListLineRecord>)>, AppError> {
    let Some(list) = routes::load_list_of(conn, branch, route)? else { return Ok(None) };
    let filter = LoadListLineFilter { load_list: Some(list.id) };
    let lines = routes::list_lines(conn, branch, &filter, Page::everything())?;
    Ok(Some((list, lines)))
}

/// The machines of a home with their parts, readings and scores.
///
/// # Errors
/// Those of the store.
pub fn units_at(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    site: SiteId,
    day: NaiveDate,
) -> Result<Vec<DayUnit>, AppError> {
    let filter = UnitFilter { site: Some(site), present_on: Some(day), ..UnitFilter::default() };
    let machines = units::list(conn, branch.id, &filter, Page::everything())?;
    let filter =
        ComponentFilter { site: Some(site), living: Some(true), ..ComponentFilter::default() };
    let living = components::list(conn, branch.id, &filter, Page::everything())?;
    let scores =
        scores::of_parts(conn, branch.id, living.iter().map(|component| component.id).collect())?;
    let filter = ReadingFilter { site: Some(site), ..ReadingFilter::default() };
    let mut taken = readings::list(conn, branch.id, &filter, Page::everything())?;
    taken.sort_by(|a, b| b.when().cmp(&a.when()));
    machines
        .into_iter()
        .map(|unit| {
            let mut parts = living
                .iter()
                .filter(|component| component.unit_id == unit.id)
                .map(|component| part(branch, component, &taken, scores.get(&component.id)))
                .collect::<Result<Vec<_>, AppError>>()?;
            parts.sort_by(|a, b| b.p_season.unwrap_or(0.0).total_cmp(&a.p_season.unwrap_or(0.0)));
            Ok(DayUnit { unit, parts })
        })
        .collect()
}

fn part(
    branch: &BranchRecord,
    component: &ComponentRecord,
    taken: &[ReadingRecord],
    score: Option<&ScoreRecord>,
) -> Result<DayPart, AppError> {
    let own: Vec<ReadingRecord> =
        taken.iter().filter(|reading| reading.component_id == component.id).cloned().collect();
    // The newest word on each section counts, and of the sections the worst.
    let verdict = [Section::Main, Section::Fan]
        .into_iter()
        .filter_map(|section| {
            let of_section = own.iter().filter(|reading| reading.section == section);
            of_section.filter_map(|reading| judged(component, reading, branch.mains_hertz)).next()
        })
        .max();
    let reasons = score.map(scores::reasons).transpose()?.unwrap_or_default();
    Ok(DayPart {
        component: component.clone(),
        readings: own,
        verdict,
        p_season: score.map(|score| score.p_season),
        reasons,
    })
}

/// Every part of a day's stops.
pub fn parts(day: &Day) -> impl Iterator<Item = (&DayStop, &DayUnit, &DayPart)> {
    day.stops.iter().flat_map(|stop| {
        stop.units
            .iter()
            .flat_map(move |unit| unit.parts.iter().map(move |part| (stop, unit, part)))
    })
}

/// The parts that are due, by number.
#[must_use]
pub fn due_parts(day: &Day) -> Vec<ComponentId> {
    parts(day).filter(|(_, _, part)| part.is_due()).map(|(_, _, part)| part.component.id).collect()
}
