//! deploy/backup: a copy made while the service runs is a database that the service runs on.

use std::path::Path;

use harness::Setup;
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::json;
use tokio::process::Command;

use crate::lifecycle::{empty, example};

async fn backup(url: &str, folder: &Path) -> std::process::Output {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/backup");
    let mut command = Command::new(script);
    command.env("HOTSPELL_DATABASE__URL", url).env("HOTSPELL_BACKUP_FOLDER", folder);
    command.output().await.unwrap()
}

#[tokio::test]
async fn a_copy_of_a_running_service_is_a_service_of_its_own() {
    for kind in TestDatabase::KINDS {
        let (setup, database) = empty(kind);
        setup.add_branch().await;
        let token = setup.add_account("office", &[]).await;
        let daemon = setup.start().await;
        let office = daemon.client(Some(&token));
        let body = example(&office, "SiteInput", json!({ "key": "S-1" })).await;
        office.post("/api/v1/sites", &body).await.json(201);

        let made = backup(database.url(), &setup.path("copies")).await;
        assert!(made.status.success(), "{kind:?}: {}", String::from_utf8_lossy(&made.stderr));
        let copy = String::from_utf8(made.stdout).unwrap().trim().to_owned();
        assert!(Path::new(&copy).is_file(), "{copy}");

        let (restored, _kept) = restore(kind, &copy).await;
        let daemon = restored.start().await;
        let sites = daemon.client(Some(&token)).all("/api/v1/sites").await;
        assert_eq!(sites.len(), 1, "{kind:?}");
    }
}

async fn restore(kind: DatabaseKind, copy: &str) -> (Setup, Option<TestDatabase>) {
    match kind {
        DatabaseKind::Sqlite => (Setup::new(Some(&format!("sqlite:{copy}"))), None),
        DatabaseKind::Postgres => {
            let (setup, database) = empty(kind);
            let restored = Command::new("pg_restore")
                .args(["--no-owner", "--exit-on-error", "--dbname", database.url(), copy])
                .status();
            assert!(restored.await.unwrap().success());
            (setup, Some(database))
        }
    }
}

#[tokio::test]
async fn a_backup_of_nothing_says_so_and_leaves_nothing() {
    let setup = Setup::new(None);
    let missing = format!("sqlite:{}", setup.path("not-there.db").display());
    let made = backup(&missing, &setup.path("copies")).await;
    assert!(!made.status.success());
    assert!(String::from_utf8_lossy(&made.stderr).contains("not-there.db"));
    assert_eq!(std::fs::read_dir(setup.path("copies")).unwrap().count(), 0);
}
