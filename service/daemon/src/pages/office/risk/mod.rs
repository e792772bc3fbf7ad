//! The risk list.
//!
//! What the reader must decide: which homes do I look at before the others, and is the reason a
//! good one? So each row leads with the home and the chance, and opens to its reasons.

use std::collections::BTreeMap;

use actix_web::http::StatusCode;
use actix_web::http::header::{HeaderValue, REFRESH};
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, SiteId, VisitState};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::runs::{self, RunRecord};
use hotspell_store::scores::{self as stored_scores, Ranked, ScoreSort, Scoring};
use hotspell_store::sites::{self, SiteFilter, SiteRecord};
use hotspell_store::technicians::{self, TechnicianFilter, TechnicianRecord};
use hotspell_store::visits::{self, VisitFilter};
use hotspell_store::words::{RunKind, RunOutcome};
use hotspell_store::{AnyConnection, BOUND_VALUES, Page, Placed as _};

use crate::api::handlers::actions::start_scoring;
use crate::api::page;
use crate::app::AppError;
use crate::app::background::{self, Standing, reason};
use crate::app::letters::address_of;
use crate::app::scores;
use crate::pages::forms::SessionForm;
use crate::pages::parts;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, RISK, Shell, see_other};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

mod query;

use query::{Choice, Query};

/// Rows of a page.
const ROWS: usize = 50;
/// Seconds after which the browser looks again while the first scoring runs.
const LOOK_AGAIN_S: &str = "2";

#[derive(Template)]
#[template(path = "risk.html")]
struct RiskPage {
    shell: Shell,
    as_of: Option<String>,
    /// What in the choice means nothing.
    refused: Option<String>,
    classes: Vec<Choice>,
    place: String,
    places: Vec<String>,
    least: String,
    years: String,
    coming: Vec<Choice>,
    sorts: Vec<Choice>,
    rows: Vec<Row>,
    next: Option<String>,
    /// Whether anything was scored ever.
    scored: bool,
    /// Where the first scoring stands, while nothing is scored.
    scoring: Option<Scored>,
}

impl RiskPage {
    fn is_scoring(&self) -> bool {
        self.scoring.as_ref().is_some_and(|scoring| scoring.runs)
    }
}

/// Where a scoring stands.
struct Scored {
    /// Whether it goes on; it failed otherwise.
    runs: bool,
    said: String,
}

struct Row {
    part_id: i64,
    chance: String,
    between: String,
    household: String,
    address: String,
    part: String,
    heat_age: String,
    in_service: String,
    /// The figure that the list is sorted by, if the row does not lead with it.
    sorted_by: Option<String>,
    visit: String,
    reasons: Vec<String>,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let caller = office.0;
    let query = query.into_inner();
    let (branch, asked) = (caller.branch, query.clone());
    let shared = state.clone();
    let now = state.now();
    let found = blocking(move || shared.store.read(|conn| load(conn, branch, &asked, now))).await?;
    let shell = Shell::signed_in(&request, &caller, "Risk list", &found.branch.name, Some(RISK));
    let page = whole(shell, &found, &query, &state)?;
    let mut answer = shell::show(StatusCode::OK, &page)?;
    if page.is_scoring() {
        // Nothing is typed on this page while nothing is scored, so nothing is lost.
        answer.headers_mut().insert(REFRESH, HeaderValue::from_static(LOOK_AGAIN_S));
    }
    Ok(answer)
}

/// Starts a scoring beside the requests.
pub(super) async fn score(
    state: web::Data<AppState>,
    office: Office,
    _: SessionForm,
) -> Result<HttpResponse, PageError> {
    start_scoring(&state, office.0, None).await?;
    Ok(see_other(RISK.path))
}

/// Where the newest scoring stands, unless it ended well.
fn scoring(state: &AppState, run: &RunRecord) -> Option<Scored> {
    let failed = |said: String| Some(Scored { runs: false, said });
    match background::standing(state, run) {
        Standing::Running | Standing::Stopping => {
            let percent = 100.0 * run.progress.unwrap_or(0.0);
            let said = format!("The parts are being scored; {percent:.0} % is done.");
            Some(Scored { runs: true, said })
        }
        Standing::Ended(RunOutcome::Succeeded | RunOutcome::Running) => None,
        Standing::Ended(RunOutcome::Failed | RunOutcome::Stopped) => failed(format!(
            "The last scoring ended without scores: {}.",
            reason(run).unwrap_or_default()
        )),
        Standing::Lost => failed("The last scoring ended with its process.".to_owned()),
    }
}

struct Found {
    branch: BranchRecord,
    as_of: Option<NaiveDate>,
    /// What in the choice means nothing.
    refused: Option<String>,
    rows: Vec<Ranked>,
    sorted_by: Option<ScoreSort>,
    /// The place of the last row, if there are more.
    next: Option<String>,
    technicians: Vec<TechnicianRecord>,
    /// The homes of the rows.
    sites: BTreeMap<SiteId, SiteRecord>,
    visits: BTreeMap<SiteId, String>,
    /// Cities to choose from.
    places: Vec<String>,
    scored: bool,
    /// The newest scoring, while nothing is scored.
    newest: Option<RunRecord>,
}

fn load(
    conn: &mut AnyConnection,
    branch: BranchId,
    query: &Query,
    now: DateTime<Utc>,
) -> Result<Found, AppError> {
    let mut found = Found {
        branch: branches::find(conn, branch)?,
        as_of: None,
        refused: None,
        rows: Vec::new(),
        sorted_by: None,
        next: None,
        technicians: Vec::new(),
        sites: BTreeMap::new(),
        visits: BTreeMap::new(),
        places: sites::cities(conn, branch)?,
        scored: true,
        newest: None,
    };
    let Some(run) = stored_scores::in_force_since(conn, branch)? else {
        found.scored = false;
        found.newest = runs::newest(conn, branch, RunKind::Scoring)?;
        return Ok(found);
    };
    let today = local_day(now, found.branch.time_zone);
    let at_work = TechnicianFilter { active_on: Some(today), ..TechnicianFilter::default() };
    found.technicians = technicians::list(conn, branch, &at_work, Page::everything())?;
    let asked = match query.read(today, ROWS as i64 + 1) {
        Ok(asked) => asked,
        Err(refused) => {
            found.refused = Some(refused);
            return Ok(found);
        }
    };
    let mut filter = asked.filter;
    if let Some(wanted) = &asked.place {
        let homes = homes_in(conn, branch, wanted)?;
        if homes.len() > BOUND_VALUES {
            let refused = format!(
                "«{wanted}» fits {} homes, more than can be looked at. Write more of it.",
                homes.len()
            );
            found.refused = Some(refused);
            return Ok(found);
        }
        filter.sites = Some(homes);
    }
    let order = asked.page.order;
    found.sorted_by = order.map(|order| order.key);
    let scoring = Scoring::InForceSince(run);
    found.rows = stored_scores::ranking(conn, branch, scoring, &filter, asked.page)?;
    if found.rows.len() > ROWS {
        found.rows.truncate(ROWS);
        found.next = found.rows.last().map(|row| page::encode(order, row.place(order)));
    }
    found.as_of = found.rows.iter().map(|row| row.score.as_of).max();
    let homes: Vec<SiteId> = found.rows.iter().map(|row| row.site_id).collect();
    let filter = SiteFilter { ids: Some(homes.clone()), ..SiteFilter::default() };
    let sites = sites::list(conn, branch, &filter, Page::everything())?;
    found.sites = sites.into_iter().map(|site| (site.id, site)).collect();
    found.visits = next_visits(conn, branch, homes)?;
    Ok(found)
}

/// The homes in whose town, postal code or household's name these small letters stand: a piece of a
/// word, in whatever letters, so no index helps and each is looked at.
fn homes_in(
    conn: &mut AnyConnection,
    branch: BranchId,
    wanted: &str,
) -> Result<Vec<SiteId>, AppError> {
    let mut labels = sites::labels(conn, branch)?;
    labels.retain(|home| {
        let said = [&home.city, &home.postal_code, &home.name];
        said.iter().any(|text| text.to_lowercase().contains(wanted))
    });
    Ok(labels.iter().map(|home| home.id).collect())
}

/// Where the open visit of each of these homes stands.
fn next_visits(
    conn: &mut AnyConnection,
    branch: BranchId,
    homes: Vec<SiteId>,
) -> Result<BTreeMap<SiteId, String>, AppError> {
    let filter = VisitFilter {
        sites: Some(homes),
        states: Some(VisitState::holding_a_place_or(&[VisitState::Owed])),
        ..VisitFilter::default()
    };
    let mut visits = visits::list(conn, branch, &filter, Page::everything())?;
    // Latest first, so that the earliest remains.
    visits.sort_by_key(|visit| std::cmp::Reverse((visit.day.unwrap_or(NaiveDate::MAX), visit.id)));
    Ok(visits
        .into_iter()
        .map(|visit| {
            let text = match visit.day {
                Some(day) => format!("visit {}, {}", words::day(day), words::state(visit.state)),
                None => "visit owed, no day yet".to_owned(),
            };
            (visit.site_id, text)
        })
        .collect())
}

fn whole(
    shell: Shell,
    found: &Found,
    query: &Query,
    state: &AppState,
) -> Result<RiskPage, PageError> {
    Ok(RiskPage {
        shell,
        as_of: found.as_of.map(words::full_day),
        refused: found.refused.clone(),
        classes: query.classes(words::part),
        place: query.place(),
        places: found.places.clone(),
        least: query.least_written(),
        years: query.years_written(),
        coming: query.coming_choices(&found.technicians),
        sorts: query.sorts(),
        next: found.next.clone().map(|cursor| query.address_after(cursor)),
        rows: found.rows.iter().map(|row| self::row(found, row)).collect::<Result<_, _>>()?,
        scored: found.scored,
        scoring: found.newest.as_ref().and_then(|run| scoring(state, run)),
    })
}

fn row(found: &Found, ranked: &Ranked) -> Result<Row, AppError> {
    let site = found.sites.get(&ranked.site_id);
    let score = &ranked.score;
    let in_service = ranked.installed_earliest.map_or_else(
        || "since nobody knows when".to_owned(),
        |day| format!("since {}", words::full_day(day)),
    );
    // What the list is sorted by stands in each row.
    let sorted_by = match found.sorted_by {
        Some(ScoreSort::HeatAge) => Some(format!("heat age {:.0} h", score.heat_age)),
        Some(ScoreSort::ExpectedHeatLeft) => {
            Some(format!("{:.0} h of heat to come", score.expected_heat_left))
        }
        Some(ScoreSort::InstalledEarliest) => Some(format!("in service {in_service}")),
        Some(ScoreSort::Id | ScoreSort::PSeason | ScoreSort::SiteName) | None => None,
    };
    Ok(Row {
        part_id: score.component_id.0,
        chance: words::chance(score.p_season),
        between: format!(
            "{} to {}",
            words::chance(score.p_season_low),
            words::chance(score.p_season_high)
        ),
        household: site.map_or_else(|| ranked.site_id.to_string(), |site| site.name.clone()),
        address: site.map(address_of).unwrap_or_default(),
        part: parts::named(ranked.class, &ranked.position),
        heat_age: format!("{:.0} h", score.heat_age),
        in_service,
        sorted_by,
        visit: found
            .visits
            .get(&ranked.site_id)
            .cloned()
            .unwrap_or_else(|| "no open visit".to_owned()),
        reasons: scores::reasons(score)?.into_iter().map(|reason| reason.sentence).collect(),
    })
}
