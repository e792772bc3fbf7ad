//! The store: one database, a pool of connections, reading and writing transactions.

use core::time::Duration;

use diesel::connection::SimpleConnection;
use diesel::r2d2::{ManageConnection, Pool, PooledConnection};
use diesel::{Connection, ConnectionError, PgConnection, SqliteConnection};

use crate::connection::{self, AnyConnection};
use crate::error::StoreError;
use crate::migrations;

/// Which database a URL means.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Target {
    Sqlite(String),
    Postgres(String),
}

/// How the store uses its database.
#[derive(Debug, Clone)]
pub struct StoreOptions {
    /// Connections kept at most.
    pub pool_size: u32,
    /// How long a caller waits for a free connection.
    pub pool_timeout: Duration,
    /// How long a writer waits for another one's lock.
    pub lock_timeout: Duration,
    /// How long one statement may run (PostgreSQL only; SQLite has no such limit).
    pub statement_timeout: Duration,
}

impl Default for StoreOptions {
    fn default() -> Self {
        Self {
            pool_size: 8,
            pool_timeout: Duration::from_secs(5),
            lock_timeout: Duration::from_secs(5),
            statement_timeout: Duration::from_secs(30),
        }
    }
}

#[derive(Clone)]
struct Manager {
    target: Target,
    options: StoreOptions,
}

impl ManageConnection for Manager {
    type Connection = AnyConnection;
    type Error = StoreError;

    fn connect(&self) -> Result<AnyConnection, StoreError> {
        let lock = self.options.lock_timeout.as_millis();
        let refused = |error: ConnectionError| StoreError::Unavailable(error.to_string());
        match &self.target {
            Target::Sqlite(path) => {
                let mut conn = SqliteConnection::establish(path).map_err(refused)?;
                // busy_timeout first: the switch to WAL takes a lock. synchronous = FULL, since
                // a delivered notice must not be forgotten when the power fails.
                conn.batch_execute(&format!(
                    "PRAGMA busy_timeout = {lock}; PRAGMA journal_mode = WAL; \
                     PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;"
                ))?;
                Ok(AnyConnection::Sqlite(conn))
            }
            Target::Postgres(url) => {
                let mut conn = PgConnection::establish(url).map_err(refused)?;
                let statement = self.options.statement_timeout.as_millis();
                conn.batch_execute(&format!(
                    "SET timezone = 'UTC'; SET statement_timeout = {statement}; \
                     SET lock_timeout = {lock}; SET client_min_messages = warning;"
                ))?;
                Ok(AnyConnection::Postgres(conn))
            }
        }
    }

    fn is_valid(&self, conn: &mut AnyConnection) -> Result<(), StoreError> {
        Ok(conn.batch_execute("SELECT 1")?)
    }

    fn has_broken(&self, conn: &mut AnyConnection) -> bool {
        std::thread::panicking() || connection::is_broken(conn)
    }
}

/// One database. Cloning shares the pool.
#[derive(Clone)]
pub struct Store {
    pool: Pool<Manager>,
    manager: Manager,
    kind: DatabaseKind,
}

/// Which of the two databases a store is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DatabaseKind {
    /// Embedded.
    Sqlite,
    /// Server.
    Postgres,
}

fn target(url: &str) -> Result<Target, StoreError> {
    if url.starts_with("postgres://") || url.starts_with("postgresql://") {
        return Ok(Target::Postgres(url.to_owned()));
    }
    let path = url.strip_prefix("sqlite://").or_else(|| url.strip_prefix("sqlite:")).unwrap_or(url);
    if path.is_empty() || path.contains(":memory:") || path.contains("://") {
        return Err(StoreError::Unexpected(
            "expected a database URL such as sqlite:PATH (a file) or postgres://HOST/NAME"
                .to_owned(),
        ));
    }
    Ok(Target::Sqlite(path.to_owned()))
}

impl Store {
    /// Opens the database and brings its schema up to date.
    ///
    /// # Errors
    /// [`StoreError::Unexpected`] for a URL that is none or a failed migration,
    /// [`StoreError::Unavailable`] when the database cannot be reached.
    pub fn open(url: &str) -> Result<Self, StoreError> {
        Self::open_with(url, StoreOptions::default())
    }

    /// Opens with other limits than the default ones.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_with(url: &str, options: StoreOptions) -> Result<Self, StoreError> {
        let store = Self::connect(url, options)?;
        store.migrate()?;
        Ok(store)
    }

    /// Opens without touching the schema.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn connect(url: &str, options: StoreOptions) -> Result<Self, StoreError> {
        let target = target(url)?;
        let kind = match target {
            Target::Sqlite(_) => DatabaseKind::Sqlite,
            Target::Postgres(_) => DatabaseKind::Postgres,
        };
        let manager = Manager { target, options: options.clone() };
        // The first connection outside the pool: its error says more than the pool's time-out.
        drop(manager.connect()?);
        let pool = Pool::builder()
            .max_size(options.pool_size)
            .min_idle(Some(1))
            .connection_timeout(options.pool_timeout)
            .test_on_check_out(kind == DatabaseKind::Postgres)
            .build(manager.clone())
            .map_err(|error| StoreError::Unavailable(error.to_string()))?;
        Ok(Self { pool, manager, kind })
    }

    /// Which database it is.
    #[must_use]
    pub const fn kind(&self) -> DatabaseKind {
        self.kind
    }

    fn connection(&self) -> Result<PooledConnection<Manager>, StoreError> {
        self.pool.get().map_err(|error| StoreError::Unavailable(error.to_string()))
    }

    /// Brings the schema up to date; names the migrations that were run. Several processes may
    /// do this at once.
    ///
    /// # Errors
    /// [`StoreError::Unexpected`] when a migration fails.
    pub fn migrate(&self) -> Result<Vec<String>, StoreError> {
        migrations::up(&mut self.fresh()?)
    }

    /// Takes every migration back, and all data with it.
    ///
    /// # Errors
    /// [`StoreError::Unexpected`] when a migration fails.
    pub fn revert_all(&self) -> Result<Vec<String>, StoreError> {
        migrations::down(&mut self.fresh()?)
    }

    /// A connection of its own, so that a session's changed settings never reach the pool.
    fn fresh(&self) -> Result<AnyConnection, StoreError> {
        self.manager.connect()
    }

    /// Whether the database answers and its schema is up to date.
    ///
    /// # Errors
    /// [`StoreError::Unavailable`] when it does not answer or migrations are missing.
    pub fn ready(&self) -> Result<(), StoreError> {
        match migrations::pending(&mut *self.connection()?)? {
            0 => Ok(()),
            count => Err(StoreError::Unavailable(format!("{count} migrations are to be run"))),
        }
    }

    /// Several queries over one unchanging view.
    ///
    /// # Errors
    /// The work's own error, or that of the database.
    pub fn read<T, E: From<StoreError>>(
        &self,
        work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
    ) -> Result<T, E> {
        connection::read(&mut *self.connection()?, work)
    }

    /// Everything that the work does, or nothing when it returns an error.
    ///
    /// # Errors
    /// The work's own error, or that of the database.
    pub fn write<T, E: From<StoreError>>(
        &self,
        work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
    ) -> Result<T, E> {
        connection::write(&mut *self.connection()?, work)
    }

    /// A view in which every numbered change is committed: for readers of the change feed, who
    /// go on from the last number they saw.
    ///
    /// # Errors
    /// The work's own error, or that of the database.
    pub fn read_settled<T, E: From<StoreError>>(
        &self,
        work: impl FnOnce(&mut AnyConnection) -> Result<T, E>,
    ) -> Result<T, E> {
        connection::read_settled(&mut *self.connection()?, work)
    }

    /// Writes a copy of an SQLite database to a new file while the service goes on. PostgreSQL
    /// has its own tools for this.
    ///
    /// # Errors
    /// [`StoreError::Check`] on PostgreSQL or when the file exists.
    pub fn copy_to(&self, path: &str) -> Result<(), StoreError> {
        if self.kind == DatabaseKind::Postgres {
            return Err(StoreError::Check("copy a PostgreSQL database with pg_dump".to_owned()));
        }
        if std::path::Path::new(path).exists() {
            return Err(StoreError::Check(format!("{path} is already there")));
        }
        let quoted = path.replace('\'', "''");
        Ok(self.connection()?.batch_execute(&format!("VACUUM INTO '{quoted}'"))?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plain_path_is_an_embedded_database() {
        assert_eq!(target("data/hotspell.db").unwrap(), Target::Sqlite("data/hotspell.db".into()));
        assert_eq!(target("sqlite:/var/x.db").unwrap(), Target::Sqlite("/var/x.db".into()));
        assert_eq!(target("sqlite:///var/x.db").unwrap(), Target::Sqlite("/var/x.db".into()));
    }

    #[test]
    fn another_server_or_a_database_in_memory_is_refused() {
        for url in ["", "sqlite:", "sqlite::memory:", "mysql://localhost/x"] {
            assert!(target(url).is_err(), "{url}");
        }
    }
}
