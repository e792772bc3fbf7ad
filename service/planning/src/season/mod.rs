//! The season plan: which visit on which day, by which technician, in which order.

pub mod compile;
pub mod instance;
pub mod plan;
pub mod problem;
mod solve;

pub use instance::{PlanFile, parse_instance, parse_plan};
pub use plan::{CostParts, Route, SeasonPlan, Stop, Unplaced, UnplacedReason};
pub use problem::{
    Break, Fairness, Pin, Promise, SeasonProblem, Shift, SkillSet, Technician, Visit, Window,
};
pub use solve::{Budget, Progress, plan, plan_from};
