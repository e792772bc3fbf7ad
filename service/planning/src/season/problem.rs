//! The problem in plain values. All times are seconds of the local day; all costs are seconds of a
//! technician's time, so that risk, lateness and driving can be added up.

use std::collections::BTreeMap;

use crate::error::PlanningError;
use crate::travel::{DayProfile, TravelTable, TravelTimes};

/// Largest cost of one choice in seconds; keeps sums within 32 bits inside the solver.
pub const MAX_COST_S: i64 = 500_000_000;
/// Most visits of one plan.
pub const MAX_VISITS: usize = 50_000;
/// Most technician-days of one plan.
pub const MAX_SLOTS: usize = 60_000;
/// Most pairs of a visit and a technician-day that may do it; bounds the solver's memory.
pub const MAX_CANDIDATES: usize = 40_000_000;
/// Latest second of a day that may be named (a day of work may run past midnight).
pub const LAST_SECOND: i32 = 400_000_000;

/// A set of up to 64 skills by number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash)]
pub struct SkillSet(pub u64);

impl SkillSet {
    /// No skill.
    pub const NONE: Self = Self(0);

    /// The set with one skill (0 to 63).
    #[must_use]
    pub fn of(skill: u8) -> Self {
        Self(1_u64.checked_shl(u32::from(skill)).unwrap_or(0))
    }

    /// Both sets together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether all of `needed` is in this set.
    #[must_use]
    pub fn covers(self, needed: Self) -> bool {
        self.0 & needed.0 == needed.0
    }
}

/// A pause within a shift: begins within the given span and lasts `duration_s`. Work is never
/// interrupted; a drive may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Break {
    /// Earliest begin.
    pub earliest_s: i32,
    /// Latest begin.
    pub latest_s: i32,
    /// Length.
    pub duration_s: i32,
}

/// One technician's work on one day: leaves the start location at `start_s`, is back by `end_s`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shift {
    /// Departure from the start location.
    pub start_s: i32,
    /// Latest arrival at the end location.
    pub end_s: i32,
    /// The break, if one must be kept.
    pub pause: Option<Break>,
}

/// A person who does visits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Technician {
    /// Location where each day starts.
    pub start_location: usize,
    /// Location where each day ends.
    pub end_location: usize,
    /// The shift of each day of the problem; `None` = off.
    pub shifts: Vec<Option<Shift>>,
    /// What this person may do.
    pub skills: SkillSet,
}

/// The span within which work must start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Earliest start of the work.
    pub start_s: i32,
    /// Latest start of the work.
    pub end_s: i32,
}

/// A decision of the office that the planner must obey. Each part may be left open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Pin {
    /// On this day only.
    pub day: Option<usize>,
    /// By this technician only.
    pub technician: Option<usize>,
    /// Start of work within this span only.
    pub window: Option<Window>,
}

/// Where the visit stood in the plan before, and what it costs to change it. The costs grow with how
/// near the day is and what the household was told or agreed to; the caller sets them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Promise {
    /// Day in the plan before.
    pub day: usize,
    /// Technician in the plan before.
    pub technician: usize,
    /// Start of work that was announced or agreed, if any.
    pub window: Option<Window>,
    /// Cost of another day (the announced time is then void as well).
    pub day_change_cost_s: i64,
    /// Cost of another person on the same day.
    pub technician_change_cost_s: i64,
    /// Cost of starting outside the announced window on the same day.
    pub time_change_cost_s: i64,
}

/// One visit, done at most once.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Visit {
    /// The caller's id, repeated in errors.
    pub id: i64,
    /// Where.
    pub location: usize,
    /// Length of the work.
    pub duration_s: i32,
    /// What the technician must be able to do.
    pub skills: SkillSet,
    /// Days on which it may be done, ascending.
    pub days: Vec<usize>,
    /// Span for the start of the work on any day.
    pub window: Window,
    /// Days with another span than `window`.
    pub window_on: BTreeMap<usize, Window>,
    /// Last day without lateness; `None` = never late.
    pub due_day: Option<usize>,
    /// Cost of doing it on each day of the problem, of any shape: expected failures before that day times
    /// what one costs. Empty = free.
    pub risk_cost_s: Vec<i64>,
    /// Cost of not doing it at all; also its priority over other visits.
    pub drop_cost_s: i64,
    /// Technicians that cost extra (or, by a lower price than others, are preferred): index, cost.
    pub technician_cost_s: Vec<(usize, i64)>,
    /// What the office fixed.
    pub pin: Pin,
    /// The plan before, for stability.
    pub promise: Option<Promise>,
}

impl Visit {
    /// A visit without wishes: any of the days, one window, free of risk.
    #[must_use]
    pub fn plain(
        id: i64,
        location: usize,
        duration_s: i32,
        days: Vec<usize>,
        window: Window,
    ) -> Self {
        Self {
            id,
            location,
            duration_s,
            skills: SkillSet::NONE,
            days,
            window,
            window_on: BTreeMap::new(),
            due_day: None,
            risk_cost_s: Vec::new(),
            drop_cost_s: 1_000_000,
            technician_cost_s: Vec::new(),
            pin: Pin::default(),
            promise: None,
        }
    }

    /// Risk cost on a day.
    #[must_use]
    pub fn risk_on(&self, day: usize) -> i64 {
        self.risk_cost_s.get(day).copied().unwrap_or(0)
    }
}

/// Spreads the load: each second of work of one technician-day beyond `comfortable_work_s` costs
/// `cost_per_mille` thousandths of a second more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fairness {
    /// Work (without travel) of one technician-day that costs nothing extra.
    pub comfortable_work_s: i32,
    /// Extra cost in thousandths of the work beyond.
    pub cost_per_mille: i32,
}

/// All that a season plan is made from. Plans are made with a table of all trips; what is asked of one
/// visit ([`account_by_day`](crate::reasons::account_by_day)) also with a formula for them.
#[derive(Debug, Clone)]
pub struct SeasonProblem<T = TravelTable> {
    /// Number of working days. What dates they are, the caller knows.
    pub days: usize,
    /// Travel times between locations.
    pub travel: T,
    /// How much slower the roads are through the day. The objective counts nominal travel, the times of
    /// the day use the profile.
    pub profile: Option<DayProfile>,
    /// Who works.
    pub technicians: Vec<Technician>,
    /// What is to be done.
    pub visits: Vec<Visit>,
    /// Cost of each day past the due day.
    pub late_cost_per_day_s: i64,
    /// Spreading of load, if wanted.
    pub fairness: Option<Fairness>,
}

impl SeasonProblem {
    /// Cost of lateness of a visit on a day.
    #[must_use]
    pub fn late_cost_s(&self, visit: &Visit, day: usize) -> i64 {
        let due = visit.due_day.unwrap_or(day);
        self.late_cost_per_day_s.saturating_mul(day.saturating_sub(due) as i64)
    }

    /// The span for the start of work on a day, without pins and promises.
    #[must_use]
    pub fn window_on(visit: &Visit, day: usize) -> Window {
        visit.window_on.get(&day).copied().unwrap_or(visit.window)
    }

    /// Checks that all indices, sizes and numbers are sound. A visit that cannot be placed (no day left,
    /// nobody with the skill, impossible window) is not an error: the plan reports it as unplaced with
    /// its reason.
    ///
    /// # Errors
    /// The first thing that is wrong, with its place.
    pub fn validate(&self) -> Result<(), PlanningError> {
        if self.days == 0 {
            return Err(PlanningError::NoDays);
        }
        limit("visits", self.visits.len(), MAX_VISITS)?;
        limit("technician-days", self.days.saturating_mul(self.technicians.len()), MAX_SLOTS)?;
        if !(0..=MAX_COST_S).contains(&self.late_cost_per_day_s) {
            return Err(PlanningError::Content(format!(
                "the cost of lateness is {} s a day; it must be between 0 and {MAX_COST_S}",
                self.late_cost_per_day_s
            )));
        }
        if let Some(fairness) = self.fairness
            && (fairness.comfortable_work_s < 0
                || !(0..=100_000).contains(&fairness.cost_per_mille))
        {
            return Err(PlanningError::Content(
                "fairness needs comfortable work of at least 0 s and a cost of 0 to 100000 per mille".into(),
            ));
        }
        for (index, technician) in self.technicians.iter().enumerate() {
            self.validate_technician(technician)
                .map_err(|problem| PlanningError::Technician { technician: index, problem })?;
        }
        for (index, visit) in self.visits.iter().enumerate() {
            self.validate_visit(visit).map_err(|problem| PlanningError::Visit {
                visit: index,
                id: visit.id,
                problem,
            })?;
        }
        Ok(())
    }

    fn validate_technician(&self, technician: &Technician) -> Result<(), String> {
        let places = self.travel.locations();
        if technician.start_location >= places || technician.end_location >= places {
            return Err(format!("start or end location is not among the {places} locations"));
        }
        if technician.shifts.len() != self.days {
            return Err(format!(
                "has {} shifts for {} days; give one entry a day, empty when off",
                technician.shifts.len(),
                self.days
            ));
        }
        for (day, shift) in technician.shifts.iter().enumerate() {
            let Some(shift) = shift else { continue };
            if shift.start_s < 0 || shift.end_s < shift.start_s || shift.end_s > LAST_SECOND {
                return Err(format!(
                    "the shift on day {day} runs from {} s to {} s; it must not end before it starts",
                    shift.start_s, shift.end_s
                ));
            }
            if let Some(pause) = shift.pause
                && (pause.earliest_s < 0
                    || pause.latest_s < pause.earliest_s
                    || pause.duration_s < 0
                    || pause.latest_s > LAST_SECOND
                    || pause.duration_s > LAST_SECOND)
            {
                return Err(format!(
                    "the break on day {day} must begin within a span that is not empty"
                ));
            }
        }
        Ok(())
    }

    fn validate_visit(&self, visit: &Visit) -> Result<(), String> {
        let places = self.travel.locations();
        if visit.location >= places {
            return Err(format!("location {} is not among the {places} locations", visit.location));
        }
        if !(0..=LAST_SECOND).contains(&visit.duration_s) {
            return Err(format!("a duration of {} s cannot be", visit.duration_s));
        }
        if !visit.days.is_sorted_by(|a, b| a < b)
            || visit.days.last().is_some_and(|&d| d >= self.days)
        {
            return Err(format!(
                "its days must ascend, without repetition, and stay below {}",
                self.days
            ));
        }
        if !visit.risk_cost_s.is_empty() && visit.risk_cost_s.len() != self.days {
            return Err(format!(
                "has {} daily risk costs for {} days; give one a day or none",
                visit.risk_cost_s.len(),
                self.days
            ));
        }
        if visit.due_day.is_some_and(|day| day >= self.days) {
            return Err(format!(
                "its due day must be below {}; leave it out if it is never late",
                self.days
            ));
        }
        let promise = visit
            .promise
            .iter()
            .flat_map(|p| [p.day_change_cost_s, p.technician_change_cost_s, p.time_change_cost_s]);
        let technician = visit.technician_cost_s.iter().map(|&(_, cost)| cost);
        let costs = visit.risk_cost_s.iter().copied().chain(promise).chain(technician);
        if let Some(cost) =
            costs.chain([visit.drop_cost_s]).find(|cost| !(0..=MAX_COST_S).contains(cost))
        {
            return Err(format!("a cost of {cost} s is not between 0 and {MAX_COST_S}"));
        }
        self.validate_references(visit)
    }

    fn validate_references(&self, visit: &Visit) -> Result<(), String> {
        let people = self.technicians.len();
        let named = visit
            .technician_cost_s
            .iter()
            .map(|&(technician, _)| technician)
            .chain(visit.pin.technician)
            .chain(visit.promise.map(|p| p.technician));
        if let Some(technician) = named.into_iter().find(|&technician| technician >= people) {
            return Err(format!("technician {technician} is not among the {people} technicians"));
        }
        let days = visit.pin.day.into_iter().chain(visit.promise.map(|p| p.day));
        if let Some(day) = days.into_iter().find(|&day| day >= self.days) {
            return Err(format!("day {day} is not below {}", self.days));
        }
        Ok(())
    }
}

fn limit(what: &'static str, count: usize, limit: usize) -> Result<(), PlanningError> {
    if count > limit {
        return Err(PlanningError::TooMany { what, count, limit });
    }
    Ok(())
}
