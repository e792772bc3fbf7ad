//! Each night: plan again with new weather and risk, without making people's days jump.

use chrono::NaiveDate;
use hotspell_domain::{BranchId, DateRange};
use hotspell_planning::difference::Difference;
use hotspell_planning::repair::TOLERANCE_S;
use hotspell_planning::season::{Budget, plan_from};
use hotspell_planning::stability::Stability;
use hotspell_store::plans::{self, PlanFilter};
use hotspell_store::words::{PlanState, RunKind};
use hotspell_store::{AnyConnection, Page, StoreError};
use serde_json::json;

use super::AppError;
use super::plan_change::{self, Because};
use super::present;
use super::season_draft::{self, Drafted};
use super::season_plan::{Composed, PlanFigures, threads};
use super::season_problem::Agreed;
use super::staffing;
use crate::state::AppState;

/// Plans the days after today again, from what is in force. What households were told and agreed to
/// has its price, so that a day moves only where that is worth it; what they agreed to stays.
///
/// Gives a draft if it would change anything; nothing is adopted. Drafts of earlier nights that nobody
/// adopted are discarded.
///
/// # Errors
/// [`AppError::Conflict`] without an adopted plan, [`AppError::Internal`] when the plan does not pass
/// the checker.
pub fn replan(
    state: &AppState,
    branch: BranchId,
    today: NaiveDate,
) -> Result<Option<Composed>, AppError> {
    let tomorrow = today.succ_opt().unwrap_or(today);
    let in_force = present::load(state, branch, tomorrow, Agreed::Fixed)?;
    if super::owed::write_owed(state, branch, in_force.horizon)? > 0 {
        return plan_again(state, branch, &present::load(state, branch, tomorrow, Agreed::Fixed)?);
    }
    plan_again(state, branch, &in_force)
}

fn plan_again(
    state: &AppState,
    branch: BranchId,
    in_force: &present::Present,
) -> Result<Option<Composed>, AppError> {
    let settings = &state.config.planning;
    let posed = &in_force.posed;
    let mut problem = posed.built.problem.clone();
    let before = in_force.plan(&problem)?;
    // Visits without a promise of their own are held at the price of planned ones.
    Stability::default().hold(&mut problem, &before, 0);
    let visits = u64::try_from(problem.visits.len()).unwrap_or(u64::MAX);
    let iterations = settings.iterations_per_visit.saturating_mul(visits);
    let budget = Budget { threads: threads(state), ..Budget::iterations(iterations) };
    let plan = plan_from(&problem, &before.sequences(), &budget, settings.seed)
        .map_err(|error| AppError::planning("planning again", error))?;
    season_draft::checked(&problem, &plan)?;
    let difference = Difference::between(&before, &plan, TOLERANCE_S);
    if difference.is_empty() {
        state.store.write(|conn| discard_nightly(conn, state, branch))?;
        return Ok(None);
    }
    let mut figures = season_draft::figures_of(&in_force.inputs, posed, &problem, &plan)?;
    figures.staffing = Some(staffing::answer(state, posed, &plan, settings.seed)?);
    figures.change = Some(plan_change::told(
        Because::Nightly,
        (&in_force.inputs, posed),
        &problem,
        &before,
        &plan,
        &difference,
    )?);
    let DateRange { first, last } = in_force.horizon;
    let given = json!({
        "plan": in_force.inputs.adopted.as_ref().map(|plan| plan.id),
        "first_day": first,
        "last_day": last,
        "seed": settings.seed,
        "iterations_per_visit": settings.iterations_per_visit,
        "scored_as_of": in_force.inputs.scored_as_of,
    });
    let drafted = Drafted {
        posed,
        problem: &problem,
        plan: &plan,
        figures,
        horizon: in_force.horizon,
        seed: settings.seed,
    };
    let beside = |conn: &mut AnyConnection| discard_nightly(conn, state, branch);
    // Earlier nights' drafts go before this one is stored.
    state.store.write(beside)?;
    let kind = RunKind::SeasonPlan;
    season_draft::keep(state, branch, kind, &given, &drafted, &|_| Ok(())).map(Some)
}

fn discard_nightly(
    conn: &mut AnyConnection,
    state: &AppState,
    branch: BranchId,
) -> Result<(), StoreError> {
    let drafts = PlanFilter { state: Some(PlanState::Draft), ..PlanFilter::default() };
    for draft in plans::list(conn, branch, &drafts, Page::everything())? {
        let figures: Option<PlanFigures> = serde_json::from_value(draft.figures.clone()).ok();
        let nightly = figures
            .and_then(|figures| figures.change)
            .is_some_and(|change| change.because == Because::Nightly);
        if nightly {
            let (version, discarded) = (draft.version, PlanState::Discarded);
            plans::set_state(conn, branch, draft.id, version, discarded, state.now())?;
        }
    }
    Ok(())
}
