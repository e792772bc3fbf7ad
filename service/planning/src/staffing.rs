//! How many technician-days are short, on which days, and what one more would save.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::budget::Budget;
use crate::error::PlanningError;
use crate::season::plan::{CostParts, SeasonPlan};
use crate::season::problem::{SeasonProblem, Shift, SkillSet, Technician};
use crate::season::{plan_days_from, plan_from};

/// Technician-days that a plan lacks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Shortage {
    /// Days with the number of extra technician-days on them, ascending.
    pub days: Vec<(usize, usize)>,
    /// Visits that the extra technician-days take.
    pub placed: usize,
    /// Visits that no extra person could place (no day, impossible window).
    pub left: usize,
}

impl Shortage {
    /// Technician-days short in all.
    #[must_use]
    pub fn technician_days(&self) -> usize {
        self.days.iter().map(|&(_, count)| count).sum()
    }
}

/// What one more technician-day changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct OneMore {
    /// Day of the problem.
    pub day: usize,
    /// Objective without it.
    pub without: CostParts,
    /// Objective with it.
    pub with: CostParts,
    /// Visits placed in addition.
    pub placed: i64,
}

impl OneMore {
    /// What it saves in all, in seconds of the objective.
    #[must_use]
    pub fn saved_s(&self) -> i64 {
        self.without.total_s() - self.with.total_s()
    }

    /// Expected no-cool calls that it saves, given what one costs in the risk costs of the problem.
    #[must_use]
    pub fn saved_calls(&self, call_cost_s: f64) -> f64 {
        (self.without.risk_s - self.with.risk_s) as f64 / call_cost_s
    }
}

/// Fills the unplaced visits into as few extra technician-days as the search finds; each extra person
/// starts and ends where `like` does, works its shift and has every skill.
///
/// # Errors
/// If the problem is not sound or has no such technician.
pub fn shortage(
    problem: &SeasonProblem,
    plan: &SeasonPlan,
    like: usize,
    budget: &Budget<'_>,
    seed: u64,
) -> Result<Shortage, PlanningError> {
    let mut days = Vec::new();
    let mut unplaced: Vec<usize> = plan.unplaced.iter().map(|u| u.visit).collect();
    let before = unplaced.len();
    let (template, shift) = template(problem, like)?;
    // One extra person on every day, and of that the days that take the most; then again for what is
    // left. All days that take as many are kept at once: a season short of hundreds of days needs no
    // hundreds of searches.
    while !unplaced.is_empty() {
        let mut extra = problem.clone();
        extra.technicians = vec![template.clone()];
        extra.technicians[0].shifts = vec![Some(shift); problem.days];
        extra.visits = unplaced
            .iter()
            .map(|&v| {
                let mut visit = problem.visits[v].clone();
                (visit.pin.technician, visit.promise) = (None, None);
                visit.technician_cost_s.clear();
                visit
            })
            .collect();
        let filled = plan_from(&extra, &[], budget, seed)?;
        let Some(most) = filled.routes.iter().map(|route| route.stops.len()).max() else { break };
        let fullest = filled.routes.iter().filter(|route| route.stops.len() == most);
        let mut taken = BTreeSet::new();
        for route in fullest {
            days.push(route.day);
            taken.extend(route.stops.iter().map(|stop| unplaced[stop.visit]));
        }
        unplaced.retain(|visit| !taken.contains(visit));
    }
    days.sort_unstable();
    let mut counted: Vec<(usize, usize)> = Vec::new();
    for day in days {
        match counted.last_mut() {
            Some((last, count)) if *last == day => *count += 1,
            _ => counted.push((day, 1)),
        }
    }
    Ok(Shortage { days: counted, placed: before - unplaced.len(), left: unplaced.len() })
}

/// Plans again with one more technician-day (home, shift and skills of `like`) on a day, starting from the
/// plan. The plan is first polished with the same budget without it, so that only the extra day counts.
///
/// # Errors
/// If the problem is not sound or has no such technician or day.
pub fn one_more(
    problem: &SeasonProblem,
    plan: &SeasonPlan,
    day: usize,
    like: usize,
    budget: &Budget<'_>,
    seed: u64,
) -> Result<OneMore, PlanningError> {
    let (mut extra, shift) = template(problem, like)?;
    if day >= problem.days {
        return Err(PlanningError::Content(format!("day {day} is not below {}", problem.days)));
    }
    extra.skills = problem.technicians[like].skills;
    extra.shifts = vec![None; problem.days];
    extra.shifts[day] = Some(shift);
    let polished = plan_days_from(problem, &plan.sequences(), None, budget, seed)?;
    let mut larger = problem.clone();
    larger.technicians.push(extra);
    let with = plan_days_from(&larger, &polished.sequences(), None, budget, seed)?;
    Ok(OneMore {
        day,
        without: polished.cost,
        with: with.cost,
        placed: polished.unplaced.len() as i64 - with.unplaced.len() as i64,
    })
}

/// A person like another but with every skill, and the first shift that one works.
fn template(problem: &SeasonProblem, like: usize) -> Result<(Technician, Shift), PlanningError> {
    let people = problem.technicians.len();
    let missing = || {
        PlanningError::Content(format!(
            "technician {like} is not among the {people} technicians or never works"
        ))
    };
    let technician = problem.technicians.get(like).ok_or_else(missing)?;
    let shift = technician.shifts.iter().flatten().next().copied().ok_or_else(missing)?;
    Ok((Technician { skills: SkillSet(u64::MAX), ..technician.clone() }, shift))
}
