//! Use cases: load, compute with the pure rooms, save in one transaction.
//!
//! One file per case. A use case takes plain arguments (never a request), returns plain values
//! and refuses with [`AppError`]; the API and the pages call the same functions.

pub mod accounts;
pub mod adopt;
pub mod answers;
pub mod background;
pub mod bounces;
pub mod calendar;
pub mod calendar_feed;
pub mod call_list;
pub mod day;
pub mod day_routes;
pub mod decision;
pub mod delays;
pub mod delivery;
mod digest;
mod digest_changes;
pub mod explain;
pub mod exports;
pub mod fleet;
pub mod follow_up;
pub mod heat;
pub mod history;
pub mod homes;
pub mod import_confirm;
pub mod import_preview;
pub mod imports;
pub mod insertion;
pub mod judging;
pub mod late_weather;
pub mod letters;
pub mod loads;
pub mod missed;
pub mod no_cool;
pub mod notices;
pub mod outlook;
pub mod owed;
pub mod parts;
pub mod parts_ahead;
pub mod photos;
pub mod plan_change;
pub mod plan_compare;
pub mod plan_move;
mod position;
pub mod present;
pub mod proof;
pub mod record;
pub mod rehearsal;
pub mod renewal;
pub mod renewals;
pub mod repair;
pub mod replan;
pub mod results;
pub mod risk;
pub mod route_mail;
pub mod samples;
pub mod scores;
pub mod scoring;
pub mod scoring_run;
pub mod season_draft;
pub mod season_inputs;
pub mod season_plan;
pub mod season_problem;
pub mod slots;
pub mod staffing;
pub mod stations;
pub mod subscriptions;
pub mod telling;
pub mod token;
pub mod training;
mod undoing;
pub mod unfinished_imports;
pub mod visit_report;
pub mod way;
pub mod weather;
pub mod weather_report;
pub mod wording;

use hotspell_imports::ImportRefusal;
use hotspell_planning::PlanningError;
use hotspell_store::StoreError;

/// Why a use case was refused.
#[derive(Debug, thiserror::Error)]
pub enum AppError {
    /// There is no such thing in the branch.
    #[error("there is no {what} {id}")]
    NotFound {
        /// What was looked for.
        what: &'static str,
        /// Its id or key.
        id: String,
    },
    /// Fields are wrong; each names itself and what was expected.
    #[error("{}", .0.iter().map(|(field, detail)| format!("{field}: {detail}")).collect::<Vec<_>>().join("; "))]
    Invalid(Vec<(String, String)>),
    /// The stored state does not allow it; says what would be allowed.
    #[error("{0}")]
    Conflict(String),
    /// The account may not do this.
    #[error("{0}")]
    Forbidden(String),
    /// What is needed first is missing, such as weather before scoring.
    #[error("{0}")]
    NotReady(String),
    /// The work was stopped on request; says how far it came.
    #[error("{0}")]
    Stopped(String),
    /// A file was refused; says where and what was expected.
    #[error(transparent)]
    Import(ImportRefusal),
    /// The store refused or failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A fault of the program or its surroundings.
    #[error("{context}")]
    Internal {
        /// What was being done.
        context: String,
        /// The cause, for the log.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

impl From<ImportRefusal> for AppError {
    fn from(refusal: ImportRefusal) -> Self {
        match refusal {
            ImportRefusal::Stopped => Self::Stopped(refusal.to_string()),
            ImportRefusal::Store(error) => Self::Store(error),
            refusal => Self::Import(refusal),
        }
    }
}

impl AppError {
    /// Nothing under that id.
    pub fn not_found(what: &'static str, id: impl std::fmt::Display) -> Self {
        Self::NotFound { what, id: id.to_string() }
    }

    /// One wrong field.
    pub fn field(field: impl Into<String>, detail: impl std::fmt::Display) -> Self {
        Self::Invalid(vec![(field.into(), detail.to_string())])
    }

    /// Why the planner cannot plan: too much of something is the caller's matter, the rest is a fault.
    pub fn planning(context: &str, error: PlanningError) -> Self {
        match error {
            PlanningError::TooMany { .. } => Self::Conflict(error.to_string()),
            error => Self::internal(context, error),
        }
    }

    /// A fault with its cause.
    pub fn internal(
        context: impl Into<String>,
        source: impl Into<Box<dyn std::error::Error + Send + Sync>>,
    ) -> Self {
        Self::Internal { context: context.into(), source: source.into() }
    }
}
