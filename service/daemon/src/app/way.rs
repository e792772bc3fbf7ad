//! A route as places on the earth.

use chrono::{DateTime, Utc};
use hotspell_domain::{BranchId, Position, VisitId, VisitKind, local_time};
use hotspell_store::routes::{self, RouteRecord, RouteStopFilter};
use hotspell_store::sites::SiteRecord;
use hotspell_store::{AnyConnection, Page, branches, sites, technicians, visits};

use super::AppError;
use super::calendar::time_of_day;

/// A stop with its place.
#[derive(Debug, Clone)]
pub struct WayStop {
    /// In driving order, from 1.
    pub order: i32,
    /// The visit.
    pub visit: VisitId,
    /// What it is for.
    pub kind: VisitKind,
    /// The home.
    pub site: SiteRecord,
    /// Planned arrival.
    pub arrives: DateTime<Utc>,
    /// Planned departure.
    pub leaves: DateTime<Utc>,
}

/// A technician's day as places.
#[derive(Debug, Clone)]
pub struct Way {
    /// The branch's zone.
    pub zone: chrono_tz::Tz,
    /// Where the day begins and ends: the technician's own start or the depot, if either is stated.
    pub start: Option<Position>,
    /// The stops in driving order.
    pub stops: Vec<WayStop>,
}

impl Way {
    /// The places in driving order, from the start and back to it; homes without a position are
    /// passed over.
    #[must_use]
    pub fn line(&self) -> Vec<Position> {
        let homes = self.stops.iter().filter_map(|stop| stop.site.position());
        self.start.into_iter().chain(homes).chain(self.start).collect()
    }
}

/// Loads the places of a route.
///
/// # Errors
/// Those of the store.
pub fn load(
    conn: &mut AnyConnection,
    branch: BranchId,
    route: &RouteRecord,
) -> Result<Way, AppError> {
    let office = branches::find(conn, branch)?;
    let person = technicians::find(conn, branch, route.technician_id)?;
    let filter = RouteStopFilter { route: Some(route.id), ..RouteStopFilter::default() };
    let mut rows = routes::list_stops(conn, branch, &filter, Page::everything())?;
    rows.sort_by_key(|stop| stop.place);
    let mut stops = Vec::with_capacity(rows.len());
    for stop in rows {
        let visit = visits::find(conn, branch, stop.visit_id)?;
        let at = |seconds| local_time::instant(route.day, time_of_day(seconds), office.time_zone);
        stops.push(WayStop {
            order: stop.place + 1,
            visit: visit.id,
            kind: visit.kind,
            site: sites::find(conn, branch, visit.site_id)?,
            arrives: at(stop.arrival_seconds),
            leaves: at(stop.leave_seconds),
        });
    }
    Ok(Way { zone: office.time_zone, start: person.start().or(office.depot()), stops })
}
