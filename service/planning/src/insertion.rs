//! One visit into a plan, everybody else staying with their person and, unless it is said otherwise, in
//! their promised time: where it would fit, what it delays, and the plan with it.

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
    /// What becomes of the others on that day.
    pub others: Others,
}

/// Whether others on the day may lose the time that they were promised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub enum Others {
    /// Each starts within the promised time.
    #[default]
    KeepTheirTime,
    /// Each stays on its day with its person, but may start past the promised time.
    MayBeLate,
}

/// A way that breaks a promise is worth telling if the work starts so much earlier than without, seconds
/// (our choice, no source).
const WORTH_A_PROMISE_S: i32 = 1_800;

/// Work that starts later than it would have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Delay {
    /// Which visit.
    pub visit: usize,
    /// Seconds later.
    pub later_s: i32,
    /// Seconds past the end of the promised time; 0 within it.
    pub past_promise_s: i32,
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
    /// What becomes of the others.
    pub others: Others,
    /// What it costs in seconds: detour, risk, lateness, person, waiting, broken promises.
    pub cost_s: i64,
    /// The detour in it.
    pub detour_s: i64,
    /// Whom it delays, in the order of their numbers.
    pub delays: Vec<Delay>,
}

/// The cheapest ways to put a visit into the given days of a plan, cheapest first: for each technician's day
/// the one that keeps everybody else's promised time, and one that does not where the work starts much
/// earlier so. Nobody else changes day or person; what has begun stays, and the visit starts after now.
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
    let asked = Asked { problem, before, visit, now, days };
    let mut ways = asked.ways(Others::KeepTheirTime, count, |_| true)?;
    let kept: Vec<(usize, usize, i32)> =
        ways.iter().map(|way| (way.day, way.technician, way.start_s)).collect();
    let earlier = |fit: &Fit| {
        kept.iter()
            .find(|(day, technician, _)| (*day, *technician) == (fit.day, fit.technician))
            .is_none_or(|(_, _, start_s)| start_s - fit.earliest_s >= WORTH_A_PROMISE_S)
    };
    let late = asked.ways(Others::MayBeLate, count, earlier)?;
    ways.extend(late.into_iter().filter(Insertion::breaks_a_promise));
    ways.sort_by_key(|way| (way.cost_s, way.day, way.technician));
    ways.truncate(count);
    Ok(ways)
}

/// What is asked of the plan.
struct Asked<'a> {
    problem: &'a SeasonProblem,
    before: &'a SeasonPlan,
    visit: usize,
    now: Now,
    days: &'a [usize],
}

impl Asked<'_> {
    /// The cheapest ways, at most one for each technician's day.
    fn ways(
        &self,
        others: Others,
        count: usize,
        worth: impl Fn(&Fit) -> bool,
    ) -> Result<Vec<Insertion>, PlanningError> {
        let Self { problem, before, visit, now, days } = *self;
        let (amended, fixed) = amend(problem, before, visit, now, others)?;
        let look = Look::new(&amended, &fixed, Some(visit))?;
        let open = &amended.visits[visit].days;
        let mut fits: Vec<Fit> = days
            .iter()
            .filter(|day| open.contains(day))
            .flat_map(|day| look.on_day(*day))
            .filter_map(|(slot, _)| look.fit(visit, slot, ANY_TIME))
            .filter(worth)
            .collect();
        fits.sort_by_key(|fit| (fit.cost.total_s(), fit.day, fit.technician));
        let mut ways = Vec::new();
        for fit in fits {
            if ways.len() == count {
                break;
            }
            let target = Target { day: fit.day, technician: fit.technician, span: None, others };
            if let Some(mended) = insert(problem, before, visit, target, now)? {
                ways.push(self.way(&fit, &mended, others));
            }
        }
        Ok(ways)
    }

    fn way(&self, fit: &Fit, mended: &Repaired, others: Others) -> Insertion {
        let (problem, visit) = (self.problem, self.visit);
        let start = mended.plan.find(visit).map(|(r, p)| mended.plan.routes[r].stops[p].start_s);
        let delays: Vec<Delay> = mended
            .difference
            .moved
            .iter()
            .filter(|moved| moved.visit != visit && moved.later_s() > 0)
            .map(|moved| {
                let promised = problem.visits[moved.visit].promise.and_then(|it| it.window);
                let past = promised.map_or(0, |window| (moved.to.start_s - window.end_s).max(0));
                Delay { visit: moved.visit, later_s: moved.later_s(), past_promise_s: past }
            })
            .collect();
        let broken: i64 = delays
            .iter()
            .filter(|delay| delay.past_promise_s > 0)
            .filter_map(|delay| problem.visits[delay.visit].promise)
            .map(|promise| promise.time_change_cost_s)
            .sum();
        Insertion {
            day: fit.day,
            technician: fit.technician,
            start_s: start.unwrap_or(fit.earliest_s),
            latest_s: fit.latest_s,
            others,
            cost_s: fit.cost.total_s() + broken,
            detour_s: fit.cost.travel_s,
            delays,
        }
    }
}

/// The plan with a visit put into a technician's day, or taken there from elsewhere. Nothing when it does
/// not fit there without moving somebody else to another day or person, or out of a promised time that is
/// to be kept.
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
    let (mut amended, fixed) = amend(problem, before, visit, now, target.others)?;
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
    others: Others,
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
    for route in &mut fixed.routes {
        for stop in &mut route.stops {
            if route.day < now.day || (route.day == now.day && stop.start_s <= now.second) {
                stop.window = Window { start_s: stop.start_s, end_s: stop.start_s };
            } else if others == Others::MayBeLate {
                stop.window = SeasonProblem::window_on(&amended.visits[stop.visit], route.day);
            }
        }
    }
    Ok((amended, fixed))
}

impl Insertion {
    /// Whether somebody's work would start past the promised time.
    #[must_use]
    pub fn breaks_a_promise(&self) -> bool {
        self.delays.iter().any(|delay| delay.past_promise_s > 0)
    }

    /// The way in a sentence: when, who, how far, and what it costs others.
    #[must_use]
    pub fn sentence(&self, names: &impl Names) -> String {
        let minutes = |seconds: i64| (seconds + 30).div_euclid(60);
        let later: Vec<String> = self
            .delays
            .iter()
            .map(|delay| {
                let minutes_later = minutes(i64::from(delay.later_s)).max(1);
                let past = i64::from(delay.past_promise_s);
                let broken = if past > 0 {
                    format!(", {} min past the promised time", minutes(past).max(1))
                } else {
                    String::new()
                };
                format!("{} starts {minutes_later} min later{broken}", names.visit(delay.visit))
            })
            .collect();
        let others = if later.is_empty() {
            "nobody else starts later".to_owned()
        } else if self.breaks_a_promise() {
            later.join("; ")
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
