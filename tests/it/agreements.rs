//! Agreements through the years: due, renewed, lapsed, and what the history of a home tells of them.

use harness::Client;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::results::{home, submissions};
use crate::season_loop::{Season, score};

/// What the history of the home says of one kind of thing.
async fn history(client: &Client, what: &str) -> Vec<String> {
    let path = "/api/v1/sites/1/history?first_day=2025-12-01&last_day=2026-11-30";
    let history = client.get(path).await.json(200);
    let items = history["items"].as_array().unwrap();
    assert!(items.is_sorted_by_key(|item| item["on"].as_str()), "{history}");
    let of_kind = items.iter().filter(|item| item["what"] == what);
    of_kind.map(|item| format!("{} {}", item["on"], item["text"])).collect()
}

#[tokio::test]
async fn an_agreement_is_due_renewed_and_told_in_the_history_of_its_home() {
    for kind in TestDatabase::KINDS {
        let home = home(kind).await;
        home.send(&home.technician, &submissions(home.part)[0]).await.json(201);
        let agreements = "/api/v1/agreements";
        let runs_on = home.office.post(&format!("{agreements}/1/renewal"), &json!({})).await;
        runs_on.problem(409);
        let read = home.office.get(&format!("{agreements}/1")).await;
        let (etag, stored) = (read.etag(), read.json(200));
        let ends = json!({
            "key": "A-1", "site_id": 1, "first_day": "2025-07-05", "last_day": "2026-07-04",
            "visits": stored["visits"]
        });
        home.office.put(&format!("{agreements}/1"), &etag, &ends).await.json(200);

        let due = format!("{agreements}?ends_within_days=30&renewed=false");
        assert_eq!(home.office.all(&due).await.len(), 1, "it ends in 24 days");
        let later = format!("{agreements}?ends_within_days=20&renewed=false");
        assert!(home.office.all(&later).await.is_empty());
        let asked = json!({ "key": null, "last_day": null, "visits": null });
        home.technician.post(&format!("{agreements}/1/renewal"), &asked).await.problem(403);
        let next = home.office.post(&format!("{agreements}/1/renewal"), &asked).await.json(201);
        assert_eq!(
            (&next["key"], &next["first_day"], &next["last_day"], &next["visits"]),
            (
                &json!("A-1/2026-07-05"),
                &json!("2026-07-05"),
                &json!("2027-07-04"),
                &stored["visits"]
            )
        );
        assert!(home.office.all(&due).await.is_empty(), "renewed");
        home.office.post(&format!("{agreements}/1/renewal"), &asked).await.problem(409);

        assert_eq!(
            history(&home.technician, "agreement").await,
            [
                "\"2026-07-04\" \"agreement A-1 ends\"",
                "\"2026-07-05\" \"agreement A-1/2026-07-05 begins\""
            ]
        );
        let replaced = history(&home.office, "replacement").await;
        assert!(replaced[0].starts_with("\"2026-06-03\" \"K-1 at outdoor failed"), "{replaced:?}");
        assert!(history(&home.office, "reading").await[0].contains("31 uF"));
        assert_eq!(history(&home.office, "result").await.len(), 1);
        // The call was entered, placed, and asked for a return visit.
        assert_eq!(history(&home.office, "visit").await.len(), 3);
        let too_long = "/api/v1/sites/1/history?first_day=2020-01-01&last_day=2026-01-01";
        home.office.get(too_long).await.problem(422);
        assert!(home.daemon.stop().await);
    }
}

#[tokio::test]
async fn an_agreement_that_lapses_drops_what_it_no_longer_owes_and_says_why() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        let weeks = json!({
            "first_day": "2025-02-18", "last_day": "2025-03-14", "seed": 1, "iterations_per_visit": 1
        });
        office.post("/api/v1/plans", &weeks).await.json(201);
        let owed = "/api/v1/visits?state=owed&agreement_id=1";
        let visit = office.all(owed).await.pop().unwrap();
        let read = office.get("/api/v1/agreements/1").await;
        let (etag, mut agreement) = (read.etag(), json!({ "last_day": "2025-02-20" }));
        let stored = read.json(200);
        for member in ["key", "site_id", "first_day", "visits"] {
            agreement[member] = stored[member].clone();
        }
        office.put("/api/v1/agreements/1", &etag, &agreement).await.json(200);
        office.post("/api/v1/plans", &weeks).await.json(201);
        assert!(office.all(owed).await.is_empty());
        let path = format!("/api/v1/visits/{}", visit["id"]);
        let dropped = office.get(&path).await.json(200);
        assert_eq!(dropped["state"], "dropped", "{dropped}");
        assert_eq!(dropped["reason"], "agreement A-0 ended on 2025-02-20", "{dropped}");
        let others: Vec<Value> = office.all("/api/v1/visits?state=owed").await;
        assert_eq!(others.len(), crate::season_loop::HOMES - 1, "the others are owed as before");

        // The last day was a slip: what only the agreement had dropped is owed again, once.
        change(&office, 1, json!({ "last_day": "2025-12-31" })).await;
        for _ in 0..2 {
            office.post("/api/v1/plans", &weeks).await.json(201);
            let again = office.all("/api/v1/visits?agreement_id=1").await;
            assert_eq!(again.len(), 1, "{kind:?}: {again:?}");
            assert_eq!(
                (&again[0]["id"], &again[0]["state"], &again[0]["reason"]),
                (&visit["id"], &json!("owed"), &json!("owed by the agreement")),
                "{kind:?}"
            );
        }
        let told = office.all(&format!("{path}/events")).await;
        let states: Vec<&Value> = told.iter().map(|event| &event["to_state"]).collect();
        assert_eq!(states, ["owed", "dropped", "owed"], "{kind:?}: each with who and why");
        // What a person dropped stays dropped, whatever becomes of the agreement.
        let dropped = json!({ "state": "dropped", "why": "sold the machine" });
        office.post(&format!("{path}/state-changes"), &dropped).await.json(200);
        change(&office, 1, json!({ "last_day": "2026-12-31" })).await;
        office.post("/api/v1/plans", &weeks).await.json(201);
        let still = office.get(&path).await.json(200);
        assert_eq!(
            (&still["state"], &still["reason"]),
            (&json!("dropped"), &json!("sold the machine"))
        );
        assert!(daemon.stop().await);
    }
}

/// Changes some members of an agreement.
async fn change(office: &Client, number: i64, changes: Value) {
    let path = format!("/api/v1/agreements/{number}");
    let read = office.get(&path).await;
    let (etag, stored) = (read.etag(), read.json(200));
    let mut changed = json!({});
    for member in ["key", "site_id", "first_day", "last_day", "visits"] {
        changed[member] = changes.get(member).unwrap_or(&stored[member]).clone();
    }
    office.put(&path, &etag, &changed).await.json(200);
}

/// Days of the window and days on which it may happen.
async fn days_of(office: &Client, visit: &Value) -> [String; 4] {
    let visit = office.get(&format!("/api/v1/visits/{}", visit["id"])).await.json(200);
    assert_eq!(visit["state"], "owed", "{visit}");
    ["window_first", "window_last", "within_first", "within_last"]
        .map(|member| visit[member].as_str().unwrap()[5..].to_owned())
}

#[tokio::test]
async fn visits_that_are_still_owed_follow_the_agreement_when_its_term_or_windows_change() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        let weeks = json!({
            "first_day": "2025-02-18", "last_day": "2025-03-14", "seed": 1, "iterations_per_visit": 1
        });
        office.post("/api/v1/plans", &weeks).await.json(201);
        let owed = "/api/v1/visits?state=owed&agreement_id=1";
        let visit = office.all(owed).await.pop().unwrap();
        let days = async || days_of(&office, &visit).await;
        let whole = ["02-15", "04-15", "02-15", "04-15"];
        assert_eq!(days().await, whole);
        change(&office, 1, json!({ "last_day": "2025-04-01" })).await;
        assert_eq!(days().await, ["02-15", "04-15", "02-15", "04-01"], "{kind:?}: a shorter term");
        change(&office, 1, json!({ "last_day": "2025-12-31" })).await;
        assert_eq!(days().await, whole, "{kind:?}: a longer one again");
        change(&office, 1, json!({ "visits": ["tune-up@02-15..05-15"] })).await;
        assert_eq!(days().await, ["02-15", "05-15", "02-15", "05-15"], "a longer window");
        change(&office, 1, json!({ "visits": ["tune-up@03-01..05-15"] })).await;
        assert_eq!(days().await, ["03-01", "05-15", "03-01", "05-15"], "one that begins later");
        office.post("/api/v1/plans", &weeks).await.json(201);
        let all = office.all("/api/v1/visits?agreement_id=1").await;
        assert_eq!(all.len(), 1, "it is the same visit still, and no other is owed: {all:?}");

        // What the office chose stays, as far as it is owed.
        let path = format!("/api/v1/visits/{}", visit["id"]);
        let chosen = json!({ "within_first": "2025-04-20", "within_last": "2025-05-10" });
        let chosen = crate::lifecycle::example(&office, "VisitUpdate", chosen).await;
        let etag = office.get(&path).await.etag();
        office.put(&path, &etag, &chosen).await.json(200);
        change(&office, 1, json!({ "visits": ["tune-up@03-01..06-15"] })).await;
        assert_eq!(days().await, ["03-01", "06-15", "04-20", "05-10"], "{kind:?}");
        change(&office, 1, json!({ "last_day": "2025-05-05" })).await;
        assert_eq!(days().await, ["03-01", "06-15", "04-20", "05-05"], "{kind:?}");
        // Another one has a place: the household may know of it.
        let placed = office.all("/api/v1/visits?state=owed&agreement_id=2").await.pop().unwrap();
        let place = json!({ "state": "placed", "day": "2025-03-04", "technician_id": 1 });
        let path = format!("/api/v1/visits/{}/state-changes", placed["id"]);
        let placed = office.post(&path, &place).await.json(200);
        change(&office, 2, json!({ "visits": ["tune-up@02-15..05-15"] })).await;
        let still = office.get(&format!("/api/v1/visits/{}", placed["id"])).await.json(200);
        assert_eq!(still, placed);
        assert!(daemon.stop().await);
    }
}
