//! One connection type over both databases, and the transactions that behave alike on both.

use diesel::connection::{
    AnsiTransactionManager, Connection, SimpleConnection, TransactionManager,
};
use diesel::{PgConnection, SqliteConnection};

use crate::error::StoreError;

/// A connection to either database. Every function of the store takes one and starts no
/// transaction: the caller's use case decides what belongs together.
#[derive(diesel::MultiConnection)]
pub enum AnyConnection {
    /// The server.
    Postgres(PgConnection),
    /// The embedded one.
    Sqlite(SqliteConnection),
}

type Manager = <AnyConnection as Connection>::TransactionManager;

/// Runs one body on whichever connection it is. Batch inserts, `on_conflict` and row locks do not
/// go through the enum.
macro_rules! each {
    ($conn:expr, $c:ident => $body:expr) => {
        match $conn {
            $crate::connection::AnyConnection::Postgres($c) => $body,
            $crate::connection::AnyConnection::Sqlite($c) => $body,
        }
    };
}
pub(crate) use each;

/// Held shared by every write transaction from its first statement, and alone by the reader of
/// the change feed, who so never overtakes a change that is numbered but not yet committed.
pub(crate) const CHANGE_FEED_LOCK: i64 = 0x0068_6f74_0000_0001;
/// Held alone while migrations run.
pub(crate) const MIGRATION_LOCK: i64 = 0x0068_6f74_0000_0002;
/// Held alone while a worker counts what leaves in a minute and takes its share.
pub(crate) const OUTBOX_LOCK: i64 = 0x0068_6f74_0000_0003;

/// Everything or nothing. SQLite begins with the write lock, since a transaction that turns into
/// a writer half-way fails at once; PostgreSQL runs at READ COMMITTED, so every change must say
/// in its WHERE what it relies on (a version, a state).
pub(crate) fn write<T, E: From<StoreError>>(
    conn: &mut AnyConnection,
    work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
) -> Result<T, E> {
    begin_write(conn)?;
    finish(conn, work)
}

fn begin_write(conn: &mut AnyConnection) -> Result<(), StoreError> {
    match conn {
        AnyConnection::Postgres(c) => {
            AnsiTransactionManager::begin_transaction_sql(c, "BEGIN")?;
            let lock = format!("SELECT pg_advisory_xact_lock_shared({CHANGE_FEED_LOCK})");
            if let Err(error) = c.batch_execute(&lock) {
                AnsiTransactionManager::rollback_transaction(c)?;
                return Err(error.into());
            }
        }
        AnyConnection::Sqlite(c) => {
            AnsiTransactionManager::begin_transaction_sql(c, "BEGIN IMMEDIATE")?;
        }
    }
    Ok(())
}

/// One unchanging view of the database for several queries; writing in it is refused.
pub(crate) fn read<T, E: From<StoreError>>(
    conn: &mut AnyConnection,
    work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
) -> Result<T, E> {
    begin_read(conn)?;
    let outcome = finish(conn, work);
    if let AnyConnection::Sqlite(c) = conn {
        c.batch_execute("PRAGMA query_only = OFF").map_err(StoreError::from)?;
    }
    outcome
}

fn begin_read(conn: &mut AnyConnection) -> Result<(), StoreError> {
    match conn {
        AnyConnection::Postgres(c) => AnsiTransactionManager::begin_transaction_sql(
            c,
            "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
        )?,
        AnyConnection::Sqlite(c) => {
            AnsiTransactionManager::begin_transaction_sql(c, "BEGIN DEFERRED")?;
            c.batch_execute("PRAGMA query_only = ON")?;
        }
    }
    Ok(())
}

fn finish<T, E: From<StoreError>>(
    conn: &mut AnyConnection,
    work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
) -> Result<T, E> {
    match work(conn) {
        Ok(value) => {
            Manager::commit_transaction(conn).map_err(StoreError::from)?;
            Ok(value)
        }
        Err(error) => {
            Manager::rollback_transaction(conn).map_err(StoreError::from)?;
            Err(error)
        }
    }
}

/// A part of a transaction that is taken back by itself when it fails, so that the rest can go on (a
/// savepoint). Only inside of a transaction.
///
/// # Errors
/// The work's own error, or that of the database.
pub fn attempt<T, E: From<StoreError>>(
    conn: &mut AnyConnection,
    work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
) -> Result<T, E> {
    Manager::begin_transaction(conn).map_err(StoreError::from)?;
    finish(conn, work)
}

/// Alone with the change feed, so that every numbered change is committed and in sight.
pub(crate) fn read_settled<T, E: From<StoreError>>(
    conn: &mut AnyConnection,
    work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
) -> Result<T, E> {
    if matches!(conn, AnyConnection::Sqlite(_)) {
        return read(conn, work);
    }
    let begin = |conn: &mut AnyConnection| -> Result<(), StoreError> {
        if let AnyConnection::Postgres(c) = conn {
            AnsiTransactionManager::begin_transaction_sql(c, "BEGIN")?;
            let lock = format!("SELECT pg_advisory_xact_lock({CHANGE_FEED_LOCK})");
            if let Err(error) = c.batch_execute(&lock) {
                AnsiTransactionManager::rollback_transaction(c)?;
                return Err(error.into());
            }
        }
        Ok(())
    };
    begin(conn)?;
    finish(conn, work)
}

/// Whether a transaction was left open, by a panic for example.
pub(crate) fn is_broken(conn: &mut AnyConnection) -> bool {
    Manager::is_broken_transaction_manager(conn)
        || each!(conn, c => {
            !matches!(
                AnsiTransactionManager::transaction_manager_status_mut(c).transaction_depth(),
                Ok(None)
            )
        })
}
