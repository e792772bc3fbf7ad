//! Planning for a branch: the season plan, day routes, repair of a plan, and a checker written apart.
//!
//! Pure: no files, no clock; randomness by seed. Times are whole seconds of the local day, costs whole
//! seconds of a technician's time. The problem and its file forms are stated in `docs/planning.md`.

pub mod budget;
pub mod checker;
pub mod day;
pub mod difference;
mod engine;
pub mod error;
pub mod figures;
pub mod gap;
pub mod insertion;
mod look;
pub mod no_cool;
pub mod offers;
#[doc(hidden)]
pub mod probe;
pub mod reasons;
pub mod repair;
pub mod season;
pub mod stability;
pub mod staffing;
pub mod travel;

pub use budget::{Budget, Progress};
pub use error::PlanningError;
