//! The search behind season plans and day routes: ruin and recreate (SISR: Christiaens and Vanden Berghe
//! 2020, Slack induction by string removals for vehicle routing problems, Transportation Science 54,
//! 417-433) under simulated annealing, on integer times in flat arrays, exact at every step.
//!
//! A **slot** is one vehicle or one technician-day. Everything that depends on the day or the person is a
//! cost of the pair of visit and slot, so that choosing the day and routing are one move.

pub(crate) mod anneal;
pub(crate) mod dice;
pub(crate) mod gaps;
pub(crate) mod model;
pub(crate) mod route;
pub(crate) mod search;

pub(crate) use anneal::{Schedule, anneal};
pub(crate) use dice::Dice;
pub(crate) use model::{Model, ModelBuilder, Slot};
pub(crate) use search::{Search, Settings, Solution};
