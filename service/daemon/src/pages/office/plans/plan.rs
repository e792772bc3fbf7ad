//! One plan: is it good, can the crew do it day by day, and who is left out?

use std::collections::BTreeMap;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::NaiveDate;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, DateRange, PlanId, SiteId, VisitId};
use hotspell_store::plans::{self, PlanRecord, PlanStopFilter, UnplacedFilter, UnplacedRecord};
use hotspell_store::sites::{self, SiteFilter};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::words::PlanState;
use hotspell_store::{Page, branches};
use serde::Deserialize;

use super::grid::{self, Grid};
use super::{address, figures, name, stretch};
use crate::app::AppError;
use crate::app::calendar::Calendar;
use crate::app::plan_change::PlanChange;
use crate::app::season_inputs::adopted;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, PLANS, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    /// First day shown of the days by people.
    from: Option<NaiveDate>,
    /// How many of the visits left out come before those shown.
    left: Option<usize>,
}

/// Visits left out that are shown at once.
const LEFT_SHOWN: usize = 60;

#[derive(Template)]
#[template(path = "plan.html")]
struct PlanPage {
    shell: Shell,
    heading: String,
    about: String,
    here: String,
    version: i64,
    is_draft: bool,
    /// Address of the comparison with the plan in force.
    comparison: Option<String>,
    change: Option<ChangeView>,
    rows: Vec<(&'static str, String)>,
    staffing: Vec<String>,
    travel: Option<String>,
    grid: Grid,
    left: LeftOut,
}

/// Some of the visits left out.
struct LeftOut {
    /// Which of how many, where not all are shown.
    caption: Option<String>,
    rows: Vec<LeftView>,
    /// Address of those before.
    earlier: Option<String>,
    /// Address of those after.
    later: Option<String>,
}

struct ChangeView {
    lead: String,
    sentences: Vec<String>,
}

struct LeftView {
    household: String,
    kind: &'static str,
    reason: String,
    href: String,
}

struct Found {
    branch: String,
    today: NaiveDate,
    plan: PlanRecord,
    in_force: Option<PlanId>,
    calendar: Calendar,
    sheet: grid::Sheet,
    /// How many are left out.
    left: usize,
    /// How many of them come before those that are shown.
    before: usize,
    /// Those that are shown.
    unplaced: Vec<UnplacedRecord>,
    visits: BTreeMap<VisitId, VisitRecord>,
    sites: BTreeMap<SiteId, String>,
}

fn load(
    state: &AppState,
    branch: BranchId,
    plan: PlanId,
    before: usize,
) -> Result<Found, AppError> {
    let now = state.now();
    state.store.read(|conn| {
        let record = branches::find(conn, branch)?;
        let plan = plans::find(conn, branch, plan)?;
        let everything = Page::everything();
        let stops = PlanStopFilter { plan: Some(plan.id), ..PlanStopFilter::default() };
        let unplaced = UnplacedFilter { plan: Some(plan.id) };
        let mut unplaced = plans::list_unplaced(conn, branch, &unplaced, everything)?;
        let left = unplaced.len();
        let before = before.min(left.saturating_sub(1) / LEFT_SHOWN * LEFT_SHOWN);
        unplaced = unplaced.into_iter().skip(before).take(LEFT_SHOWN).collect();
        let ids = unplaced.iter().map(|left| left.visit_id).collect();
        let ids = VisitFilter { ids: Some(ids), ..VisitFilter::default() };
        let visits = visits::list(conn, branch, &ids, everything)?;
        let homes = visits.iter().map(|visit| visit.site_id).collect();
        let homes = SiteFilter { ids: Some(homes), ..SiteFilter::default() };
        Ok(Found {
            left,
            before,
            today: local_day(now, record.time_zone),
            in_force: adopted(conn, branch)?.map(|plan| plan.id),
            calendar: Calendar::load(conn, &record)?,
            sheet: grid::Sheet {
                stops: plans::list_stops(conn, branch, &stops, everything)?,
                routes: plans::list_routes(
                    conn,
                    branch,
                    &plans::PlanRouteFilter { plan: Some(plan.id), day: None },
                    everything,
                )?,
            },
            unplaced,
            visits: visits.into_iter().map(|visit| (visit.id, visit)).collect(),
            sites: sites::list(conn, branch, &homes, everything)?
                .into_iter()
                .map(|site| (site.id, site.fields.name))
                .collect(),
            branch: record.name.clone(),
            plan,
        })
    })
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    plan: web::Path<i64>,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let plan = PlanId(plan.into_inner());
    let shared = state.clone();
    let before = query.left.unwrap_or(0);
    let found = blocking(move || load(&shared, caller.branch, plan, before)).await?;
    let plan = &found.plan;
    let shell = Shell::signed_in(&request, &caller, name(plan), &found.branch, Some(PLANS));
    let counted = figures::of(plan);
    let comfortable_s = state.config.planning.comfortable_work_s;
    let days = DateRange { first: plan.first_day, last: plan.last_day };
    let from = query.from.unwrap_or(found.today);
    let other = found.in_force.filter(|in_force| *in_force != plan.id);
    let page = PlanPage {
        shell,
        heading: name(plan),
        about: stretch(plan),
        here: address(plan),
        version: plan.version,
        is_draft: plan.state == PlanState::Draft,
        comparison: other
            .map(|other| format!("{}/comparison?from={other}&to={}", PLANS.path, plan.id)),
        change: counted.as_ref().and_then(|it| it.change.as_ref()).map(change),
        rows: counted
            .as_ref()
            .map(|it| figures::NAMES.into_iter().zip(figures::rows(it)).collect())
            .unwrap_or_default(),
        staffing: counted
            .as_ref()
            .and_then(|it| it.staffing.as_ref())
            .map(figures::staffing)
            .unwrap_or_default(),
        travel: counted.as_ref().and_then(|it| estimated(it.travel.estimated, it.travel.fetched)),
        grid: grid::grid(&address(plan), &found.calendar, days, from, &found.sheet, comfortable_s),
        left: left(&found),
    };
    shell::show(StatusCode::OK, &page)
}

/// Only worth a word where a routing engine did not know every trip.
fn estimated(estimated: usize, fetched: usize) -> Option<String> {
    (fetched > 0 && estimated > 0).then(|| {
        format!(
            "{estimated} trips are estimated from distance; the routing engine did not give them."
        )
    })
}

/// What a draft changes, in a sentence and in single ones.
fn change(change: &PlanChange) -> ChangeView {
    let driving = match change.travel_saved_minutes {
        0 => "as much driving".to_owned(),
        saved if saved > 0 => format!("{saved} min of driving less"),
        costs => format!("{} min of driving more", -costs),
    };
    ChangeView {
        lead: format!(
            "{} on another day, {} with another person or time on the same day, {} new, {} without \
             their place; {} stay as they are. {driving}; {} left out instead of {}.",
            words::count(change.moved_day, "household", "households"),
            change.moved_within_day,
            change.added,
            change.removed,
            change.kept,
            words::count(change.left_out_after, "visit", "visits"),
            change.left_out_before
        ),
        sentences: change.sentences.clone(),
    }
}

fn left(found: &Found) -> LeftOut {
    let (first, last) = (found.before, found.before + found.unplaced.len());
    let at = |before: usize| format!("{}?left={before}#left", address(&found.plan));
    LeftOut {
        caption: (found.unplaced.len() < found.left)
            .then(|| format!("{} to {last} of {}", first + 1, found.left)),
        rows: found.unplaced.iter().map(|left| left_out(found, left)).collect(),
        earlier: (first > 0).then(|| at(first.saturating_sub(LEFT_SHOWN))),
        later: (last < found.left).then(|| at(last)),
    }
}

fn left_out(found: &Found, left: &UnplacedRecord) -> LeftView {
    let visit = found.visits.get(&left.visit_id);
    let household = visit.and_then(|visit| found.sites.get(&visit.site_id)).cloned();
    LeftView {
        household: household.unwrap_or_else(|| format!("visit {}", left.visit_id)),
        kind: visit.map_or("", |visit| words::visit(visit.kind)),
        reason: left.reason.clone(),
        href: format!("{}/visits/{}", address(&found.plan), left.visit_id),
    }
}
