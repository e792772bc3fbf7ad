//! What can be wrong with a problem, said so that it can be mended.

use thiserror::Error;

/// Why a problem cannot be planned as given.
#[derive(Debug, Error, PartialEq, Eq, Clone)]
#[non_exhaustive]
pub enum PlanningError {
    /// There is nothing to plan on.
    #[error("the problem has no days; give at least one working day")]
    NoDays,
    /// A size limit that bounds memory.
    #[error("{count} {what} are more than the {limit} that one plan can hold; split the problem")]
    TooMany {
        /// What there is too much of.
        what: &'static str,
        /// How many were given.
        count: usize,
        /// How many can be held.
        limit: usize,
    },
    /// A travel matrix of the wrong size.
    #[error("the travel matrix has {cells} cells; {locations} locations need {}", locations * locations)]
    MatrixSize {
        /// Number of locations.
        locations: usize,
        /// Number of cells given.
        cells: usize,
    },
    /// A travel time that cannot be.
    #[error(
        "travel from location {from} to {to} is {seconds} s; it must be 0 in place, and between 0 and {} s",
        crate::travel::MAX_TRAVEL_S
    )]
    TravelTime {
        /// Location index.
        from: usize,
        /// Location index.
        to: usize,
        /// Value given.
        seconds: i32,
    },
    /// A time-of-day profile that cannot be read.
    #[error("time-of-day factors need ascending starts and 25 to 1000 per cent")]
    DayProfile,
    /// Something is wrong with one technician.
    #[error("technician {technician}: {problem}")]
    Technician {
        /// Index of the technician.
        technician: usize,
        /// What is wrong and what would be right.
        problem: String,
    },
    /// Something is wrong with one visit.
    #[error("visit {visit} (id {id}): {problem}")]
    Visit {
        /// Index of the visit.
        visit: usize,
        /// The caller's id of it.
        id: i64,
        /// What is wrong and what would be right.
        problem: String,
    },
    /// A file that is not what it should be.
    #[error("line {line}, column {column}: {problem}")]
    Syntax {
        /// Line, from 1.
        line: usize,
        /// Column, from 1; 0 if the line as a whole is meant.
        column: usize,
        /// What is wrong.
        problem: String,
    },
    /// A file that reads well but contradicts itself.
    #[error("{0}")]
    Content(String),
}
