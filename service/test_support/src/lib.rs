//! Throw-away databases of both kinds, for the tests of every room that stores.
//!
//! ```no_run
//! use hotspell_test_support::{DatabaseKind, TestDatabase};
//!
//! for kind in TestDatabase::KINDS {
//!     let database = TestDatabase::new(kind);
//!     let store = database.store();
//! }
//! ```
//!
//! PostgreSQL is taken from `HOTSPELL_TEST_POSTGRES_URL` (a URL whose user may create databases)
//! or started by the test process itself, once, from the server programs found in `PATH` or
//! `/usr/lib/postgresql`. Each test gets a database of its own, copied from a migrated template
//! and dropped afterwards. A machine without PostgreSQL fails the test: it is never skipped.

// A library for tests: an assumption that fails is a failed test.
#![allow(
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "only tests use this crate"
)]

mod cluster;

use std::sync::atomic::{AtomicU32, Ordering};

use hotspell_domain::TemperatureUnit;
use hotspell_store::WeekdaySet;
use hotspell_store::branches::BranchFields;
pub use hotspell_store::{DatabaseKind, Store};

use cluster::Cluster;

static NUMBER: AtomicU32 = AtomicU32::new(0);

/// A branch with nothing but what every branch has, for tests that need one to hang rows on.
#[must_use]
pub fn branch_fields(key: &str) -> BranchFields {
    BranchFields {
        key: key.to_owned(),
        name: format!("Branch {key}"),
        time_zone: chrono_tz::America::Phoenix,
        station_id: None,
        temperature_unit: TemperatureUnit::DegF,
        degree_day_base: 65.0,
        depot_latitude_degrees: None,
        depot_longitude_degrees: None,
        postal_address: "1 Depot Road".to_owned(),
        phone: None,
        reply_to: None,
        quiet_from: None,
        quiet_until: None,
        working_weekdays: WeekdaySet::MONDAY_TO_FRIDAY,
        mains_hertz: 60.0,
    }
}

/// A migrated, empty database that vanishes when dropped.
pub struct TestDatabase {
    kind: DatabaseKind,
    url: String,
    store: Option<Store>,
    postgres_name: Option<String>,
    _directory: tempfile::TempDir,
}

impl TestDatabase {
    /// Both kinds, for tests that run on each.
    pub const KINDS: [DatabaseKind; 2] = [DatabaseKind::Sqlite, DatabaseKind::Postgres];

    /// A migrated, empty database.
    ///
    /// # Panics
    /// When it cannot be made.
    #[must_use]
    pub fn new(kind: DatabaseKind) -> Self {
        Self::make(kind, true)
    }

    /// A database without any table.
    ///
    /// # Panics
    /// When it cannot be made.
    #[must_use]
    pub fn unmigrated(kind: DatabaseKind) -> Self {
        Self::make(kind, false)
    }

    fn make(kind: DatabaseKind, migrated: bool) -> Self {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let (url, postgres_name) = match kind {
            DatabaseKind::Sqlite => {
                (format!("sqlite:{}", directory.path().join("test.db").display()), None)
            }
            DatabaseKind::Postgres => {
                let name = format!("test_{}_{number}", std::process::id());
                let cluster = Cluster::shared();
                cluster.create_database(&name, migrated);
                (cluster.url(&name), Some(name))
            }
        };
        let options = hotspell_store::StoreOptions::default();
        let store = Store::connect(&url, options).expect("the test database opens");
        if migrated && kind == DatabaseKind::Sqlite {
            store.migrate().expect("the test database is migrated");
        }
        Self { kind, url, store: Some(store), postgres_name, _directory: directory }
    }

    /// Which kind it is.
    #[must_use]
    pub const fn kind(&self) -> DatabaseKind {
        self.kind
    }

    /// Its URL, for a process under test.
    #[must_use]
    pub fn url(&self) -> &str {
        &self.url
    }

    /// Its store. Drop every clone before the database.
    ///
    /// # Panics
    /// Never: the store is there until the database is dropped.
    #[must_use]
    pub fn store(&self) -> Store {
        self.store.clone().expect("present until drop")
    }
}

impl Drop for TestDatabase {
    fn drop(&mut self) {
        self.store = None;
        if let Some(name) = &self.postgres_name {
            Cluster::shared().drop_database(name);
        }
    }
}
