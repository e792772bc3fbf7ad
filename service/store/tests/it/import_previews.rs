//! Files that are looked at before they are imported.

use chrono::TimeDelta;
use hotspell_domain::{AccountId, Role};
use hotspell_store::accounts::{self, AccountFields};
use hotspell_store::import_previews::{self, NewPreview, PreviewFile};
use hotspell_store::{Store, StoreError};
use serde_json::json;

use crate::fixture::{Fixture, fixture, now, on_both};

fn account(store: &Store, f: &Fixture) -> AccountId {
    let fields = AccountFields {
        name: "Office".to_owned(),
        email: "desk@example.com".to_owned(),
        role: Role::Office,
        password_hash: None,
        technician_id: None,
        contact_id: None,
        disabled: false,
    };
    store.write::<_, StoreError>(|c| accounts::insert(c, f.branch, &fields, now())).unwrap().id
}

fn preview(account: AccountId, digest: char, files: usize) -> NewPreview {
    let file = |number: usize| PreviewFile {
        digest: number.to_string().repeat(64),
        content: vec![u8::try_from(number).unwrap(), 0, 255],
    };
    NewPreview {
        account_id: account,
        digest: digest.to_string().repeat(64),
        outcome: json!([{ "name": "sites.csv" }]),
        expires_at: now() + TimeDelta::hours(2),
        files: (1..=files).map(file).collect(),
    }
}

on_both! {
    fn the_bytes_come_back_in_their_order_until_they_are_imported_once(store: &Store) {
        let f = fixture(store);
        let new = preview(account(store, &f), 'a', 3);
        store.write(|c| import_previews::insert(c, f.branch, &new, now())).unwrap();
        // The same files again take the place of the first.
        store.write(|c| import_previews::insert(c, f.branch, &new, now())).unwrap();
        let (found, files) = store.read(|c| {
            let found = import_previews::find(c, f.branch, &new.digest)?.unwrap();
            let files = import_previews::files(c, f.branch, found.id)?;
            Ok::<_, StoreError>((found, files))
        }).unwrap();
        assert_eq!((&found.outcome, &files), (&new.outcome, &new.files));
        assert_eq!((found.made_at, found.imported_at), (now(), None));
        let done = json!("done");
        store.write(|c| import_previews::close(c, f.branch, found.id, &done, now())).unwrap();
        let again = store.write(|c| import_previews::close(c, f.branch, found.id, &done, now()));
        assert!(matches!(again, Err(StoreError::Conflict { .. })), "{again:?}");
        let (found, files) = store.read(|c| {
            let found = import_previews::find(c, f.branch, &new.digest)?.unwrap();
            let files = import_previews::files(c, f.branch, found.id)?;
            Ok::<_, StoreError>((found, files))
        }).unwrap();
        assert_eq!((found.outcome, found.imported_at, files), (done, Some(now()), Vec::new()));
    }

    fn previews_are_listed_newest_first_and_each_can_be_forgotten(store: &Store) {
        let f = fixture(store);
        let own = account(store, &f);
        for (minute, digest) in (0..).zip(['a', 'c', 'b']) {
            let at = now() + TimeDelta::minutes(minute);
            store.write(|c| import_previews::insert(c, f.branch, &preview(own, digest, 1), at)).unwrap();
        }
        let listed = || {
            let all = store.read(|c| import_previews::newest_first(c, f.branch)).unwrap();
            all.iter().map(|it| it.digest.chars().next().unwrap()).collect::<String>()
        };
        assert_eq!(listed(), "bca");
        let forgotten = "c".repeat(64);
        // Once, and again without complaint.
        for _ in 0..2 {
            store.write(|c| import_previews::forget(c, f.branch, &forgotten)).unwrap();
        }
        assert_eq!(listed(), "ba");
    }

    fn what_has_run_out_is_forgotten_and_nothing_else(store: &Store) {
        let f = fixture(store);
        let own = account(store, &f);
        let (old, new) = (preview(own, 'a', 1), preview(own, 'b', 1));
        store.write(|c| {
            import_previews::insert(c, f.branch, &old, now())?;
            let later = NewPreview { expires_at: now() + TimeDelta::hours(3), ..new.clone() };
            import_previews::insert(c, f.branch, &later, now())
        }).unwrap();
        let at = now() + TimeDelta::minutes(150);
        assert_eq!(store.write(|c| import_previews::forget_before(c, at)).unwrap(), 1);
        let left = store.read(|c| {
            Ok::<_, StoreError>([
                import_previews::find(c, f.branch, &old.digest)?.is_some(),
                import_previews::find(c, f.branch, &new.digest)?.is_some(),
            ])
        }).unwrap();
        assert_eq!(left, [false, true]);
    }
}
