//! The season plan: which visit on which day, by which technician, in which order.

pub(crate) mod compile;
pub mod instance;
pub(crate) mod one_day;
pub mod plan;
pub mod problem;
mod solve;
mod start;

pub use crate::budget::{Budget, Progress};
pub use instance::{CheckReport, CostReport, PlanFile, PlanReport, parse_instance, parse_plan};
pub use plan::{CostParts, Route, SeasonPlan, Stop, Unplaced, UnplacedReason};
pub use problem::{
    Break, Fairness, Pin, Promise, SeasonProblem, Shift, SkillSet, Technician, Visit, Window,
};
pub use solve::{iterations_for, plan, plan_days_from, plan_from, plan_of, plan_placing};
