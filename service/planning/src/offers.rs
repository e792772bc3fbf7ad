//! The best other slots for a household that cannot take the one it was given.

use serde::Serialize;

use crate::error::PlanningError;
use crate::look::Look;
use crate::season::plan::SeasonPlan;
use crate::season::problem::{SeasonProblem, Window};

/// Noon: offers are made apart for mornings and afternoons.
const NOON_S: i32 = 43_200;

/// A slot to offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Offer {
    /// Day of the problem.
    pub day: usize,
    /// Technician of the problem.
    pub technician: usize,
    /// Earliest start of the work that the route allows.
    pub earliest_s: i32,
    /// Latest start of the work that disturbs no other visit.
    pub latest_s: i32,
    /// What the offer costs in seconds: detour, risk, lateness, person. Lower is better for all.
    pub cost_s: i64,
    /// The detour in it.
    pub detour_s: i64,
}

impl Offer {
    /// Whether the work starts at noon or later.
    #[must_use]
    pub const fn is_afternoon(&self) -> bool {
        self.earliest_s >= NOON_S
    }
}

/// A day, or a span of one, that the household cannot take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Refused {
    /// Day of the problem.
    pub day: usize,
    /// Starts of work that it cannot take; `None` = the whole day.
    pub span: Option<Window>,
}

/// The cheapest offers for a visit, at most one for each half of a day, without moving anyone else. The
/// visit's own place in the plan counts as free, its promise as void.
///
/// # Errors
/// If the problem is not sound or the visit unknown.
pub fn offers(
    problem: &SeasonProblem,
    plan: &SeasonPlan,
    visit: usize,
    refused: &[Refused],
    count: usize,
) -> Result<Vec<Offer>, PlanningError> {
    let mut problem = problem.clone();
    let visits = problem.visits.len();
    let Some(wanted) = problem.visits.get_mut(visit) else {
        return Err(PlanningError::Content(format!(
            "visit {visit} is not among the {visits} visits"
        )));
    };
    wanted.promise = None;
    let days = wanted.days.clone();
    let look = Look::new(&problem, plan, Some(visit))?;
    let mut found = Vec::new();
    for day in days {
        for half in [(i32::MIN, NOON_S - 1), (NOON_S, i32::MAX)] {
            let half = Window { start_s: half.0, end_s: half.1 };
            found.extend(allowed_spans(half, day, refused).into_iter().filter_map(|span| {
                look.on_day(day)
                    .filter_map(|(slot, _)| look.fit(visit, slot, span))
                    .map(|fit| Offer {
                        day,
                        technician: fit.technician,
                        earliest_s: fit.earliest_s,
                        latest_s: fit.latest_s,
                        cost_s: fit.cost.total_s(),
                        detour_s: fit.cost.travel_s,
                    })
                    .min_by_key(|offer| (offer.cost_s, offer.technician))
            }));
        }
    }
    found.sort_by_key(|offer| (offer.cost_s, offer.day, offer.earliest_s));
    let mut best: Vec<Offer> = Vec::new();
    for offer in found {
        let half = |o: &Offer| (o.day, o.is_afternoon());
        if best.len() < count && best.iter().all(|b| half(b) != half(&offer)) {
            best.push(offer);
        }
    }
    Ok(best)
}

/// What is left of a span after the refusals of a day.
fn allowed_spans(span: Window, day: usize, refused: &[Refused]) -> Vec<Window> {
    let mut left = vec![span];
    for refusal in refused.iter().filter(|r| r.day == day) {
        let Some(no) = refusal.span else { return Vec::new() };
        left = left
            .into_iter()
            .flat_map(|w| {
                let early = Window { start_s: w.start_s, end_s: w.end_s.min(no.start_s - 1) };
                let late = Window { start_s: w.start_s.max(no.end_s + 1), end_s: w.end_s };
                [early, late]
            })
            .filter(|w| w.start_s <= w.end_s)
            .collect();
    }
    left
}
