//! Recomputes feasibility and cost from the problem and the bare order of visits, and compares them with
//! what the plan claims. Written apart from the solver and sharing none of its code: it reads the problem
//! afresh and walks each route in time order.

use std::collections::HashMap;

use serde::Serialize;
use thiserror::Error;

use crate::season::plan::{CostParts, SeasonPlan};
use crate::season::problem::{SeasonProblem, Shift, Visit, Window};
use crate::travel::TravelTimes;

/// A rule that a plan breaks.
#[derive(Debug, Clone, PartialEq, Eq, Error, Serialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Violation {
    /// An index that the problem does not have.
    #[error(
        "route of day {day}, technician {technician}: there is no such day, technician or visit"
    )]
    Unknown {
        /// Day named.
        day: usize,
        /// Technician named.
        technician: usize,
    },
    /// Two routes for one technician-day.
    #[error("day {day}, technician {technician} has more than one route")]
    RouteTwice {
        /// Day.
        day: usize,
        /// Technician.
        technician: usize,
    },
    /// Work on a day off.
    #[error("technician {technician} does not work on day {day}")]
    DayOff {
        /// Day.
        day: usize,
        /// Technician.
        technician: usize,
    },
    /// A visit is done more than once.
    #[error("visit {visit} is planned more than once")]
    VisitTwice {
        /// Visit.
        visit: usize,
    },
    /// A day that household, agreement or office do not allow.
    #[error("visit {visit} is not allowed on day {day}")]
    Day {
        /// Visit.
        visit: usize,
        /// Day.
        day: usize,
    },
    /// A person without the skill, or not the one that the office fixed.
    #[error("technician {technician} may not do visit {visit}")]
    Person {
        /// Visit.
        visit: usize,
        /// Technician.
        technician: usize,
    },
    /// Work starts too early or too late.
    #[error("visit {visit} starts at {start_s} s, outside {from_s} to {until_s} s")]
    Start {
        /// Visit.
        visit: usize,
        /// Start of the work.
        start_s: i32,
        /// Earliest start allowed.
        from_s: i32,
        /// Latest start allowed.
        until_s: i32,
    },
    /// Too late at the end of the day.
    #[error("day {day}, technician {technician} is home at {end_s} s, after the shift's end")]
    Overtime {
        /// Day.
        day: usize,
        /// Technician.
        technician: usize,
        /// Arrival at the end location.
        end_s: i32,
    },
    /// No break, or one at a wrong time, or one that cuts into work.
    #[error("day {day}, technician {technician} has no proper break")]
    Break {
        /// Day.
        day: usize,
        /// Technician.
        technician: usize,
    },
    /// The plan's times or costs differ from the recomputed ones.
    #[error("the plan claims {what} of {claimed}; it is {found}")]
    Claim {
        /// What is claimed.
        what: &'static str,
        /// The plan's value.
        claimed: i64,
        /// The value recomputed.
        found: i64,
    },
}

/// What the checker found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Report {
    /// Empty if the plan is feasible and tells the truth.
    pub violations: Vec<Violation>,
    /// Recomputed objective.
    pub cost: CostParts,
    /// Visits in no route.
    pub unplaced: Vec<usize>,
}

impl Report {
    /// Whether the plan may be used.
    #[must_use]
    pub fn is_clean(&self) -> bool {
        self.violations.is_empty()
    }
}

/// Checks a plan with its times and claimed costs.
#[must_use]
pub fn check(problem: &SeasonProblem, plan: &SeasonPlan) -> Report {
    let mut checker = Checker::new(problem);
    for route in &plan.routes {
        let visits: Vec<usize> = route.stops.iter().map(|stop| stop.visit).collect();
        let times = Times {
            starts: route.stops.iter().map(|s| (s.arrival_s, s.start_s, s.leave_s)).collect(),
            break_s: route.break_s,
            end_s: route.end_s,
        };
        checker.route(route.day, route.technician, &visits, Some(&times));
    }
    let mut report = checker.finish();
    let unplaced: Vec<usize> = plan.unplaced.iter().map(|u| u.visit).collect();
    if unplaced != report.unplaced {
        report.violations.push(Violation::Claim {
            what: "a number of unplaced visits",
            claimed: unplaced.len() as i64,
            found: report.unplaced.len() as i64,
        });
    }
    let parts = |c: &CostParts| {
        [
            ("travel", c.travel_s),
            ("risk", c.risk_s),
            ("lateness", c.late_s),
            ("changes", c.change_s),
            ("preferences", c.preference_s),
            ("uneven load", c.fairness_s),
            ("visits left out", c.dropped_s),
        ]
    };
    for ((what, claimed), (_, found)) in parts(&plan.cost).into_iter().zip(parts(&report.cost)) {
        if claimed != found {
            report.violations.push(Violation::Claim { what, claimed, found });
        }
    }
    report
}

/// Checks bare sequences `(day, technician, visits in order)`: each start is the earliest possible, the
/// break (if the shift has one) is tried in every gap.
#[must_use]
pub fn check_sequences(
    problem: &SeasonProblem,
    sequences: &[(usize, usize, Vec<usize>)],
) -> Report {
    let mut checker = Checker::new(problem);
    for (day, technician, visits) in sequences {
        checker.route(*day, *technician, visits, None);
    }
    checker.finish()
}

/// Times that a plan states.
struct Times {
    starts: Vec<(i32, i32, i32)>,
    break_s: Option<i32>,
    end_s: i32,
}

struct Checker<'p> {
    problem: &'p SeasonProblem,
    violations: Vec<Violation>,
    cost: CostParts,
    done: HashMap<usize, usize>,
    routes: HashMap<(usize, usize), usize>,
}

impl<'p> Checker<'p> {
    fn new(problem: &'p SeasonProblem) -> Self {
        Self {
            problem,
            violations: Vec::new(),
            cost: CostParts::default(),
            done: HashMap::new(),
            routes: HashMap::new(),
        }
    }

    fn finish(mut self) -> Report {
        let unplaced: Vec<usize> =
            (0..self.problem.visits.len()).filter(|v| !self.done.contains_key(v)).collect();
        self.cost.dropped_s = unplaced.iter().map(|&v| self.problem.visits[v].drop_cost_s).sum();
        Report { violations: self.violations, cost: self.cost, unplaced }
    }

    fn route(&mut self, day: usize, technician: usize, visits: &[usize], times: Option<&Times>) {
        let problem = self.problem;
        let known = day < problem.days
            && technician < problem.technicians.len()
            && visits.iter().all(|&v| v < problem.visits.len());
        if !known {
            self.violations.push(Violation::Unknown { day, technician });
            return;
        }
        if visits.is_empty() {
            return;
        }
        let count = self.routes.entry((day, technician)).or_insert(0);
        *count += 1;
        if *count == 2 {
            self.violations.push(Violation::RouteTwice { day, technician });
        }
        for &visit in visits {
            let count = self.done.entry(visit).or_insert(0);
            *count += 1;
            if *count == 2 {
                self.violations.push(Violation::VisitTwice { visit });
            }
            self.allowed(visit, day, technician);
        }
        let Some(shift) = problem.technicians[technician].shifts[day] else {
            self.violations.push(Violation::DayOff { day, technician });
            return;
        };
        self.count_travel(technician, visits);
        self.count_load(visits);
        match times {
            Some(times) => self.stated_times(day, technician, shift, visits, times),
            None => self.earliest_times(day, technician, shift, visits),
        }
    }

    fn allowed(&mut self, index: usize, day: usize, technician: usize) {
        let visit = &self.problem.visits[index];
        if !visit.days.contains(&day) || visit.pin.day.is_some_and(|pinned| pinned != day) {
            self.violations.push(Violation::Day { visit: index, day });
        }
        let skills = self.problem.technicians[technician].skills.0;
        let missing = visit.skills.0 & !skills != 0;
        if missing || visit.pin.technician.is_some_and(|pinned| pinned != technician) {
            self.violations.push(Violation::Person { visit: index, technician });
        }
        self.cost.risk_s += visit.risk_cost_s.get(day).copied().unwrap_or(0);
        if let Some(due) = visit.due_day
            && day > due
        {
            self.cost.late_s += (day - due) as i64 * self.problem.late_cost_per_day_s;
        }
        if let Some(promise) = visit.promise {
            if promise.day != day {
                self.cost.change_s += promise.day_change_cost_s;
            } else if promise.technician != technician {
                self.cost.change_s += promise.technician_change_cost_s;
            }
        }
        for &(person, cost) in &visit.technician_cost_s {
            if person == technician {
                self.cost.preference_s += cost;
            }
        }
    }

    fn places(&self, technician: usize, visits: &[usize]) -> Vec<usize> {
        let person = &self.problem.technicians[technician];
        let mut places = vec![person.start_location];
        places.extend(visits.iter().map(|&v| self.problem.visits[v].location));
        places.push(person.end_location);
        places
    }

    fn count_travel(&mut self, technician: usize, visits: &[usize]) {
        let places = self.places(technician, visits);
        let legs = places.windows(2).map(|p| i64::from(self.problem.travel.seconds(p[0], p[1])));
        self.cost.travel_s += legs.sum::<i64>();
    }

    fn count_load(&mut self, visits: &[usize]) {
        if let Some(fairness) = self.problem.fairness {
            let work: i64 =
                visits.iter().map(|&v| i64::from(self.problem.visits[v].duration_s)).sum();
            let beyond = (work - i64::from(fairness.comfortable_work_s)).max(0);
            self.cost.fairness_s += beyond * i64::from(fairness.cost_per_mille) / 1000;
        }
    }

    fn span(&self, visit: &Visit, day: usize) -> Window {
        let span = visit.window_on.get(&day).copied().unwrap_or(visit.window);
        match visit.pin.window {
            None => span,
            Some(pin) => {
                Window { start_s: span.start_s.max(pin.start_s), end_s: span.end_s.min(pin.end_s) }
            }
        }
    }

    fn arrival(&self, departure_s: i32, from: usize, to: usize) -> i32 {
        let nominal = self.problem.travel.seconds(from, to);
        match &self.problem.profile {
            None => departure_s.saturating_add(nominal),
            Some(profile) => profile.arrival(departure_s, nominal),
        }
    }

    fn started(&mut self, index: usize, day: usize, start_s: i32) {
        let visit = &self.problem.visits[index];
        let span = self.span(visit, day);
        if start_s < span.start_s || start_s > span.end_s {
            self.violations.push(Violation::Start {
                visit: index,
                start_s,
                from_s: span.start_s,
                until_s: span.end_s,
            });
        }
        if let Some(promise) = visit.promise
            && promise.day == day
            && let Some(window) = promise.window
            && (start_s < window.start_s || start_s > window.end_s)
        {
            self.cost.change_s += promise.time_change_cost_s;
        }
    }

    /// The plan's own times must be possible one after the other.
    fn stated_times(
        &mut self,
        day: usize,
        technician: usize,
        shift: Shift,
        visits: &[usize],
        times: &Times,
    ) {
        let places = self.places(technician, visits);
        let mut rests = 0;
        let mut leave = shift.start_s;
        for (i, pair) in places.windows(2).enumerate() {
            let stated = times.starts.get(i).map_or(times.end_s, |t| t.0);
            let mut earliest = self.arrival(leave, pair[0], pair[1]);
            if let (Some(pause), Some(begin)) = (shift.pause, times.break_s)
                && begin >= leave
                && begin + pause.duration_s <= stated
                && rests == 0
                && (pause.earliest_s..=pause.latest_s).contains(&begin)
            {
                rests += 1;
                earliest += pause.duration_s;
            }
            if stated < earliest {
                self.violations.push(Violation::Claim {
                    what: "an arrival",
                    claimed: i64::from(stated),
                    found: i64::from(earliest),
                });
            }
            let Some(&(arrival, start, end)) = times.starts.get(i) else { break };
            let index = visits[i];
            self.started(index, day, start);
            let work = self.problem.visits[index].duration_s;
            if start < arrival || end - start != work {
                self.violations.push(Violation::Claim {
                    what: "a length of work",
                    claimed: i64::from(end - start),
                    found: i64::from(work),
                });
            }
            leave = end;
        }
        if shift.pause.is_some() && rests != 1 {
            self.violations.push(Violation::Break { day, technician });
        }
        if times.end_s > shift.end_s {
            self.violations.push(Violation::Overtime { day, technician, end_s: times.end_s });
        }
    }

    /// Earliest times, with the break in the gap that ends the day soonest without a breach.
    fn earliest_times(&mut self, day: usize, technician: usize, shift: Shift, visits: &[usize]) {
        let gaps = if shift.pause.is_some() { visits.len() + 1 } else { 1 };
        let walks = (0..gaps).map(|gap| self.walk(day, technician, shift, visits, gap));
        let best = walks.min_by_key(|walk| (walk.late, walk.end_s));
        let Some(walk) = best else { return };
        for (&visit, &start) in visits.iter().zip(&walk.starts) {
            self.started(visit, day, start);
        }
        if walk.missed_break {
            self.violations.push(Violation::Break { day, technician });
        }
        if walk.end_s > shift.end_s {
            self.violations.push(Violation::Overtime { day, technician, end_s: walk.end_s });
        }
    }

    fn walk(
        &self,
        day: usize,
        technician: usize,
        shift: Shift,
        visits: &[usize],
        gap: usize,
    ) -> Walk {
        let places = self.places(technician, visits);
        let mut walk = Walk { late: 0, end_s: 0, starts: Vec::new(), missed_break: false };
        let mut leave = shift.start_s;
        for (i, pair) in places.windows(2).enumerate() {
            let mut arrival = self.arrival(leave, pair[0], pair[1]);
            if let Some(pause) = shift.pause.filter(|_| i == gap) {
                walk.missed_break = leave > pause.latest_s;
                arrival = arrival.max(pause.earliest_s) + pause.duration_s;
            }
            let Some(&index) = visits.get(i) else {
                walk.end_s = arrival;
                break;
            };
            let visit = &self.problem.visits[index];
            let span = self.span(visit, day);
            let start = arrival.max(span.start_s);
            walk.late += usize::from(start > span.end_s);
            walk.starts.push(start);
            leave = start.saturating_add(visit.duration_s);
        }
        walk.late += usize::from(walk.end_s > shift.end_s) + usize::from(walk.missed_break);
        walk
    }
}

struct Walk {
    late: usize,
    end_s: i32,
    starts: Vec<i32>,
    missed_break: bool,
}
