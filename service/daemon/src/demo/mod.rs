//! The demo: the whole loop on an invented branch and the real weather of Phoenix.
//!
//! A throw-away embedded database is filled from the seed files in the binary, every step of the
//! daemon's loop runs once, and the result is printed; then the daemon serves it.

mod print;
mod seed;

use std::sync::Arc;

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange, Role, TechnicianId};
use hotspell_store::accounts::AccountFields;
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::{Page, Store, plans};

use crate::app::proof::Proof;
use crate::app::rehearsal::{RehearsalRequest, Rehearsed};
use crate::app::season_plan::{Composed, PlanRequest};
use crate::app::{
    AppError, accounts, adopt, day, delivery, loads, notices, outlook, proof, rehearsal,
    route_mail, scoring, season_plan, token,
};
use crate::clock::ShiftedClock;
use crate::config::Config;
use crate::state::AppState;

pub use print::Printed;
pub use seed::Scenario;

/// A token that the demo gives away.
#[derive(Debug, Clone)]
pub struct DemoToken {
    /// Whose.
    pub name: String,
    /// As what.
    pub role: Role,
    /// The token.
    pub token: String,
}

/// Everything that the loop made, for printing.
#[derive(Debug)]
pub struct DemoRun {
    /// The branch.
    pub branch: BranchRecord,
    /// The day on which the demo lives.
    pub today: NaiveDate,
    /// The season's dates.
    pub season: outlook::BranchSeason,
    /// What the life model showed in past seasons.
    pub proof: Proof,
    /// The scoring.
    pub scoring: scoring::ScoringSummary,
    /// The plan.
    pub plan: Composed,
    /// The season rehearsed with the adopted plan and without.
    pub rehearsed: Rehearsed,
    /// The day that is shown, and whose.
    pub shown: Option<(TechnicianId, NaiveDate)>,
    /// Notices written.
    pub written: notices::Written,
    /// Routes mailed.
    pub route_mails: usize,
    /// Notices delivered.
    pub delivered: delivery::Delivered,
    /// Tokens to try.
    pub tokens: Vec<DemoToken>,
}

/// Opens the demo's database and loads the scenario, the accounts and the weather.
///
/// # Errors
/// When a seed file cannot be loaded: the files belong to the program, so that is a fault.
pub fn prepare(
    database: &str,
    config: Config,
    progress: &dyn Fn(&str),
) -> Result<(AppState, Scenario, Vec<DemoToken>), AppError> {
    let scenario = Scenario::read()?;
    let clock = Arc::new(ShiftedClock::starting_at(scenario.starts_at()));
    let store = Store::open(database)?;
    let state = AppState::new(store, clock, config)
        .map_err(|error| AppError::internal("signing key", error))?;
    progress("loading the invented branch «Palo Brea Cooling»");
    let branch = scenario.load_branch(&state)?;
    progress("reading the daily weather of Phoenix since 1961 (NOAA GHCN-Daily)");
    scenario.load_weather(&state, &branch)?;
    scenario.load_records(&state, &branch, progress)?;
    let tokens = open_accounts(&state, &branch)?;
    Ok((state, scenario, tokens))
}

/// An office account and one for each technician at work.
fn open_accounts(state: &AppState, branch: &BranchRecord) -> Result<Vec<DemoToken>, AppError> {
    let account = |name: &str, email: String, technician_id: Option<TechnicianId>| AccountFields {
        name: name.to_owned(),
        email,
        role: if technician_id.is_some() { Role::Technician } else { Role::Office },
        password_hash: None,
        technician_id,
        contact_id: None,
        disabled: false,
    };
    let mail = branch.reply_to.clone().unwrap_or_else(|| "office@example.com".to_owned());
    let mut people = vec![account("Office", mail, None)];
    let today = hotspell_domain::local_time::local_day(state.now(), branch.time_zone);
    for (id, person) in accounts::technicians_at_work(state, branch.id, today)? {
        let mail = person.email.clone().unwrap_or_else(|| format!("{}@example.com", person.key));
        people.push(account(&person.name, mail, Some(id)));
    }
    let open = |fields: &AccountFields| {
        let token = token::generate().map_err(|error| AppError::internal("demo's token", error))?;
        let named = ("made by the demo", token.as_str());
        state.store.write(|conn| accounts::open(conn, branch.id, fields, named, state.now()))?;
        Ok(DemoToken { name: fields.name.clone(), role: fields.role, token })
    };
    people.iter().map(open).collect()
}

/// Runs the loop once: score, plan, adopt, load lists, notices, delivery.
///
/// # Errors
/// Those of the steps.
pub async fn run_loop(
    state: &AppState,
    scenario: &Scenario,
    tokens: Vec<DemoToken>,
    progress: &(dyn Fn(&str) + Sync),
) -> Result<DemoRun, AppError> {
    let branch = state.store.read(|conn| branches::list(conn, None, Page::first(1)))?;
    let branch = branch.into_iter().next().ok_or_else(|| AppError::not_found("branch", "demo"))?;
    let today = scenario.today;
    progress("judging the life model by the past seasons");
    let proof = proof::prove(state, branch.id, today)?;
    progress("fitting the life model and scoring every part");
    let scoring = scoring::score_branch(state, branch.id, today)?;
    let season = outlook::of_branch(state, &branch, today)?;
    progress("planning the season");
    let plan = compose(state, branch.id, scenario.horizon, progress)?;
    progress("adopting the plan and writing load lists");
    let version = state.store.read(|conn| plans::find(conn, branch.id, plan.plan))?.version;
    adopt::adopt(state, branch.id, plan.plan, version, "demo")?;
    progress("rehearsing the season with the visits and without");
    let rehearsed = rehearse(state, branch.id, today)?;
    let first_days = scenario.first_days();
    loads::write_load_lists(state, branch.id, first_days, today)?;
    progress("writing and delivering notices");
    let written = notices::write_due(state, branch.id)?;
    let shown = shown_day(state, branch.id, first_days)?;
    let route_mails = match shown {
        Some((_, day)) => route_mail::write(state, branch.id, day)?,
        None => 0,
    };
    let channel = delivery::channel(&state.config)?;
    let delivered = delivery::deliver_due(state, &channel, "demo", i64::from(u16::MAX)).await?;
    Ok(DemoRun {
        branch,
        today,
        season,
        proof,
        scoring,
        plan,
        rehearsed,
        shown,
        written,
        route_mails,
        delivered,
        tokens,
    })
}

fn rehearse(state: &AppState, branch: BranchId, as_of: NaiveDate) -> Result<Rehearsed, AppError> {
    let request = RehearsalRequest {
        as_of,
        drafts: Vec::new(),
        replicates: state.config.rehearsal.replicates,
        seed: state.config.planning.seed,
    };
    rehearsal::run(state, branch, &request)
}

fn compose(
    state: &AppState,
    branch: BranchId,
    horizon: DateRange,
    progress: &(dyn Fn(&str) + Sync),
) -> Result<Composed, AppError> {
    let request = PlanRequest {
        horizon,
        seed: state.config.planning.seed,
        iterations_per_visit: state.config.planning.iterations_per_visit,
    };
    let told = std::sync::atomic::AtomicU32::new(0);
    let hear = |share: f64| {
        // Every fifth of the search.
        let fifth = [0.2, 0.4, 0.6, 0.8, 1.0].iter().take_while(|at| share >= **at).count();
        let fifth = u32::try_from(fifth).unwrap_or(0);
        if told.fetch_max(fifth, std::sync::atomic::Ordering::Relaxed) < fifth {
            progress(&format!("  searching, {} % of the budget used", fifth * 20));
        }
    };
    season_plan::compose(state, branch, request, &hear)
}

/// The day worth showing: the route of the first days whose truck carries most kinds of parts;
/// the earliest of several.
fn shown_day(
    state: &AppState,
    branch: BranchId,
    days: DateRange,
) -> Result<Option<(TechnicianId, NaiveDate)>, AppError> {
    let mut best: Option<(usize, (TechnicianId, NaiveDate))> = None;
    for on in days.first.iter_days().take_while(|day| *day <= days.last) {
        for technician in state.store.read(|conn| route_mail::drivers(conn, branch, on))? {
            let loaded = state.store.read(|conn| day::load(conn, branch, technician, on))?;
            let kinds = loaded.and_then(|day| day.load).map_or(0, |(_, lines)| lines.len());
            if best.is_none_or(|(most, _)| kinds > most) {
                best = Some((kinds, (technician, on)));
            }
        }
    }
    Ok(best.map(|(_, shown)| shown))
}
