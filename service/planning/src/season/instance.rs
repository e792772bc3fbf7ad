//! The file form of a season problem (JSON; stated in `docs/planning.md`) and of its plan.

use std::collections::HashMap;

use serde::{Deserialize, Serialize};

use super::plan::{CostParts, SeasonPlan};
use super::problem::{
    LAST_SECOND, MAX_COST_S, Pin, SeasonProblem, Shift, SkillSet, Technician, Visit, Window,
};
use crate::error::PlanningError;
use crate::travel::{PlanarMetres, TravelTable};

#[derive(Deserialize)]
struct InstanceFile {
    days: usize,
    heat_ppm: Vec<i64>,
    late_s_per_day: i64,
    drop_base_s: i64,
    techs: Vec<TechnicianFile>,
    visits: Vec<VisitFile>,
}

#[derive(Deserialize)]
struct TechnicianFile {
    x: i32,
    y: i32,
    start_s: i32,
    end_s: i32,
    skills: Vec<String>,
    off_days: Vec<usize>,
}

#[derive(Deserialize)]
struct VisitFile {
    id: i64,
    x: i32,
    y: i32,
    duration_s: i32,
    skill: String,
    due: usize,
    last: usize,
    days: Vec<usize>,
    tw_s: (i32, i32),
    risk_s: i64,
}

/// The file form of a plan: `{"routes":[{"day":0,"tech":2,"visits":[17,3]}]}` with the ids of the visits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanFile {
    /// Routes in any order.
    pub routes: Vec<RouteFile>,
}

/// One route of a [`PlanFile`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RouteFile {
    /// Day of the problem.
    pub day: usize,
    /// Technician by position in the file.
    pub tech: usize,
    /// Ids of the visits in order.
    pub visits: Vec<i64>,
}

/// The cost of a plan and its parts, in minutes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CostReport {
    /// Sum of all parts.
    pub objective: f64,
    /// Travel.
    pub travel: f64,
    /// Risk.
    pub risk: f64,
    /// Lateness.
    pub late: f64,
    /// Cost of the visits left out.
    pub dropped: f64,
}

impl From<&CostParts> for CostReport {
    fn from(cost: &CostParts) -> Self {
        let minutes = |s: i64| s as f64 / 60.0;
        Self {
            objective: minutes(cost.total_s()),
            travel: minutes(cost.travel_s),
            risk: minutes(cost.risk_s),
            late: minutes(cost.late_s),
            dropped: minutes(cost.dropped_s),
        }
    }
}

/// What `plan-season` prints. Costs in minutes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlanReport {
    /// The plan.
    pub routes: Vec<RouteFile>,
    /// What it costs.
    #[serde(flatten)]
    pub cost: CostReport,
    /// Ids of the visits left out.
    pub unplaced: Vec<i64>,
    /// Why each was left out.
    pub reasons: Vec<UnplacedFile>,
    /// Iterations of the search.
    pub iterations: u64,
    /// Wall time, which the caller measured.
    pub seconds: f64,
}

/// One visit of a [`PlanReport`] that is left out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct UnplacedFile {
    /// The visit's id.
    pub id: i64,
    /// Why.
    pub reason: super::plan::UnplacedReason,
}

impl PlanReport {
    /// Writes a plan of a problem down.
    #[must_use]
    pub fn new(problem: &SeasonProblem, plan: &SeasonPlan, seconds: f64) -> Self {
        let id = |visit: usize| problem.visits[visit].id;
        Self {
            routes: PlanFile::new(problem, plan).routes,
            cost: CostReport::from(&plan.cost),
            unplaced: plan.unplaced.iter().map(|u| id(u.visit)).collect(),
            reasons: plan
                .unplaced
                .iter()
                .map(|u| UnplacedFile { id: id(u.visit), reason: u.reason })
                .collect(),
            iterations: plan.iterations,
            seconds,
        }
    }
}

/// What `check-season` prints. Costs in minutes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckReport {
    /// Whether every rule is kept.
    pub feasible: bool,
    /// What is broken, in words; visits by their index in the instance file.
    pub violations: Vec<String>,
    /// What it costs.
    #[serde(flatten)]
    pub cost: CostReport,
    /// Ids of the visits left out.
    pub unplaced: Vec<i64>,
}

impl CheckReport {
    /// Writes a report down.
    #[must_use]
    pub fn new(problem: &SeasonProblem, report: &crate::checker::Report) -> Self {
        Self {
            feasible: report.is_clean(),
            violations: report.violations.iter().map(ToString::to_string).collect(),
            cost: CostReport::from(&report.cost),
            unplaced: report.unplaced.iter().map(|&v| problem.visits[v].id).collect(),
        }
    }
}

impl PlanFile {
    /// The routes of a plan, by ids.
    #[must_use]
    pub fn new(problem: &SeasonProblem, plan: &SeasonPlan) -> Self {
        let routes = plan.sequences().into_iter().map(|(day, tech, visits)| RouteFile {
            day,
            tech,
            visits: visits.into_iter().map(|v| problem.visits[v].id).collect(),
        });
        Self { routes: routes.collect() }
    }

    /// The routes by index instead of id.
    ///
    /// # Errors
    /// If an id is not in the problem.
    pub fn sequences(
        &self,
        problem: &SeasonProblem,
    ) -> Result<Vec<(usize, usize, Vec<usize>)>, PlanningError> {
        let index: HashMap<i64, usize> =
            problem.visits.iter().enumerate().map(|(i, visit)| (visit.id, i)).collect();
        let find = |id: &i64| {
            index.get(id).copied().ok_or_else(|| {
                PlanningError::Content(format!(
                    "the plan names visit {id}, which the problem lacks"
                ))
            })
        };
        self.routes
            .iter()
            .map(|r| Ok((r.day, r.tech, r.visits.iter().map(find).collect::<Result<_, _>>()?)))
            .collect()
    }
}

/// Reads a plan.
///
/// # Errors
/// If the text is not such a plan, with line and column.
pub fn parse_plan(text: &str) -> Result<PlanFile, PlanningError> {
    serde_json::from_str(text).map_err(|error| syntax(&error))
}

/// Reads an instance.
///
/// # Errors
/// If the text is not such an instance, or contradicts itself.
pub fn parse_instance(text: &str) -> Result<SeasonProblem, PlanningError> {
    let file: InstanceFile = serde_json::from_str(text).map_err(|error| syntax(&error))?;
    if file.days == 0 {
        return Err(PlanningError::NoDays);
    }
    if file.days > super::problem::MAX_SLOTS {
        let limit = super::problem::MAX_SLOTS;
        return Err(PlanningError::TooMany { what: "days", count: file.days, limit });
    }
    if file.heat_ppm.len() != file.days {
        return Err(PlanningError::Content(format!(
            "heat_ppm has {} values for {} days; give one a day",
            file.heat_ppm.len(),
            file.days
        )));
    }
    if file.heat_ppm.iter().any(|heat| !(0..=1_000_000).contains(heat)) {
        return Err(PlanningError::Content(
            "heat_ppm values must lie between 0 and 1000000".into(),
        ));
    }
    if file.visits.len() > super::problem::MAX_VISITS {
        return Err(PlanningError::TooMany {
            what: "visits",
            count: file.visits.len(),
            limit: super::problem::MAX_VISITS,
        });
    }
    let mut places = Places::default();
    let mut skills = Skills::default();
    let technicians = file
        .techs
        .iter()
        .enumerate()
        .map(|(index, tech)| technician(&file, index, tech, &mut places, &mut skills))
        .collect::<Result<Vec<_>, _>>()?;
    let mut seen = HashMap::new();
    let mut visits = Vec::with_capacity(file.visits.len());
    for (index, from) in file.visits.iter().enumerate() {
        if let Some(first) = seen.insert(from.id, index) {
            return Err(PlanningError::Visit {
                visit: index,
                id: from.id,
                problem: format!("its id is already that of visit {first}; ids must differ"),
            });
        }
        visits.push(visit(&file, index, from, &mut places, &mut skills)?);
    }
    let travel = TravelTable::build(&PlanarMetres { positions_m: places.list })?;
    let problem = SeasonProblem {
        days: file.days,
        travel,
        profile: None,
        technicians,
        visits,
        late_cost_per_day_s: file.late_s_per_day,
        fairness: None,
    };
    problem.validate()?;
    Ok(problem)
}

fn technician(
    file: &InstanceFile,
    index: usize,
    tech: &TechnicianFile,
    places: &mut Places,
    skills: &mut Skills,
) -> Result<Technician, PlanningError> {
    if let Some(day) = tech.off_days.iter().find(|&&day| day >= file.days) {
        return Err(PlanningError::Technician {
            technician: index,
            problem: format!("off day {day} is not below {}", file.days),
        });
    }
    let home = places.index(tech.x, tech.y);
    let shift = Shift { start_s: tech.start_s, end_s: tech.end_s, pause: None };
    let set = tech
        .skills
        .iter()
        .try_fold(SkillSet::NONE, |set, name| Ok::<_, PlanningError>(set.and(skills.set(name)?)))?;
    Ok(Technician {
        start_location: home,
        end_location: home,
        shifts: (0..file.days).map(|d| (!tech.off_days.contains(&d)).then_some(shift)).collect(),
        skills: set,
    })
}

fn visit(
    file: &InstanceFile,
    index: usize,
    from: &VisitFile,
    places: &mut Places,
    skills: &mut Skills,
) -> Result<Visit, PlanningError> {
    let wrong = |problem: String| PlanningError::Visit { visit: index, id: from.id, problem };
    if from.due > from.last || from.last >= file.days {
        return Err(wrong(format!(
            "due day {} and last day {} must ascend and stay below {}",
            from.due, from.last, file.days
        )));
    }
    if !(0..=MAX_COST_S).contains(&from.risk_s) {
        return Err(wrong(format!("risk_s must lie between 0 and {MAX_COST_S}")));
    }
    if [from.tw_s.0, from.tw_s.1].iter().any(|t| !(0..=LAST_SECOND).contains(t)) {
        return Err(wrong(format!("tw_s must lie between 0 and {LAST_SECOND}")));
    }
    let late = file.late_s_per_day.saturating_mul((from.last - from.due) as i64);
    let drop_cost_s = from.risk_s.saturating_add(late).saturating_add(file.drop_base_s);
    Ok(Visit {
        skills: skills.set(&from.skill)?,
        due_day: Some(from.due),
        risk_cost_s: file.heat_ppm.iter().map(|heat| from.risk_s * heat / 1_000_000).collect(),
        drop_cost_s,
        pin: Pin::default(),
        ..Visit::plain(
            from.id,
            places.index(from.x, from.y),
            from.duration_s,
            from.days.clone(),
            Window { start_s: from.tw_s.0, end_s: from.tw_s.1 },
        )
    })
}

/// Places without repetition.
#[derive(Default)]
struct Places {
    list: Vec<(i32, i32)>,
    index: HashMap<(i32, i32), usize>,
}

impl Places {
    fn index(&mut self, x: i32, y: i32) -> usize {
        let next = self.list.len();
        let index = *self.index.entry((x, y)).or_insert(next);
        if index == next {
            self.list.push((x, y));
        }
        index
    }
}

/// Names of skills in order of first use.
#[derive(Default)]
struct Skills(Vec<String>);

impl Skills {
    fn set(&mut self, name: &str) -> Result<SkillSet, PlanningError> {
        let index = self.0.iter().position(|known| known == name).unwrap_or_else(|| {
            self.0.push(name.to_owned());
            self.0.len() - 1
        });
        if index >= 64 {
            return Err(PlanningError::TooMany { what: "skills", count: index + 1, limit: 64 });
        }
        Ok(SkillSet::of(index as u8))
    }
}

fn syntax(error: &serde_json::Error) -> PlanningError {
    PlanningError::Syntax { line: error.line(), column: error.column(), problem: error.to_string() }
}
