//! One visit into a plan, everybody else staying with their person and in their promised time: where it
//! would fit, what it delays, and the plan with it.

use serde::Serialize;

use crate::difference::{Difference, Moved, Names};
use crate::error::PlanningError;
use crate::look::{ANY_TIME, Fit, Look};
use crate::repair::{Now, Repaired, freeze};
use crate::season::plan::SeasonPlan;
use crate::season::plan_of;
use crate::season::problem::{Pin, SeasonProblem, Window};

/// A technician's day, and the span in which work is to start there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Target {
    /// Day of the problem.
    pub day: usize,
    /// Technician of the problem.
    pub technician: usize,
    /// Starts of the work that will do; any if absent.
    pub span: Option<Window>,
}

/// Work that starts later than it would have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Delay {
    /// Which visit.
    pub visit: usize,
    /// Seconds later.
    pub later_s: i32,
}

/// A way to put the visit into a technician's day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Insertion {
    /// Day of the problem.
    pub day: usize,
    /// Technician of the problem.
    pub technician: usize,
    /// Start of the work.
    pub start_s: i32,
    /// Latest start of the work that keeps everybody else's time.
    pub latest_s: i32,
    /// What it costs in seconds: detour, risk, lateness, person, waiting.
    pub cost_s: i64,
    /// The detour in it.
    pub detour_s: i64,
    /// Whom it delays, in the order of their numbers.
    pub delays: Vec<Delay>,
}

/// The cheapest ways to put a visit into the given days of a plan, at most one for each technician's day,
/// cheapest first. Nobody else changes day or person or leaves a promised time; what has begun stays, and
/// the visit starts after now.
///
/// # Errors
/// If the problem is not sound or the visit unknown.
pub fn insertions(
    problem: &SeasonProblem,
    before: &SeasonPlan,
    visit: usize,
    now: Now,
    days: &[usize],
    count: usize,
) -> Result<Vec<Insertion>, PlanningError> {
    let (amended, fixed) = amend(problem, before, visit, now)?;
    let look = Look::new(&amended, &fixed, Some(visit))?;
    let open = &amended.visits[visit].days;
    let mut fits: Vec<Fit> = days
        .iter()
        .filter(|day| open.contains(day))
        .flat_map(|day| look.on_day(*day))
        .filter_map(|(slot, _)| look.fit(visit, slot, ANY_TIME))
        .collect();
    fits.sort_by_key(|fit| (fit.cost.total_s(), fit.day, fit.technician));
    let mut ways = Vec::new();
    for fit in fits {
        if ways.len() == count {
            break;
        }
        let target = Target { day: fit.day, technician: fit.technician, span: None };
        let Some(mended) = insert(problem, before, visit, target, now)? else { continue };
        let start = mended.plan.find(visit).map(|(r, p)| mended.plan.routes[r].stops[p].start_s);
        let later = mended.difference.moved.iter().filter(|moved| moved.visit != visit);
        ways.push(Insertion {
            day: fit.day,
            technician: fit.technician,
            start_s: start.unwrap_or(fit.earliest_s),
            latest_s: fit.latest_s,
            cost_s: fit.cost.total_s(),
            detour_s: fit.cost.travel_s,
            delays: later
                .map(|moved| Delay { visit: moved.visit, later_s: moved.later_s() })
                .filter(|delay| delay.later_s > 0)
                .collect(),
        });
    }
    Ok(ways)
}

/// The plan with a visit put into a technician's day, or taken there from elsewhere. Nothing when it does
/// not fit there without moving somebody else to another day, person or out of a promised time.
///
/// # Errors
/// If the problem is not sound or the visit unknown.
pub fn insert(
    problem: &SeasonProblem,
    before: &SeasonPlan,
    visit: usize,
    target: Target,
    now: Now,
) -> Result<Option<Repaired>, PlanningError> {
    let (mut amended, fixed) = amend(problem, before, visit, now)?;
    amended.visits[visit].pin =
        Pin { day: Some(target.day), technician: Some(target.technician), window: target.span };
    let look = Look::new(&amended, &fixed, Some(visit))?;
    let slot = look.on_day(target.day).find(|(_, technician)| *technician == target.technician);
    if !amended.visits[visit].days.contains(&target.day) {
        return Ok(None);
    }
    let Some(fit) = slot.and_then(|(slot, _)| look.fit(visit, slot, ANY_TIME)) else {
        return Ok(None);
    };
    let mut sequences = before.sequences();
    for (_, _, visits) in &mut sequences {
        visits.retain(|other| *other != visit);
    }
    let place = (target.day, target.technician);
    match sequences.iter_mut().find(|(day, technician, _)| (*day, *technician) == place) {
        Some((_, _, visits)) => visits.insert(fit.after.min(visits.len()), visit),
        None => sequences.push((target.day, target.technician, vec![visit])),
    }
    let plan = plan_of(&amended, &sequences)?;
    let difference = Difference::between(before, &plan, 0);
    let stays =
        |moved: &Moved| moved.visit == visit || !(moved.day_changed() || moved.person_changed());
    let whole = plan.find(visit).is_some()
        && difference.removed.is_empty()
        && difference.moved.iter().all(stays);
    Ok(whole.then_some(Repaired { problem: amended, plan, difference }))
}

/// The problem with what has happened fixed and the visit's own promise void; the plan with begun work
/// nailed to its time.
fn amend(
    problem: &SeasonProblem,
    before: &SeasonPlan,
    visit: usize,
    now: Now,
) -> Result<(SeasonProblem, SeasonPlan), PlanningError> {
    let visits = problem.visits.len();
    if visit >= visits {
        return Err(PlanningError::Content(format!(
            "visit {visit} is not among the {visits} visits"
        )));
    }
    let mut amended = problem.clone();
    amended.visits[visit].promise = None;
    freeze(&mut amended, before, now);
    let mut fixed = before.clone();
    for route in fixed.routes.iter_mut().filter(|route| route.day <= now.day) {
        for stop in &mut route.stops {
            if route.day < now.day || stop.start_s <= now.second {
                stop.window = Window { start_s: stop.start_s, end_s: stop.start_s };
            }
        }
    }
    Ok((amended, fixed))
}

impl Insertion {
    /// The way in a sentence: when, who, how far, and what it costs others.
    #[must_use]
    pub fn sentence(&self, names: &impl Names) -> String {
        let minutes = |seconds: i64| (seconds + 30).div_euclid(60);
        let later: Vec<String> = self
            .delays
            .iter()
            .map(|delay| {
                let minutes = minutes(i64::from(delay.later_s)).max(1);
                format!("{} starts {minutes} min later", names.visit(delay.visit))
            })
            .collect();
        let others = if later.is_empty() {
            "nobody else starts later".to_owned()
        } else {
            format!("{}, all within their promised time", later.join(", "))
        };
        format!(
            "{} with {} at {}, {} min more on the road; {others}.",
            names.day(self.day),
            names.technician(self.technician),
            names.time(self.start_s),
            minutes(self.detour_s),
        )
    }
}
