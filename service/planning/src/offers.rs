//! The best other slots for a household that cannot take the one it was given.

use serde::Serialize;

use crate::error::PlanningError;
use crate::look::Look;
use crate::season::one_day::{OneDay, known};
use crate::season::plan::SeasonPlan;
use crate::season::plan_of;
use crate::season::problem::{SeasonProblem, Window};
use crate::travel::TravelTimes;

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
    let days = known(problem, visit)?.days.clone();
    let mut problem = problem.clone();
    problem.visits[visit].promise = None;
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
    Ok(best_of(found, count))
}

/// The same for the plan that the sequences are (see [`plan_of`]), reckoned day by day with the trips of
/// each day alone: milliseconds where a table of all trips would take a second. Only what stands on the
/// visit's days needs to be among the visits.
///
/// # Errors
/// As [`offers`].
pub fn offers_by_day<T: TravelTimes>(
    problem: &SeasonProblem<T>,
    sequences: &[(usize, usize, Vec<usize>)],
    visit: usize,
    refused: &[Refused],
    count: usize,
) -> Result<Vec<Offer>, PlanningError> {
    let mut found = Vec::new();
    for &day in &known(problem, visit)?.days {
        let part = OneDay::of(problem, sequences, day, visit)?;
        let plan = plan_of(&part.problem, &part.sequences)?;
        found.extend(offers(&part.problem, &plan, part.visit, refused, count)?);
    }
    Ok(best_of(found, count))
}

/// The cheapest, at most one for each half of a day.
fn best_of(mut found: Vec<Offer>, count: usize) -> Vec<Offer> {
    found.sort_by_key(|offer| (offer.cost_s, offer.day, offer.earliest_s));
    let mut best: Vec<Offer> = Vec::new();
    for offer in found {
        let half = |o: &Offer| (o.day, o.is_afternoon());
        if best.len() < count && best.iter().all(|b| half(b) != half(&offer)) {
            best.push(offer);
        }
    }
    best
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
