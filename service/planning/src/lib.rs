//! Planning for a branch: the season plan, day routes, repair of a plan, and a checker written apart.
//!
//! Pure: no files, no clock; randomness by seed. Times are whole seconds of the local day, costs whole
//! seconds of a technician's time. The problem and its file forms are stated in `docs/planning.md`.

pub mod checker;
mod engine;
pub mod error;
pub mod season;
pub mod travel;

pub use error::PlanningError;
