//! What to do about one part: replace it on the next visit or wait, its sisters too or not, and
//! by when it is to be checked again.

use chrono::NaiveDate;
use hotspell_domain::{BranchId, ComponentId, RunId, SiteId};
use hotspell_reliability::decisions::{
    SwapAdvice, SwapDecision, SwapInputs, law_at_site, next_check_due, replace_or_wait,
    season_hours,
};
use hotspell_reliability::score::{ComponentScore, ComponentState, score};
use hotspell_store::{components, scores as score_rows, units};

use super::AppError;
use super::scoring::{self, Context, LifeModel};
use crate::config::Decisions;
use crate::state::AppState;

/// The advice about one part, with what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct PartDecision {
    /// The part.
    pub component: ComponentId,
    /// The day of the advice.
    pub as_of: NaiveDate,
    /// The last day of the season that is weighed.
    pub season_end: NaiveDate,
    /// The scoring run whose life model was used.
    pub model_run: RunId,
    /// Replace on the next visit, or wait.
    pub swap: SwapDecision,
    /// The same for each part of the same class at the home, in the same hour.
    pub sisters: Vec<(ComponentId, SwapDecision)>,
    /// First weekly date by which the chance of failing exceeds the bound; none this season.
    pub check_by: Option<NaiveDate>,
    /// The costs that were weighed, and the bound.
    pub settings: Decisions,
}

impl PartDecision {
    /// The advice as a sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        in_words(&self.swap, &self.settings.currency)
    }
}

/// A decision as a sentence with both sides of the scale.
#[must_use]
pub fn in_words(swap: &SwapDecision, currency: &str) -> String {
    let (now, wait) = (swap.replace_now_cost.round(), swap.wait_cost.round());
    let near = if (now - wait).abs() < 0.01 * now.max(wait) { " It matters little." } else { "" };
    match swap.advice {
        SwapAdvice::ReplaceNow => format!(
            "Replace it: {now:.0} {currency} are to be expected against {wait:.0} for waiting.{near}"
        ),
        SwapAdvice::Wait => format!(
            "Leave it in: {wait:.0} {currency} are to be expected against {now:.0} for replacing.{near}"
        ),
    }
}

/// Weighs one part as of a day.
///
/// # Errors
/// [`AppError::NotFound`], [`AppError::Conflict`] for a part that has left service,
/// [`AppError::NotReady`] before the first scoring.
pub fn decide(
    state: &AppState,
    branch: BranchId,
    component: ComponentId,
    as_of: NaiveDate,
) -> Result<PartDecision, AppError> {
    let (site, model_run) = state.store.read(|conn| {
        let part = components::find(conn, branch, component)?;
        if let Some(ended) = part.ended_on {
            return Err(AppError::Conflict(format!("part {component} left service on {ended}")));
        }
        let site: SiteId = units::find(conn, branch, part.unit_id)?.site_id;
        let model = score_rows::in_force_since(conn, branch)?;
        Ok((site, model))
    })?;
    let model_run = model_run.ok_or_else(|| {
        AppError::NotReady("the branch has not been scored yet; start a scoring run".to_owned())
    })?;
    let model = scoring::model_in_force(state, branch)?;
    let (fleet, book) = scoring::load(state, branch, Some(site), as_of)?;
    let parts = scoring::parts(&fleet, &book);
    let season_end = scoring::season_end(as_of, fleet.branch.is_southern());
    let context = Context::new(&book, &parts, scoring::horizon(as_of, season_end))?;
    let scores =
        score(context.input(&model)).map_err(|error| AppError::internal("scoring", error))?;
    let scale = Scale { model: &model, context: &context, costs: &state.config.decisions };
    let of = |id: ComponentId| {
        let at = context.states.iter().position(|part| part.component == id)?;
        Some((&context.states[at], scores.get(at)?))
    };
    let (part, found) =
        of(component).ok_or_else(|| AppError::not_found("part in service", component))?;
    let sisters = context
        .states
        .iter()
        .filter(|other| other.class == part.class && other.component != component)
        .filter_map(|other| of(other.component))
        .map(|(other, found)| {
            Ok((other.component, scale.weigh(other, found, scale.costs.sister_swap_cost)?))
        })
        .collect::<Result<_, AppError>>()?;
    Ok(PartDecision {
        component,
        as_of,
        season_end,
        model_run,
        swap: scale.weigh(part, found, scale.costs.swap_on_visit_cost)?,
        sisters,
        check_by: next_check_due(&found.probability, scale.costs.check_due_chance)
            .and_then(|index| context.dates.get(index).copied()),
        settings: scale.costs.clone(),
    })
}

/// What all parts of a home are weighed with.
struct Scale<'a> {
    model: &'a LifeModel,
    context: &'a Context,
    costs: &'a Decisions,
}

impl Scale<'_> {
    fn weigh(
        &self,
        part: &ComponentState,
        found: &ComponentScore,
        swap_now_cost: f64,
    ) -> Result<SwapDecision, AppError> {
        let unknown = || AppError::internal("decision", "the model does not know this class");
        let law =
            law_at_site(&self.model.fitted.model, part, found.site_frailty).ok_or_else(unknown)?;
        let heat = self.context.ensembles.get(&part.class).ok_or_else(unknown)?;
        replace_or_wait(SwapInputs {
            law,
            age_hours: part.heat_age_hours,
            season_hours: season_hours(part, heat),
            failure_probability: found.probability.last().copied().unwrap_or(0.0),
            swap_now_cost,
            planned_cost: self.costs.planned_swap_cost,
            failure_cost: self.costs.failure_cost,
            hot_failure_cost: self.costs.hot_failure_cost,
        })
        .map_err(|error| AppError::internal("decision", error))
    }
}
