//! Migrations up, down and up again, and by several at once.

use hotspell_store::{Store, StoreOptions};
use hotspell_test_support::{DatabaseKind, TestDatabase};

/// How many there are: a folder each.
fn migrations(kind: DatabaseKind) -> usize {
    let name = match kind {
        DatabaseKind::Sqlite => "sqlite",
        DatabaseKind::Postgres => "postgres",
    };
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../migrations/");
    let count = std::fs::read_dir(format!("{folder}{name}")).unwrap().count();
    assert!(count > 5, "{kind:?}: only {count} migrations");
    count
}

#[test]
fn every_migration_can_be_taken_back_and_made_again() {
    for kind in TestDatabase::KINDS {
        let database = TestDatabase::unmigrated(kind);
        let store = database.store();
        assert!(store.ready().is_err(), "{kind:?}: not ready before its migrations");
        assert_eq!(store.migrate().unwrap().len(), migrations(kind), "{kind:?}");
        store.ready().unwrap();
        assert_eq!(store.revert_all().unwrap().len(), migrations(kind), "{kind:?}");
        assert_eq!(store.migrate().unwrap().len(), migrations(kind), "{kind:?}");
        assert!(store.migrate().unwrap().is_empty(), "{kind:?}: again is harmless");
        store.ready().unwrap();
    }
}

#[test]
fn several_that_start_at_once_do_not_trip_over_each_other() {
    for kind in TestDatabase::KINDS {
        let database = TestDatabase::unmigrated(kind);
        let url = database.url();
        let ran: usize = std::thread::scope(|scope| {
            let starters: Vec<_> = (0..4)
                .map(|_| {
                    scope.spawn(move || {
                        let options = StoreOptions { pool_size: 1, ..StoreOptions::default() };
                        Store::connect(url, options).unwrap().migrate().unwrap().len()
                    })
                })
                .collect();
            starters.into_iter().map(|starter| starter.join().unwrap()).sum()
        });
        assert_eq!(ran, migrations(kind), "{kind:?}: each migration ran once");
    }
}
