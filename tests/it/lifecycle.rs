//! The process itself: it starts on an empty database, ends when asked, and comes back after a
//! power cut with everything that it had acknowledged.

use harness::{Client, Setup};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

/// A setup on an empty database of the given kind, which lives as long as the value beside it.
pub(crate) fn empty(kind: DatabaseKind) -> (Setup, TestDatabase) {
    let database = TestDatabase::unmigrated(kind);
    (Setup::new(Some(database.url())), database)
}

/// The example that the published document shows for a body, with some members changed.
pub(crate) async fn example(client: &Client, schema: &str, changes: Value) -> Value {
    let document = client.get("/openapi.json").await.json(200);
    let mut body = document["components"]["schemas"][schema]["example"].clone();
    assert!(body.is_object(), "{schema} has no example");
    for (name, value) in changes.as_object().unwrap() {
        body[name] = value.clone();
    }
    body
}

#[tokio::test]
async fn an_empty_database_becomes_a_service_with_two_commands() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        setup.add_branch().await;
        let token = setup.add_account("office", &[]).await;
        let daemon = setup.start().await;
        let office = daemon.client(Some(&token));
        let branches = office.all("/api/v1/branches").await;
        assert_eq!(branches.len(), 1, "{kind:?}");
        assert_eq!(branches[0]["key"], "test");
        assert!(daemon.stop().await, "{kind:?}: it ends well when asked");
    }
}

#[tokio::test]
async fn a_branch_is_told_its_depot_and_station_on_the_command_line() {
    let setup = Setup::new(None);
    let add = |key: &'static str, depot: &'static str| {
        vec![
            "branch",
            "add",
            "--key",
            key,
            "--name",
            key,
            "--time-zone",
            "America/Phoenix",
            "--postal-address",
            "1 Example Street",
            "--depot",
            depot,
            "--station",
            "USW00023183",
            "--station-at",
            "33.4278,-112.0037",
        ]
    };
    let refused = setup.run(&add("nowhere", "99.1,-112")).await;
    assert_eq!(refused.status, Some(2));
    assert!(refused.stderr.contains("latitude"), "{}", refused.stderr);
    setup.run(&add("main", "33.44,-112.02")).await.success();
    // Another branch of the same town goes by the same station.
    setup.run(&add("north", "-33.6,-112.02")).await.success();
    let token = setup.add_account("office", &["--branch", "north"]).await;
    let daemon = setup.start().await;
    let office = daemon.client(Some(&token));
    let branch = office.get("/api/v1/branches/2").await.json(200);
    assert_eq!(branch["depot"]["latitude_degrees"], -33.6, "{branch}");
    assert_eq!(branch["station_id"], 1, "{branch}");
    let stations = office.all("/api/v1/weather-stations").await;
    assert_eq!((stations.len(), &stations[0]["key"]), (1, &"USW00023183".into()));
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn what_was_acknowledged_survives_a_power_cut() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        setup.add_branch().await;
        let token = setup.add_account("office", &[]).await;
        let daemon = setup.start().await;
        let office = daemon.client(Some(&token));
        let mut acknowledged = Vec::new();
        for number in 0..20 {
            let key = format!("S-{number}");
            let body = example(&office, "SiteInput", json!({ "key": key })).await;
            let stored = office.post("/api/v1/sites", &body).await.json(201);
            acknowledged.push(stored["key"].as_str().unwrap().to_owned());
        }
        daemon.kill().await;

        let daemon = setup.start().await;
        let office = daemon.client(Some(&token));
        let sites = office.all("/api/v1/sites").await;
        let keys: Vec<_> = sites.iter().filter_map(|site| site["key"].as_str()).collect();
        assert_eq!(keys, acknowledged, "{kind:?}");
    }
}

#[tokio::test]
async fn processes_that_start_together_make_one_schema() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        let (first, second, third) = tokio::join!(setup.start(), setup.start(), setup.start());
        for daemon in [first, second, third] {
            assert_eq!(daemon.client(None).get("/readyz").await.status, 200, "{kind:?}");
        }
    }
}

#[tokio::test]
async fn nothing_is_open_without_a_token_but_health_and_documents() {
    let (setup, _database) = empty(DatabaseKind::Sqlite);
    setup.add_branch().await;
    let daemon = setup.start().await;
    let stranger = daemon.client(None);
    for open in ["/livez", "/readyz", "/openapi.json", "/docs/"] {
        assert_eq!(stranger.get(open).await.status, 200, "{open}");
    }
    let document = stranger.get("/openapi.json").await.json(200);
    let paths = document["paths"].as_object().unwrap();
    let closed: Vec<_> = paths.keys().filter(|path| path.starts_with("/api/")).collect();
    assert!(closed.len() > 20, "{closed:?}");
    for path in closed {
        let path = path.replace(|letter| "{}".contains(letter), "");
        let path = path.split('/').map(|part| if part.ends_with("_id") { "1" } else { part });
        let path = path.collect::<Vec<_>>().join("/");
        let answer = stranger.get(&path).await;
        // A path that has no GET answers 405 before it asks who is there.
        assert!([401, 405].contains(&answer.status), "{path}: {}", answer.status);
    }
}

#[tokio::test]
async fn settings_that_are_wrong_end_the_start_with_the_key_that_is_wrong() {
    let (mut setup, _database) = empty(DatabaseKind::Sqlite);
    setup.set("planning.detour", "0.5");
    let outcome = setup.run(&["serve"]).await;
    assert_eq!(outcome.status, Some(2), "{}", outcome.stderr);
    assert!(outcome.stderr.contains("planning.detour"), "{}", outcome.stderr);

    let (setup, _database) = empty(DatabaseKind::Sqlite);
    let file = setup.write("wrong.toml", "[server]\nbnid = \"127.0.0.1:0\"\n");
    let outcome = setup.run(&["serve", "--config", file.to_str().unwrap()]).await;
    assert_eq!(outcome.status, Some(2), "{}", outcome.stderr);
    assert!(outcome.stderr.contains("bnid"), "{}", outcome.stderr);
}

#[tokio::test]
async fn a_database_that_is_not_there_is_said_and_not_waited_for() {
    let mut setup = Setup::new(None);
    setup.set("database.url", "postgres://nobody@127.0.0.1:1/nothing");
    let outcome = setup.run(&["serve"]).await;
    assert_ne!(outcome.status, Some(0));
    assert!(!outcome.stderr.contains("panicked"), "{}", outcome.stderr);
    assert!(outcome.stderr.contains("database"), "{}", outcome.stderr);
}
