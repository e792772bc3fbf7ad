//! Two plans side by side: which households would have another day, person or time, and who would
//! have to be told again.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, PlanId, SiteId, TechnicianId, VisitId, VisitState};
use hotspell_planning::difference::{Difference, Names, Placement};
use hotspell_planning::repair::TOLERANCE_S;
use hotspell_store::plans::{self, PlanRecord};
use hotspell_store::sites::{self, SiteFilter};
use hotspell_store::technicians::{self, TechnicianFilter};
use hotspell_store::to_plan::StopToPlan;
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::{AnyConnection, Page};

use super::AppError;
use super::calendar::seconds_of_day;
use super::plan_change;
use super::season_inputs::stops_of;

/// What the second plan has otherwise than the first.
#[derive(Debug)]
pub struct Comparison {
    /// The first plan.
    pub from: PlanRecord,
    /// The second.
    pub to: PlanRecord,
    /// Visits on another day.
    pub moved_day: usize,
    /// Visits on the same day with another person or at another time.
    pub moved_within_day: usize,
    /// Visits that only the second places.
    pub added: usize,
    /// Visits that only the first places.
    pub removed: usize,
    /// Visits with the same day, person and time (within a quarter of an hour).
    pub kept: usize,
    /// Each difference in words.
    pub sentences: Vec<String>,
    /// Visits whose households were told something else than the second plan has.
    pub told_again: Vec<ToldAgain>,
}

/// A household that would have to be told again.
#[derive(Debug)]
pub struct ToldAgain {
    /// The visit.
    pub visit: VisitId,
    /// The home's name.
    pub household: String,
    /// Whether it has agreed to what it was told.
    pub agreed: bool,
}

/// Compares two plans of a branch by what is stored of them.
///
/// # Errors
/// [`AppError::Store`] when there is no such plan.
pub fn compare(
    conn: &mut AnyConnection,
    branch: BranchId,
    from: PlanId,
    to: PlanId,
) -> Result<Comparison, AppError> {
    let (from, to) = (plans::find(conn, branch, from)?, plans::find(conn, branch, to)?);
    let (before, after) =
        (stops_of(conn, branch, from.id, None)?, stops_of(conn, branch, to.id, None)?);
    let names = StoredNames::load(conn, branch, &before, &after)?;
    let placed = |stops: &BTreeMap<VisitId, StopToPlan>| -> Vec<Option<Placement>> {
        names.visits.iter().map(|id| names.placement(stops.get(id)?)).collect()
    };
    let difference = Difference::of_placements(&placed(&before), &placed(&after), TOLERANCE_S);
    let moved_day = difference.moved.iter().filter(|moved| moved.day_changed()).count();
    let told_again = names
        .records
        .values()
        .filter(|visit| matches!(visit.state, VisitState::Announced | VisitState::Agreed))
        .filter(|visit| names.visits.contains(&visit.id))
        .filter(|visit| !keeps_its_word(visit, after.get(&visit.id)))
        .map(|visit| ToldAgain {
            visit: visit.id,
            household: names.household(visit),
            agreed: visit.state == VisitState::Agreed,
        })
        .collect();
    Ok(Comparison {
        moved_day,
        moved_within_day: difference.moved.len() - moved_day,
        added: difference.added.len(),
        removed: difference.removed.len(),
        kept: difference.kept,
        sentences: difference.sentences(&names),
        told_again,
        from,
        to,
    })
}

/// Whether a visit has the day, the person and a start within the window that its household was told.
fn keeps_its_word(visit: &VisitRecord, stop: Option<&StopToPlan>) -> bool {
    stop.is_some_and(|stop| {
        let within = visit.starts.zip(visit.ends).is_none_or(|(starts, ends)| {
            (seconds_of_day(starts)..=seconds_of_day(ends)).contains(&stop.start_seconds)
        });
        visit.day == Some(stop.day) && visit.technician_id == Some(stop.technician_id) && within
    })
}

/// The visits, days and people of two plans by index, with their names.
struct StoredNames {
    visits: Vec<VisitId>,
    days: Vec<NaiveDate>,
    technicians: Vec<(TechnicianId, String)>,
    records: BTreeMap<VisitId, VisitRecord>,
    sites: BTreeMap<SiteId, String>,
}

impl StoredNames {
    fn load(
        conn: &mut AnyConnection,
        branch: BranchId,
        before: &BTreeMap<VisitId, StopToPlan>,
        after: &BTreeMap<VisitId, StopToPlan>,
    ) -> Result<Self, AppError> {
        let all = || before.values().chain(after.values());
        let mut visits: Vec<VisitId> = all().map(|stop| stop.visit_id).collect();
        let mut days: Vec<NaiveDate> = all().map(|stop| stop.day).collect();
        visits.sort_unstable();
        visits.dedup();
        days.sort_unstable();
        days.dedup();
        let everything = Page::everything();
        let people = technicians::list(conn, branch, &TechnicianFilter::default(), everything)?;
        let records = visits::list(conn, branch, &VisitFilter::default(), everything)?;
        let sites = sites::list(conn, branch, &SiteFilter::default(), everything)?;
        Ok(Self {
            visits,
            days,
            technicians: people.into_iter().map(|it| (it.id, it.fields.name)).collect(),
            records: records.into_iter().map(|visit| (visit.id, visit)).collect(),
            sites: sites.into_iter().map(|site| (site.id, site.fields.name)).collect(),
        })
    }

    fn placement(&self, stop: &StopToPlan) -> Option<Placement> {
        Some(Placement {
            day: self.days.binary_search(&stop.day).ok()?,
            technician: self.technicians.iter().position(|(id, _)| *id == stop.technician_id)?,
            start_s: stop.start_seconds,
        })
    }

    fn household(&self, visit: &VisitRecord) -> String {
        self.sites.get(&visit.site_id).cloned().unwrap_or_else(|| format!("site {}", visit.site_id))
    }
}

impl Names for StoredNames {
    fn visit(&self, visit: usize) -> String {
        let record = self.visits.get(visit).and_then(|id| self.records.get(id));
        record.map_or_else(|| format!("visit {visit}"), |record| self.household(record))
    }

    fn technician(&self, technician: usize) -> String {
        let person = self.technicians.get(technician);
        person.map_or_else(|| format!("technician {technician}"), |(_, name)| name.clone())
    }

    fn day(&self, day: usize) -> String {
        let date = self.days.get(day);
        date.map_or_else(|| format!("day {day}"), |date| plan_change::day(*date))
    }

    fn time(&self, second: i32) -> String {
        plan_change::time(second)
    }
}
