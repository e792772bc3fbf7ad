//! Where the season stands.
//!
//! What the reader must decide: is there still time before the first hot spell, and what needs a
//! person now? So the page starts with the days that are left and the visits that are still
//! without a day, then what needs a person, each with what to do; the curve and the weeks come
//! after, as the ground of it.

use std::collections::{BTreeMap, BTreeSet};

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chrono::{Datelike, Days, NaiveDate, TimeDelta};
use hotspell_domain::local_time::local_day;
use hotspell_domain::{BranchId, SiteId, VisitId, VisitState};
use hotspell_notices::compose::PartShort;
use hotspell_store::answers::{self, AnswerFilter};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::contacts::{self, ContactFilter, ContactRecord};
use hotspell_store::plans::{self, PlanFilter, PlanRecord, UnplacedFilter, UnplacedRecord};
use hotspell_store::runs;
use hotspell_store::sites::{self, SiteFilter, SiteRecord};
use hotspell_store::visits::{self, VisitStanding};
use hotspell_store::words::{AnswerKind, PlanState, RunKind};
use hotspell_store::{AnyConnection, Page};
use hotspell_weather::season::DateDistribution;
use serde::Deserialize;

use super::first_steps::{self, Step};
use super::needs::{Need, Opened, homes_named, needs};
use crate::app::AppError;
use crate::app::outlook::{self, BranchSeason};
use crate::app::parts_ahead;
use crate::app::rehearsal;
use crate::app::scoring::ScoringSummary;
use crate::app::season_plan::PlanFigures;
use crate::app::unfinished_imports::{UnfinishedImport, unfinished_imports};
use crate::pages::charts::season_curve::branch_season_svg;
use crate::pages::charts::weeks::{Marks, Week, weeks_svg};
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, SEASON, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

/// Answers older than this were dealt with or are too late.
const ANSWER_DAYS: i64 = 30;

#[derive(Template)]
#[template(path = "season.html")]
struct SeasonPage {
    shell: Shell,
    today: String,
    lead: String,
    season: Result<SeasonView, String>,
    states: Vec<StateCount>,
    visits: usize,
    weeks: Option<String>,
    plan: Option<PlanView>,
    rehearsed: Option<String>,
    steps: Vec<Step>,
    needs: Vec<Need>,
}

struct SeasonView {
    heat: Option<String>,
    dates: Vec<DateRow>,
    curve: String,
    base_years: String,
    stale: Option<String>,
}

struct DateRow {
    name: &'static str,
    early: String,
    middle: String,
    late: String,
    meaning: String,
}

struct StateCount {
    name: &'static str,
    count: usize,
}

struct PlanView {
    name: String,
    rows: Vec<(&'static str, String)>,
}

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Query {
    /// The list of what needs a person that is to be shown whole.
    all: Option<String>,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let opened = match &query.all {
        Some(word) => Opened::by_word(word).ok_or_else(|| PageError::nothing("list"))?,
        None => Opened::default(),
    };
    let caller = office.0;
    let branch = caller.branch;
    let (stored, season) = blocking(move || {
        let stored = Stored::load(&state, branch, opened)?;
        let season = match outlook::of_branch(&state, &stored.branch, stored.today) {
            Ok(season) => Ok(season),
            Err(AppError::NotReady(why)) => Err(why),
            Err(error) => return Err(error),
        };
        Ok::<_, AppError>((stored, season))
    })
    .await?;
    let shell = Shell::signed_in(&request, &caller, "Season", &stored.branch.name, Some(SEASON));
    shell::show(StatusCode::OK, &page(shell, stored, &season, opened))
}

/// What the page reads.
pub(super) struct Stored {
    pub(super) branch: BranchRecord,
    pub(super) today: NaiveDate,
    /// Those of the season of today.
    pub(super) visits: Vec<VisitStanding>,
    /// The homes that are named, and whom to call there.
    pub(super) homes: BTreeMap<SiteId, SiteRecord>,
    pub(super) contacts: Vec<ContactRecord>,
    /// Homes where mail reaches somebody.
    pub(super) reached: BTreeSet<SiteId>,
    pub(super) plan: Option<PlanRecord>,
    pub(super) unplaced: Vec<UnplacedRecord>,
    pub(super) scoring: Option<ScoringSummary>,
    /// The last rehearsal, in a sentence.
    pub(super) rehearsed: Option<String>,
    /// Newest word of a household about a visit, if it asked for something.
    pub(super) asked: BTreeMap<VisitId, (AnswerKind, Option<String>)>,
    /// What today's trucks lack.
    pub(super) short: Vec<PartShort>,
    /// Files that somebody looked at and nobody finished.
    pub(super) unfinished: Vec<UnfinishedImport>,
    /// What is still to be done before a season can be planned.
    pub(super) steps: Vec<Step>,
}

impl Stored {
    fn load(state: &AppState, branch: BranchId, opened: Opened) -> Result<Self, AppError> {
        let now = state.now();
        let unfinished = unfinished_imports(state, branch)?;
        state.store.read(|conn| {
            let record = branches::find(conn, branch)?;
            let today = local_day(now, record.time_zone);
            // Earlier ones are history, of which there is more each year.
            let season = outlook::season_days(&record, today)?;
            let plan = newest_plan(conn, branch)?;
            let unplaced = match &plan {
                Some(plan) => {
                    let filter = UnplacedFilter { plan: Some(plan.id) };
                    plans::list_unplaced(conn, branch, &filter, Page::everything())?
                }
                None => Vec::new(),
            };
            let mut stored = Self {
                today,
                visits: visits::standings(conn, branch, season)?,
                homes: BTreeMap::new(),
                contacts: Vec::new(),
                reached: contacts::homes_reached_by_mail(conn, branch)?,
                plan,
                unplaced,
                scoring: scoring(conn, branch)?,
                rehearsed: rehearsal::latest(conn, branch)?
                    .map(|(_, rehearsed)| super::rehearsal::lead(&rehearsed)),
                asked: asked(conn, branch, now - TimeDelta::days(ANSWER_DAYS))?,
                unfinished,
                short: parts_ahead::short_since_loading(conn, &record, today)?,
                steps: first_steps::of_branch(conn, &record)?,
                branch: record,
            };
            stored.load_homes(conn, opened)?;
            Ok(stored)
        })
    }

    /// Reads the homes that the page names: a few of each list, not every home of the branch.
    fn load_homes(&mut self, conn: &mut AnyConnection, opened: Opened) -> Result<(), AppError> {
        let (branch, named) = (self.branch.id, homes_named(self, opened));
        let filter = SiteFilter { ids: Some(named.clone()), ..SiteFilter::default() };
        let sites = sites::list(conn, branch, &filter, Page::everything())?;
        self.homes = sites.into_iter().map(|site| (site.id, site)).collect();
        let filter = ContactFilter { sites: Some(named), ..ContactFilter::default() };
        self.contacts = contacts::list(conn, branch, &filter, Page::everything())?;
        Ok(())
    }

    pub(super) fn household(&self, site: SiteId) -> String {
        self.homes.get(&site).map_or_else(
            || format!("site {site}"),
            |site| format!("{}, {}, {}", site.name, site.address_1, site.city),
        )
    }

    pub(super) fn visit(&self, id: VisitId) -> Option<&VisitStanding> {
        self.visits.iter().find(|visit| visit.id == id)
    }

    pub(super) fn phone(&self, site: SiteId) -> String {
        self.contacts
            .iter()
            .filter(|contact| contact.site_id == site)
            .find_map(|contact| contact.phone.clone())
            .unwrap_or_else(|| "no telephone on record".to_owned())
    }
}

/// The adopted plan, or else the newest draft.
fn newest_plan(conn: &mut AnyConnection, branch: BranchId) -> Result<Option<PlanRecord>, AppError> {
    for state in [PlanState::Adopted, PlanState::Draft] {
        let filter = PlanFilter { state: Some(state), ..PlanFilter::default() };
        if let Some(plan) = plans::list(conn, branch, &filter, Page::everything())?.pop() {
            return Ok(Some(plan));
        }
    }
    Ok(None)
}

fn scoring(conn: &mut AnyConnection, branch: BranchId) -> Result<Option<ScoringSummary>, AppError> {
    let Some(run) = runs::latest(conn, branch, RunKind::Scoring)? else { return Ok(None) };
    run.detail
        .map(serde_json::from_value)
        .transpose()
        .map_err(|error| AppError::internal("stored summary of a scoring", error))
}

fn asked(
    conn: &mut AnyConnection,
    branch: BranchId,
    from: chrono::DateTime<chrono::Utc>,
) -> Result<BTreeMap<VisitId, (AnswerKind, Option<String>)>, AppError> {
    let filter = AnswerFilter { from: Some(from), ..AnswerFilter::default() };
    let mut newest = BTreeMap::new();
    for answer in answers::list(conn, branch, &filter, Page::everything())? {
        let Some(visit) = answer.visit_id else { continue };
        let words = answer
            .detail
            .as_ref()
            .and_then(|detail| detail.get("words"))
            .and_then(|words| words.as_str())
            .map(str::to_owned);
        // A slot that was chosen from those kept is settled.
        let settled = answer.detail.as_ref().is_some_and(|detail| detail.get("hold").is_some());
        let what = if settled { AnswerKind::Confirmed } else { answer.what };
        newest.insert(visit, (what, words));
    }
    newest.retain(|_, (kind, _)| {
        matches!(kind, AnswerKind::AnotherSlot | AnswerKind::CallMe | AnswerKind::Declined)
    });
    Ok(newest)
}

fn page(
    shell: Shell,
    stored: Stored,
    season: &Result<BranchSeason, String>,
    opened: Opened,
) -> SeasonPage {
    let first_spell = season.as_ref().ok().map(|season| &season.outlook.first_hot_spell);
    let states: Vec<StateCount> = VisitState::ALL
        .iter()
        .map(|state| StateCount {
            name: words::state(*state),
            count: stored.visits.iter().filter(|visit| visit.state == *state).count(),
        })
        .collect();
    SeasonPage {
        shell,
        today: words::full_day(stored.today),
        lead: lead(&stored, first_spell),
        season: season.as_ref().map(|it| season_view(&stored, it)).map_err(Clone::clone),
        visits: stored.visits.len(),
        states,
        weeks: weeks(&stored, first_spell),
        plan: stored.plan.as_ref().and_then(plan_view),
        needs: needs(&stored, season, opened),
        rehearsed: stored.rehearsed,
        steps: stored.steps,
    }
}

/// The page in two sentences.
fn lead(stored: &Stored, first_spell: Option<&DateDistribution>) -> String {
    let open = |state: VisitState| state == VisitState::Owed || state == VisitState::Missed;
    let without_day = stored.visits.iter().filter(|visit| open(visit.state)).count();
    let to_come = stored.visits.iter().filter(|visit| visit.state.holds_a_place()).count();
    let visits = format!(
        "{} still without a day, {} with one and not done yet.",
        words::count(without_day, "visit", "visits"),
        to_come
    );
    match first_spell.and_then(|spell| spell.p10) {
        Some(early) if early > stored.today => {
            let left = (early - stored.today).num_days();
            format!(
                "{left} days until {}, before which the first hot spell comes in one year of ten. {visits}",
                words::date(early)
            )
        }
        Some(_) => format!("The first hot spell may come any day or has come. {visits}"),
        None => visits,
    }
}

fn season_view(stored: &Stored, season: &BranchSeason) -> SeasonView {
    let outlook = &season.outlook;
    let unit = season.degree_day_unit();
    let heat = outlook.heat_so_far.map(|heat| {
        let gap = match heat.missing_days {
            0 => String::new(),
            1 => " One day without a value is not in the sum.".to_owned(),
            days => format!(" {days} days without a value are not in the sum."),
        };
        format!(
            "{:.0} {unit} so far; normal by now is {:.0}, and eight years of ten lie between {:.0} and {:.0}. Warmer than {:.0} % of the past years.{gap}",
            heat.degree_days, heat.normal, heat.p10, heat.p90, 100.0 * heat.warmer_than_share
        )
    });
    SeasonView {
        heat,
        dates: vec![
            date_row("Heat begins", &outlook.heat_begins),
            date_row("First hot spell", &outlook.first_hot_spell),
            date_row("Week with the most load, from", &outlook.peak_week),
        ],
        curve: branch_season_svg(&stored.branch.name, season),
        base_years: season.grounds(),
        stale: season.stale.clone(),
    }
}

fn date_row(name: &'static str, dates: &DateDistribution) -> DateRow {
    let told =
        |date: Option<NaiveDate>| date.map_or_else(|| "not this season".to_owned(), words::date);
    DateRow {
        name,
        early: told(dates.p10),
        middle: told(dates.p50),
        late: told(dates.p90),
        meaning: dates.definition.clone(),
    }
}

/// Where visits fall, week by week.
fn weeks(stored: &Stored, first_spell: Option<&DateDistribution>) -> Option<String> {
    let mut by_week: BTreeMap<NaiveDate, Week> = BTreeMap::new();
    for visit in &stored.visits {
        let Some(day) = visit.day else { continue };
        let monday = day - Days::new(u64::from(day.weekday().num_days_from_monday()));
        let week = by_week.entry(monday).or_insert(Week { monday, open: 0, done: 0 });
        match visit.state {
            VisitState::Done => week.done += 1,
            state if state.holds_a_place() => week.open += 1,
            _ => {}
        }
    }
    by_week.retain(|_, week| week.open + week.done > 0);
    let marks = Marks {
        today: stored.today,
        spell_early: first_spell.and_then(|spell| spell.p10),
        spell_middle: first_spell.and_then(|spell| spell.p50),
    };
    let weeks: Vec<Week> = by_week.into_values().collect();
    (!weeks.is_empty()).then(|| weeks_svg(&weeks, &marks))
}

fn plan_view(plan: &PlanRecord) -> Option<PlanView> {
    let figures: PlanFigures = serde_json::from_value(plan.figures.clone()).ok()?;
    let before = |count: usize, date: Option<NaiveDate>| {
        date.map_or_else(
            || "not known".to_owned(),
            |date| format!("{count} before {}", words::date(date)),
        )
    };
    let hours = figures.travel_minutes / 60;
    Some(PlanView {
        name: format!(
            "Plan {} ({}), {} to {}",
            plan.id,
            plan.state,
            words::date(plan.first_day),
            words::date(plan.last_day)
        ),
        rows: vec![
            ("Visits owed", figures.owed.to_string()),
            ("With a day", figures.placed.to_string()),
            ("Without", figures.unplaced.to_string()),
            (
                "Before the first hot spell, early date",
                before(figures.placed_before_early, figures.first_hot_spell_early),
            ),
            (
                "Before the first hot spell, middle date",
                before(figures.placed_before_median, figures.first_hot_spell_median),
            ),
            ("Failures to expect before the visits", format!("{:.1}", figures.expected_failures)),
            (
                "The same days in the order of the agreements",
                format!("{:.1}", figures.expected_failures_agreement_order),
            ),
            ("Driving", format!("{hours} h")),
        ],
    })
}
