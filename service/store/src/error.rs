//! What can go wrong in the store, sorted in one place.

use diesel::result::{DatabaseErrorInformation, DatabaseErrorKind, Error as DieselError};

/// A refusal or failure of the store. Callers decide by the variant, never by the text.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No such row in the branch.
    #[error("there is no such {0}")]
    NotFound(&'static str),
    /// A row with the same key, or another living occupant of the same place, is already there.
    #[error("conflicts with a row that is already there: {what}")]
    Conflict {
        /// The table and columns, or the name of the rule.
        what: String,
    },
    /// The row was changed since the caller read it.
    #[error("the {what} has changed: its version is {found}, not {expected}")]
    StaleVersion {
        /// What kind of row.
        what: &'static str,
        /// The version that the caller had read.
        expected: i64,
        /// The version that is stored.
        found: i64,
    },
    /// The row names another row that does not exist, or is still named by one.
    #[error("names a row that does not exist, or is still named by another: {0}")]
    ForeignKey(String),
    /// A rule of the table is broken, such as an end before a beginning.
    #[error("breaks a rule of the table: {0}")]
    Check(String),
    /// The database cannot be reached, is busy, or took too long. Trying again may help.
    #[error("the database is not available: {0}")]
    Unavailable(String),
    /// A fault of the program or of the stored data.
    #[error("the database failed: {0}")]
    Unexpected(String),
}

/// Texts by which both databases say «not now» without an error kind of their own.
const NOT_NOW: &[&str] = &[
    "database is locked",
    "database table is locked",
    "statement timeout",
    "lock timeout",
    "deadlock detected",
    "the database system is",
    "terminating connection",
    "server closed the connection",
    "no connection to the server",
    "too many clients",
];

/// Texts of the triggers and limits that guard a table.
const RULES: &[&str] = &["is append only", "readonly database", "read-only transaction"];

impl StoreError {
    fn from_database(kind: &DatabaseErrorKind, info: &dyn DatabaseErrorInformation) -> Self {
        let message = info.message();
        let what = || info.constraint_name().unwrap_or(message).to_owned();
        match kind {
            DatabaseErrorKind::UniqueViolation => Self::Conflict { what: what() },
            DatabaseErrorKind::ForeignKeyViolation => Self::ForeignKey(what()),
            DatabaseErrorKind::CheckViolation | DatabaseErrorKind::NotNullViolation => {
                Self::Check(what())
            }
            DatabaseErrorKind::SerializationFailure
            | DatabaseErrorKind::ClosedConnection
            | DatabaseErrorKind::UnableToSendCommand => Self::Unavailable(message.to_owned()),
            _ if NOT_NOW.iter().any(|text| message.contains(text)) => {
                Self::Unavailable(message.to_owned())
            }
            _ if RULES.iter().any(|text| message.contains(text)) => Self::Check(message.to_owned()),
            _ => Self::Unexpected(message.to_owned()),
        }
    }
}

impl From<DieselError> for StoreError {
    fn from(error: DieselError) -> Self {
        match error {
            DieselError::DatabaseError(kind, info) => Self::from_database(&kind, info.as_ref()),
            DieselError::NotFound => Self::NotFound("row"),
            DieselError::BrokenTransactionManager => Self::Unavailable(error.to_string()),
            other => Self::Unexpected(other.to_string()),
        }
    }
}
