//! Day routes: vehicles with a capacity from one depot to customers with time windows (VRPTW), in the
//! published instance text form. A branch's own day is a season of one day (see [`crate::season`]), with
//! several homes, skills and breaks; both run on the same search.

pub mod instance;
mod solve;
pub mod verify;

pub use instance::{Customer, Distances, Instance, parse};
pub use solve::{Goal, RouteReport, iterations_for, solve};
pub use verify::{Verdict, verify};
