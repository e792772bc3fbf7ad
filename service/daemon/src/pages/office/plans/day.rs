//! One day of a plan: who would drive where, and what could be moved?

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::{BranchId, PlanId};
use hotspell_store::plans::{
    self, PlanRecord, PlanRouteFilter, PlanRouteRecord, PlanStopFilter, PlanStopRecord,
};
use hotspell_store::sites::{self, SiteRecord};
use hotspell_store::technicians;
use hotspell_store::visits::{self, VisitRecord};
use hotspell_store::{Page, branches};

use super::figures::hours;
use super::{address, name};
use crate::app::AppError;
use crate::app::calendar::time_of_day;
use crate::app::letters::address_of;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, PLANS, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

#[derive(Template)]
#[template(path = "plan-day.html")]
struct DayPage {
    shell: Shell,
    plan: String,
    back: String,
    day: String,
    routes: Vec<RouteView>,
}

struct RouteView {
    id: i64,
    technician: String,
    about: String,
    stops: Vec<StopView>,
}

struct StopView {
    time: String,
    household: String,
    address: String,
    kind: &'static str,
    state: &'static str,
    reason: String,
    href: String,
}

struct Found {
    branch: String,
    plan: PlanRecord,
    routes: Vec<(i64, String, Option<PlanRouteRecord>, Vec<Met>)>,
}

type Met = (PlanStopRecord, VisitRecord, SiteRecord);

fn load(
    state: &AppState,
    branch: BranchId,
    plan: PlanId,
    day: NaiveDate,
) -> Result<Found, AppError> {
    state.store.read(|conn| {
        let record = branches::find(conn, branch)?;
        let plan = plans::find(conn, branch, plan)?;
        let filter =
            PlanStopFilter { plan: Some(plan.id), day: Some(day), ..PlanStopFilter::default() };
        let mut stops = plans::list_stops(conn, branch, &filter, Page::everything())?;
        stops.sort_by_key(|stop| (stop.technician_id, stop.place));
        let filter = PlanRouteFilter { plan: Some(plan.id), day: Some(day) };
        let reckoned = plans::list_routes(conn, branch, &filter, Page::everything())?;
        let mut routes = Vec::new();
        for group in stops.chunk_by(|a, b| a.technician_id == b.technician_id) {
            let Some(first) = group.first() else { continue };
            let person = technicians::find(conn, branch, first.technician_id)?;
            let mut met = Vec::new();
            for stop in group {
                let visit = visits::find(conn, branch, stop.visit_id)?;
                let site = sites::find(conn, branch, visit.site_id)?;
                met.push((stop.clone(), visit, site));
            }
            let route =
                reckoned.iter().find(|route| route.technician_id == first.technician_id).cloned();
            routes.push((person.id.0, person.name.clone(), route, met));
        }
        Ok(Found { branch: record.name.clone(), plan, routes })
    })
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    path: web::Path<(i64, NaiveDate)>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let (plan, day) = path.into_inner();
    let found = blocking(move || load(&state, caller.branch, PlanId(plan), day)).await?;
    let title = format!("{}: {}", name(&found.plan), words::day(day));
    let page = DayPage {
        shell: Shell::signed_in(&request, &caller, title, &found.branch, Some(PLANS)),
        plan: name(&found.plan),
        back: format!("{}?from={day}#days", address(&found.plan)),
        day: words::full_day(day),
        routes: found.routes.iter().map(|route| view(&found.plan, route)).collect(),
    };
    shell::show(StatusCode::OK, &page)
}

fn view(
    plan: &PlanRecord,
    (id, technician, route, met): &(i64, String, Option<PlanRouteRecord>, Vec<Met>),
) -> RouteView {
    let at = |seconds| words::time(time_of_day(seconds));
    let about = route.as_ref().map_or_else(String::new, |route| {
        let pause = route
            .pause_begins_seconds
            .map_or_else(|| "no pause".to_owned(), |begin| format!("pause from {}", at(begin)));
        format!(
            "{} of work at homes, {} of driving, {pause}, back at {}.",
            hours(i64::from(route.work_seconds) / 60),
            hours(i64::from(route.travel_seconds) / 60),
            at(route.ends_seconds)
        )
    });
    let stops = met.iter().map(|(stop, visit, site)| StopView {
        time: format!("{} to {}", at(stop.start_seconds), at(stop.leave_seconds)),
        household: site.name.clone(),
        address: address_of(site),
        kind: words::visit(visit.kind),
        state: words::state(visit.state),
        reason: stop.reason.clone(),
        href: format!("{}/visits/{}", address(plan), visit.id),
    });
    RouteView { id: *id, technician: technician.clone(), about, stops: stops.collect() }
}
