//! Migrations up, down and up again, and by several at once.

use hotspell_store::{Store, StoreOptions};
use hotspell_test_support::TestDatabase;

const MIGRATIONS: usize = 6;

#[test]
fn every_migration_can_be_taken_back_and_made_again() {
    for kind in TestDatabase::KINDS {
        let database = TestDatabase::unmigrated(kind);
        let store = database.store();
        assert!(store.ready().is_err(), "{kind:?}: not ready before its migrations");
        assert_eq!(store.migrate().unwrap().len(), MIGRATIONS, "{kind:?}");
        store.ready().unwrap();
        assert_eq!(store.revert_all().unwrap().len(), MIGRATIONS, "{kind:?}");
        assert_eq!(store.migrate().unwrap().len(), MIGRATIONS, "{kind:?}");
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
        assert_eq!(ran, MIGRATIONS, "{kind:?}: each migration ran once");
    }
}
