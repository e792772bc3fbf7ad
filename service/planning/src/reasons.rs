//! Why a visit stands where it stands, what the next best day would cost, and what blocked the others.

use serde::Serialize;

use crate::difference::Names;
use crate::error::PlanningError;
use crate::look::{ANY_TIME, Fit, Look};
use crate::season::one_day::{OneDay, known};
use crate::season::plan::{CostParts, SeasonPlan, UnplacedReason};
use crate::season::plan_of;
use crate::season::problem::SeasonProblem;
use crate::travel::TravelTimes;

/// One way to place a visit, all other visits staying where they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Choice {
    /// Day of the problem.
    pub day: usize,
    /// Technician of the problem.
    pub technician: usize,
    /// Earliest start of the work.
    pub start_s: i32,
    /// What this visit adds to the objective there.
    pub cost: CostParts,
}

/// Why a day is out of the question with all other visits where they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Block {
    /// Nobody works.
    NobodyWorks,
    /// Nobody who works has the skill, or is the one the office fixed.
    NobodyMay,
    /// Window, way and work do not fit even into an empty day.
    DoesNotFit,
    /// Those who may have so many visits already that no gap is long enough.
    Full {
        /// Visits of those who may.
        visits: usize,
    },
}

/// The account of one visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Account {
    /// Where it stands, with what it adds to the objective.
    pub chosen: Option<Choice>,
    /// The best way on each other allowed day, cheapest first.
    pub other_days: Vec<Choice>,
    /// The best other person on the chosen day.
    pub other_person: Option<Choice>,
    /// Allowed days without a way.
    pub blocked: Vec<(usize, Block)>,
    /// Why it has no place, if it has none.
    pub unplaced: Option<UnplacedReason>,
}

/// Explains a visit's place in a plan.
///
/// # Errors
/// If the problem is not sound or the visit unknown.
pub fn account(
    problem: &SeasonProblem,
    plan: &SeasonPlan,
    visit: usize,
) -> Result<Account, PlanningError> {
    known(problem, visit)?;
    let look = Look::new(problem, plan, Some(visit))?;
    let place = plan.find(visit).map(|(route, position)| {
        let route = &plan.routes[route];
        (route.day, route.technician, route.stops[position].start_s)
    });
    let mut account = Account {
        chosen: None,
        other_days: Vec::new(),
        other_person: None,
        blocked: Vec::new(),
        unplaced: plan.unplaced.iter().find(|u| u.visit == visit).map(|u| u.reason),
    };
    for &day in &problem.visits[visit].days {
        let mut fits: Vec<Fit> =
            look.on_day(day).filter_map(|(slot, _)| look.fit(visit, slot, ANY_TIME)).collect();
        fits.sort_by_key(|fit| (fit.cost.total_s(), fit.technician));
        if place.is_some_and(|p| p.0 == day) {
            let here = |fit: &&Fit| place.is_some_and(|p| p.1 == fit.technician);
            account.chosen = fits.iter().find(here).map(|fit| Choice {
                start_s: place.map_or(fit.earliest_s, |p| p.2),
                ..option(fit)
            });
            account.other_person = fits.iter().find(|fit| !here(fit)).map(option);
        } else if let Some(best) = fits.first() {
            account.other_days.push(option(best));
        } else {
            account.blocked.push((day, block(&look, visit, day)));
        }
    }
    account.other_days.sort_by_key(|o| (o.cost.total_s(), o.day));
    Ok(account)
}

/// The same of the plan that the sequences are (see [`plan_of`]), reckoned day by day with the trips of
/// each day alone: milliseconds where a table of all trips would take a second. Only what stands on the
/// visit's days needs to be among the visits.
///
/// # Errors
/// As [`account`].
pub fn account_by_day<T: TravelTimes>(
    problem: &SeasonProblem<T>,
    sequences: &[(usize, usize, Vec<usize>)],
    visit: usize,
) -> Result<Account, PlanningError> {
    let mut whole = Account {
        chosen: None,
        other_days: Vec::new(),
        other_person: None,
        blocked: Vec::new(),
        unplaced: Some(UnplacedReason::NoDay),
    };
    for &day in &known(problem, visit)?.days {
        let part = OneDay::of(problem, sequences, day, visit)?;
        let plan = plan_of(&part.problem, &part.sequences)?;
        let here = account(&part.problem, &plan, part.visit)?;
        whole.chosen = whole.chosen.or(here.chosen);
        whole.other_person = whole.other_person.or(here.other_person);
        whole.other_days.extend(here.other_days);
        whole.blocked.extend(here.blocked);
        // It stands where a day says that it does; else it lacks what the best day lacks.
        whole.unplaced = whole.unplaced.zip(here.unplaced).map(|(one, other)| one.max(other));
    }
    whole.other_days.sort_by_key(|o| (o.cost.total_s(), o.day));
    Ok(whole)
}

fn option(fit: &Fit) -> Choice {
    Choice { day: fit.day, technician: fit.technician, start_s: fit.earliest_s, cost: fit.cost }
}

fn block(look: &Look<'_>, visit: usize, day: usize) -> Block {
    if look.on_day(day).next().is_none() {
        return Block::NobodyWorks;
    }
    let wanted = &look.problem.visits[visit];
    let may = |technician: usize| {
        look.problem.technicians[technician].skills.covers(wanted.skills)
            && wanted.pin.technician.is_none_or(|pinned| pinned == technician)
    };
    let able: Vec<usize> =
        look.on_day(day).filter(|&(_, technician)| may(technician)).map(|(slot, _)| slot).collect();
    if able.is_empty() {
        Block::NobodyMay
    } else if able.iter().any(|&slot| look.fits_empty(visit, slot)) {
        Block::Full { visits: able.iter().map(|&slot| look.stops(slot)).sum() }
    } else {
        Block::DoesNotFit
    }
}

impl Account {
    /// What the next best day would cost more, in seconds; below zero if moving this visit alone would
    /// improve the plan.
    #[must_use]
    pub fn next_day_costs_s(&self) -> Option<i64> {
        let chosen = self.chosen?.cost.total_s();
        self.other_days.first().map(|other| other.cost.total_s() - chosen)
    }

    /// The account in sentences for the office.
    #[must_use]
    pub fn sentences(&self, names: &impl Names) -> Vec<String> {
        let mut lines = Vec::new();
        if let Some(chosen) = self.chosen {
            lines.push(format!(
                "On {} with {}: {}.",
                names.day(chosen.day),
                names.technician(chosen.technician),
                parts(&chosen.cost)
            ));
        }
        if let (Some(other), Some(more)) = (self.other_days.first(), self.next_day_costs_s()) {
            lines.push(format!(
                "The next best day, {} with {}, would cost {} more: {}.",
                names.day(other.day),
                names.technician(other.technician),
                minutes(more),
                parts(&other.cost)
            ));
        }
        if let Some(reason) = self.unplaced {
            lines.push(format!("It has no place: {reason}."));
        }
        lines.extend(self.blocked.iter().map(|&(day, block)| {
            let day = names.day(day);
            match block {
                Block::NobodyWorks => format!("{day}: nobody works."),
                Block::NobodyMay => format!("{day}: nobody who works may do it."),
                Block::DoesNotFit => {
                    format!("{day}: window, way and work do not fit into the shift.")
                }
                Block::Full { visits } => {
                    format!("{day}: no gap is long enough beside the {visits} visits of that day.")
                }
            }
        }));
        lines
    }
}

fn minutes(seconds: i64) -> String {
    format!("{} min", (seconds + seconds.signum() * 30) / 60)
}

/// Less than this is no minute worth telling.
const TOLD_FROM_S: i64 = 30;

/// The parts of a cost with the words for them; visits left out are no minutes of anybody's time.
fn named(cost: &CostParts) -> [(&'static str, i64); 6] {
    [
        ("driving", cost.travel_s),
        ("risk before the visit", cost.risk_s),
        ("lateness", cost.late_s),
        ("change for the household", cost.change_s),
        ("person", cost.preference_s),
        ("load", cost.fairness_s),
    ]
}

/// What a plan costs more or less than another, by parts, in a sentence. Visits left out are not in it.
#[must_use]
pub fn cost_change(before: &CostParts, after: &CostParts) -> String {
    let change: Vec<(&str, i64)> = named(before)
        .into_iter()
        .zip(named(after))
        .map(|((what, before), (_, after))| (what, after - before))
        .collect();
    let word = |seconds: i64| if seconds < 0 { "less" } else { "more" };
    let sum: i64 = change.iter().map(|(_, seconds)| seconds).sum();
    let told: Vec<String> = change
        .iter()
        .filter(|(_, seconds)| seconds.abs() >= TOLD_FROM_S)
        .map(|(what, seconds)| format!("{} {} for {what}", minutes(seconds.abs()), word(*seconds)))
        .collect();
    if told.is_empty() {
        return "It costs the same.".to_owned();
    }
    format!("It costs {} {} in all: {}.", minutes(sum.abs()), word(sum), told.join(", "))
}

fn parts(cost: &CostParts) -> String {
    let told: Vec<String> = named(cost)
        .iter()
        .filter(|(_, seconds)| seconds.abs() >= TOLD_FROM_S)
        .map(|(what, seconds)| format!("{} for {what}", minutes(*seconds)))
        .collect();
    if told.is_empty() { "no extra cost".into() } else { told.join(", ") }
}
