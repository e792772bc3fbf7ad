//! The migrations of both databases, embedded in the program and run at its start.

use diesel::connection::SimpleConnection;
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

use crate::connection::{AnyConnection, MIGRATION_LOCK};
use crate::error::StoreError;

const SQLITE: EmbeddedMigrations = embed_migrations!("../../migrations/sqlite");
const POSTGRES: EmbeddedMigrations = embed_migrations!("../../migrations/postgres");

fn failed(error: impl core::fmt::Display) -> StoreError {
    StoreError::Unexpected(format!("migration failed: {error}"))
}

fn applied(
    result: Result<
        Vec<diesel::migration::MigrationVersion<'_>>,
        Box<dyn core::error::Error + Send + Sync>,
    >,
) -> Result<Vec<String>, StoreError> {
    let versions = result.map_err(failed)?;
    Ok(versions.iter().map(ToString::to_string).collect())
}

/// One process at a time: several that start together on one database must not trip over each
/// other's half-made tables.
fn alone(
    conn: &mut AnyConnection,
    work: impl FnOnce(&mut AnyConnection) -> Result<Vec<String>, StoreError>,
) -> Result<Vec<String>, StoreError> {
    match conn {
        AnyConnection::Sqlite(_) => crate::connection::write(conn, work),
        AnyConnection::Postgres(c) => {
            // Waiting for another process's migrations may take longer than a query may.
            c.batch_execute("SET lock_timeout = 0; SET statement_timeout = 0")?;
            c.batch_execute(&format!("SELECT pg_advisory_lock({MIGRATION_LOCK})"))?;
            let outcome = work(conn);
            conn.batch_execute(&format!("SELECT pg_advisory_unlock({MIGRATION_LOCK})"))?;
            outcome
        }
    }
}

/// Brings the schema up to date; names the migrations that were run.
pub(crate) fn up(conn: &mut AnyConnection) -> Result<Vec<String>, StoreError> {
    alone(conn, |conn| match conn {
        AnyConnection::Postgres(c) => applied(c.run_pending_migrations(POSTGRES)),
        AnyConnection::Sqlite(c) => applied(c.run_pending_migrations(SQLITE)),
    })
}

/// Takes every migration back, and all data with it.
pub(crate) fn down(conn: &mut AnyConnection) -> Result<Vec<String>, StoreError> {
    alone(conn, |conn| match conn {
        AnyConnection::Postgres(c) => applied(c.revert_all_migrations(POSTGRES)),
        AnyConnection::Sqlite(c) => applied(c.revert_all_migrations(SQLITE)),
    })
}

/// How many migrations are still to be run.
pub(crate) fn pending(conn: &mut AnyConnection) -> Result<usize, StoreError> {
    let count = match conn {
        AnyConnection::Postgres(c) => c.pending_migrations(POSTGRES).map_err(failed)?.len(),
        AnyConnection::Sqlite(c) => c.pending_migrations(SQLITE).map_err(failed)?.len(),
    };
    Ok(count)
}
