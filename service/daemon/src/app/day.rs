//! One technician's day as people read it: stops with times, machines, parts, what is due, load.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use chrono::NaiveDate;
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{BranchId, ComponentId, RouteId, SiteId, TechnicianId, UnitId, VisitId};
use hotspell_store::branches::BranchRecord;
use hotspell_store::components::{self, ComponentFilter, ComponentRecord};
use hotspell_store::contacts::{self, ContactFilter, ContactRecord};
use hotspell_store::readings::{self, ReadingFilter, ReadingRecord};
use hotspell_store::routes::{
    self, LoadListLineFilter, LoadListLineRecord, LoadListRecord, RouteRecord, RouteStopFilter,
    RouteStopRecord,
};
use hotspell_store::sites::{self, SiteFilter, SiteRecord};
use hotspell_store::technicians::{self, TechnicianRecord};
use hotspell_store::units::{self, UnitFilter, UnitRecord};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::words::Section;
use hotspell_store::{AnyConnection, Page, branches};

use super::judging::judged;
use super::scores::{self, Why};
use super::scoring::KeptReason;
use super::{AppError, day_routes};

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
    Ok(load_all(conn, branch, &[technician], day)?.pop())
}

/// Loads the days of several technicians, without those who have no route: what is at their stops is read
/// at once for all.
///
/// # Errors
/// Those of the store.
pub fn load_all(
    conn: &mut AnyConnection,
    branch: BranchId,
    technicians: &[TechnicianId],
    day: NaiveDate,
) -> Result<Vec<Day>, AppError> {
    let record = branches::find(conn, branch)?;
    let mut driven = Vec::new();
    for technician in technicians {
        let Some(route) = routes::current(conn, branch, *technician, day)? else { continue };
        let filter = RouteStopFilter { route: Some(route.id), ..RouteStopFilter::default() };
        let mut stops = routes::list_stops(conn, branch, &filter, Page::everything())?;
        stops.sort_by_key(|stop| stop.place);
        driven.push((route, stops));
    }
    let met = Met::load(conn, &record, day, driven.iter().flat_map(|(_, stops)| stops))?;
    let mut pauses = BTreeMap::new();
    for plan in driven.iter().filter_map(|(route, _)| route.plan_id) {
        if let Entry::Vacant(new) = pauses.entry(plan) {
            new.insert(day_routes::pauses(conn, branch, plan, day)?);
        }
    }
    let mut days = Vec::with_capacity(driven.len());
    for (route, stops) in driven {
        let technician = technicians::find(conn, branch, route.technician_id)?;
        let stops = stops.into_iter().map(|stop| met.stop(stop)).collect::<Result<_, _>>()?;
        let load = load_of(conn, branch, route.id)?;
        let planned = route.plan_id.and_then(|plan| pauses.get(&plan));
        let pause_begins_seconds =
            planned.and_then(|pauses| pauses.get(&route.technician_id)).copied();
        days.push(Day {
            branch: record.clone(),
            technician,
            route,
            stops,
            pause_begins_seconds,
            load,
        });
    }
    Ok(days)
}

/// What is met at stops.
struct Met {
    visits: BTreeMap<VisitId, VisitRecord>,
    sites: BTreeMap<SiteId, SiteRecord>,
    contacts: BTreeMap<SiteId, ContactRecord>,
    units: BTreeMap<SiteId, Vec<DayUnit>>,
}

impl Met {
    fn load<'a>(
        conn: &mut AnyConnection,
        branch: &BranchRecord,
        day: NaiveDate,
        stops: impl Iterator<Item = &'a RouteStopRecord>,
    ) -> Result<Self, AppError> {
        let everything = Page::everything();
        let ids = Some(stops.map(|stop| stop.visit_id).collect());
        let filter = VisitFilter { ids, ..VisitFilter::default() };
        let visits = visits::list(conn, branch.id, &filter, everything)?;
        let homes: Vec<SiteId> = visits.iter().map(|visit| visit.site_id).collect();
        let filter = SiteFilter { ids: Some(homes.clone()), ..SiteFilter::default() };
        let sites = sites::list(conn, branch.id, &filter, everything)?;
        let filter = ContactFilter { sites: Some(homes.clone()), ..ContactFilter::default() };
        let mut contacts = BTreeMap::new();
        for contact in contacts::list(conn, branch.id, &filter, everything)? {
            // The first of a home is whom to call.
            contacts.entry(contact.site_id).or_insert(contact);
        }
        Ok(Self {
            visits: visits.into_iter().map(|visit| (visit.id, visit)).collect(),
            sites: sites.into_iter().map(|site| (site.id, site)).collect(),
            contacts,
            units: units_of(conn, branch, homes, day)?,
        })
    }

    /// What is met at a stop; a home that is met twice is told twice.
    fn stop(&self, stop: RouteStopRecord) -> Result<DayStop, AppError> {
        let missing = || AppError::internal("stop of a route", "its visit or home is not stored");
        let visit = self.visits.get(&stop.visit_id).ok_or_else(missing)?.clone();
        let site = self.sites.get(&visit.site_id).ok_or_else(missing)?.clone();
        let contact = self.contacts.get(&site.id).cloned();
        let units = self.units.get(&site.id).cloned().unwrap_or_default();
        Ok(DayStop { stop, visit, site, contact, units })
    }
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
    Ok(units_of(conn, branch, vec![site], day)?.remove(&site).unwrap_or_default())
}

/// The same for several homes.
fn units_of(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
    homes: Vec<SiteId>,
    day: NaiveDate,
) -> Result<BTreeMap<SiteId, Vec<DayUnit>>, AppError> {
    let everything = Page::everything();
    let (sites, present_on) = (Some(homes.clone()), Some(day));
    let filter = UnitFilter { sites, present_on, ..UnitFilter::default() };
    let machines = units::list(conn, branch.id, &filter, everything)?;
    let (sites, living) = (Some(homes), Some(true));
    let filter = ComponentFilter { sites, living, ..ComponentFilter::default() };
    let living = components::list(conn, branch.id, &filter, everything)?;
    let parts: Vec<ComponentId> = living.iter().map(|component| component.id).collect();
    let mut scored = scores::reasons_of_parts(conn, branch.id, &parts)?;
    let filter = ReadingFilter { components: Some(parts), ..ReadingFilter::default() };
    let mut taken: BTreeMap<ComponentId, Vec<ReadingRecord>> = BTreeMap::new();
    for reading in readings::list(conn, branch.id, &filter, everything)? {
        taken.entry(reading.component_id).or_default().push(reading);
    }
    let mut inside: BTreeMap<UnitId, Vec<DayPart>> = BTreeMap::new();
    for component in living {
        let mut own = taken.remove(&component.id).unwrap_or_default();
        own.sort_by(|a, b| b.when().cmp(&a.when()));
        let why = scored.remove(&component.id);
        inside.entry(component.unit_id).or_default().push(part(branch, component, own, why));
    }
    let mut found: BTreeMap<SiteId, Vec<DayUnit>> = BTreeMap::new();
    for unit in machines {
        let mut parts = inside.remove(&unit.id).unwrap_or_default();
        parts.sort_by(|a, b| b.p_season.unwrap_or(0.0).total_cmp(&a.p_season.unwrap_or(0.0)));
        found.entry(unit.site_id).or_default().push(DayUnit { unit, parts });
    }
    Ok(found)
}

fn part(
    branch: &BranchRecord,
    component: ComponentRecord,
    readings: Vec<ReadingRecord>,
    why: Option<Why>,
) -> DayPart {
    // The newest word on each section counts, and of the sections the worst.
    let verdict = [Section::Main, Section::Fan]
        .into_iter()
        .filter_map(|section| {
            let of_section = readings.iter().filter(|reading| reading.section == section);
            of_section.filter_map(|reading| judged(&component, reading, branch.mains_hertz)).next()
        })
        .max();
    DayPart {
        component,
        readings,
        verdict,
        p_season: why.as_ref().map(|why| why.p_season),
        reasons: why.unwrap_or_default().reasons,
    }
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
