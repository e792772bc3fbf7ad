//! A plan goes wrong in the morning: the best new plan close to the old one.

use crate::budget::Budget;
use crate::difference::Difference;
use crate::error::PlanningError;
use crate::season::plan::SeasonPlan;
use crate::season::plan_days_from;
use crate::season::problem::{Break, LAST_SECOND, Pin, SeasonProblem, Shift, Visit, Window};
use crate::stability::Stability;
use crate::travel::TravelTimes;

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A technician does not work on these days after all.
    Sick {
        /// Who.
        technician: usize,
        /// On which days.
        days: Vec<usize>,
    },
    /// A household cannot take a day, or a span of it. What it was promised is void; asking it to change is
    /// free.
    Declined {
        /// Which visit.
        visit: usize,
        /// Which day.
        day: usize,
        /// Starts of work that it cannot take; `None` = the whole day.
        span: Option<Window>,
    },
    /// A call without cooling comes in: a new visit, usually for today with a high cost of leaving out.
    NoCool {
        /// The new visit; its index is the number of visits so far.
        visit: Box<Visit>,
    },
    /// A road is blocked: these trips take longer.
    BlockedRoad {
        /// From and to location of each trip.
        trips: Vec<(usize, usize)>,
        /// Seconds more.
        extra_s: i32,
    },
    /// A technician cannot work for some hours (a truck in the shop, a road closed around them). What has
    /// begun stays.
    Blocked {
        /// Who.
        technician: usize,
        /// On which day.
        day: usize,
        /// From when until when.
        span: Window,
    },
    /// Homes cannot be reached for some hours (a closed road): no work starts there. The households did not
    /// ask for it, so what they were promised still counts.
    Unreachable {
        /// Which visits.
        visits: Vec<usize>,
        /// On which day.
        day: usize,
        /// Starts of work that are out of the question.
        span: Window,
    },
    /// A visit takes longer than planned.
    Overrun {
        /// Which visit.
        visit: usize,
        /// Seconds more.
        extra_s: i32,
    },
}

/// Until when the plan has already happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// Today.
    pub day: usize,
    /// Second of today. Work that has begun by then stays as it is, other work starts no earlier.
    pub second: i32,
}

/// What a repair may change, and how dear changes are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scope {
    /// Until when the plan has already happened.
    pub now: Now,
    /// Limits the change to a span of days (first, last); the rest of the season then stays as it is.
    pub days: Option<(usize, usize)>,
    /// Prices of change for visits without a promise of their own.
    pub stability: Stability,
}

/// A mended plan.
#[derive(Debug, Clone)]
pub struct Repaired {
    /// The problem with the events in it; the plan refers to this one.
    pub problem: SeasonProblem,
    /// The new plan.
    pub plan: SeasonPlan,
    /// Against the old one (starts within a quarter of an hour count as kept).
    pub difference: Difference,
}

/// Starts that differ by no more are not called a change.
pub const TOLERANCE_S: i32 = 900;

/// Mends a plan after some events.
///
/// # Errors
/// If an event does not fit the problem.
pub fn repair(
    problem: &SeasonProblem,
    before: &SeasonPlan,
    events: &[Event],
    scope: &Scope,
    budget: &Budget<'_>,
    seed: u64,
) -> Result<Repaired, PlanningError> {
    let mut amended = problem.clone();
    scope.stability.hold(&mut amended, before, scope.now.day);
    freeze(&mut amended, before, scope.now);
    for event in events {
        apply(&mut amended, before, scope.now, event)?;
    }
    let plan = plan_days_from(&amended, &before.sequences(), scope.days, budget, seed)?;
    let difference = Difference::between(before, &plan, TOLERANCE_S);
    Ok(Repaired { problem: amended, plan, difference })
}

/// What has happened stays; what has not cannot start in the past.
pub(crate) fn freeze(problem: &mut SeasonProblem, before: &SeasonPlan, now: Now) {
    let mut begun = vec![false; problem.visits.len()];
    for route in before.routes.iter().filter(|route| route.day <= now.day) {
        for stop in &route.stops {
            if route.day == now.day && stop.start_s > now.second {
                continue;
            }
            begun[stop.visit] = true;
            let visit = &mut problem.visits[stop.visit];
            visit.pin = Pin {
                day: Some(route.day),
                technician: Some(route.technician),
                window: Some(Window { start_s: stop.start_s, end_s: stop.start_s }),
            };
        }
    }
    for visit in problem.visits.iter_mut().zip(&begun).filter(|(_, begun)| !**begun).map(|(v, _)| v)
    {
        visit.days.retain(|&day| day >= now.day);
        let today = SeasonProblem::window_on(visit, now.day);
        let start_s = today.start_s.max(now.second);
        visit.window_on.insert(now.day, Window { start_s, ..today });
    }
}

fn apply(
    problem: &mut SeasonProblem,
    before: &SeasonPlan,
    now: Now,
    event: &Event,
) -> Result<(), PlanningError> {
    match event {
        Event::Sick { technician, days } => {
            for &day in days {
                send_home(problem, before, now, *technician, day)?;
            }
        }
        Event::Declined { visit, day, span } => {
            let visit = find(problem, *visit)?;
            visit.promise = None;
            if visit.pin.day == Some(*day) {
                visit.pin = Pin::default();
            }
            decline(visit, *day, *span);
        }
        Event::Blocked { technician, day, span } => {
            block(problem, *technician, *day, *span)?;
        }
        Event::Unreachable { visits, day, span } => {
            for &index in visits {
                let visit = find(problem, index)?;
                let begun = visit.pin.window.is_some_and(|w| w.start_s == w.end_s);
                if begun && visit.pin.day == Some(*day) {
                    continue;
                }
                if visit.pin.day == Some(*day) {
                    visit.pin = Pin::default();
                }
                decline(visit, *day, Some(*span));
            }
        }
        Event::NoCool { visit } => problem.visits.push((**visit).clone()),
        Event::BlockedRoad { trips, extra_s } => {
            problem.travel = problem.travel.with_delays(trips, *extra_s)?;
        }
        Event::Overrun { visit, extra_s } => {
            let visit = find(problem, *visit)?;
            visit.duration_s = visit.duration_s.saturating_add(*extra_s).clamp(0, LAST_SECOND);
        }
    }
    Ok(())
}

/// Takes some hours from a technician's shift: from its begin, from its end, or in between, where they
/// stand for the day's break too and last at least as long.
fn block(
    problem: &mut SeasonProblem,
    technician: usize,
    day: usize,
    span: Window,
) -> Result<(), PlanningError> {
    let shift = find_shift(problem, technician, day)?;
    let Some(whole) = *shift else { return Ok(()) };
    if span.end_s <= whole.start_s || span.start_s >= whole.end_s || span.end_s <= span.start_s {
        return Ok(());
    }
    *shift = if span.start_s <= whole.start_s && span.end_s >= whole.end_s {
        None
    } else if span.start_s <= whole.start_s {
        Some(shortened(Shift { start_s: span.end_s, ..whole }))
    } else if span.end_s >= whole.end_s {
        Some(shortened(Shift { end_s: span.start_s, ..whole }))
    } else {
        let rest_s = whole.pause.map_or(0, |pause| pause.duration_s);
        let duration_s = (span.end_s - span.start_s).max(rest_s);
        let pause = Break { earliest_s: span.start_s, latest_s: span.start_s, duration_s };
        Some(Shift { pause: Some(pause), ..whole })
    };
    Ok(())
}

/// A shift of which a part is lost keeps its break only while the span for its begin lies within.
fn shortened(shift: Shift) -> Shift {
    let whole = |pause: &Break| {
        shift.start_s <= pause.earliest_s && pause.latest_s + pause.duration_s <= shift.end_s
    };
    Shift { pause: shift.pause.filter(whole), ..shift }
}

fn find_shift(
    problem: &mut SeasonProblem,
    technician: usize,
    day: usize,
) -> Result<&mut Option<Shift>, PlanningError> {
    let people = problem.technicians.len();
    let person = problem.technicians.get_mut(technician).ok_or_else(|| {
        unknown(format!("technician {technician} is not among the {people} technicians"))
    })?;
    let count = person.shifts.len();
    person.shifts.get_mut(day).ok_or_else(|| unknown(format!("day {day} is not below {count}")))
}

/// Ends a technician's day: at once if work has begun (the drive home from the last begun visit is still
/// made), else before it starts.
fn send_home(
    problem: &mut SeasonProblem,
    before: &SeasonPlan,
    now: Now,
    technician: usize,
    day: usize,
) -> Result<(), PlanningError> {
    let whole = *find_shift(problem, technician, day)?;
    let home = problem.technicians[technician].end_location;
    let begun = before
        .routes
        .iter()
        .find(|route| route.day == day && route.technician == technician && day == now.day)
        .and_then(|route| route.stops.iter().rev().find(|stop| stop.start_s <= now.second));
    let shift = begun.zip(whole).map(|(last, whole)| {
        let way = problem.travel.seconds(problem.visits[last.visit].location, home);
        let end_s = match &problem.profile {
            None => last.leave_s.saturating_add(way),
            Some(profile) => profile.arrival(last.leave_s, way),
        };
        Shift { end_s: end_s.min(whole.end_s), pause: None, ..whole }
    });
    *find_shift(problem, technician, day)? = shift;
    Ok(())
}

/// Takes a day, or a span of it, from what a household can take; of what is left before and after the span
/// the longer part stays.
fn decline(visit: &mut Visit, day: usize, span: Option<Window>) {
    let Some(span) = span else {
        visit.days.retain(|&allowed| allowed != day);
        return;
    };
    let whole = SeasonProblem::window_on(visit, day);
    let early = Window { start_s: whole.start_s, end_s: whole.end_s.min(span.start_s - 1) };
    let late = Window { start_s: whole.start_s.max(span.end_s + 1), end_s: whole.end_s };
    let length = |w: Window| w.end_s - w.start_s;
    let rest = if length(early) >= length(late) { early } else { late };
    if length(rest) < 0 {
        visit.days.retain(|&allowed| allowed != day);
    } else {
        visit.window_on.insert(day, rest);
    }
}

fn find(problem: &mut SeasonProblem, index: usize) -> Result<&mut Visit, PlanningError> {
    let count = problem.visits.len();
    problem
        .visits
        .get_mut(index)
        .ok_or_else(|| unknown(format!("visit {index} is not among the {count} visits")))
}

fn unknown(problem: String) -> PlanningError {
    PlanningError::Content(problem)
}
