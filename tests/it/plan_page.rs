//! The scheduler's work on the season plan over HTTP: composed beside the requests, followed, stopped,
//! compared, a visit moved, adopted, and repaired when somebody is sick; by the API and by the page.

use std::collections::{BTreeMap, BTreeSet};

use harness::{Client, eventually};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use reqwest::Method;
use serde_json::{Value, json};

use crate::own_words::Session;
use crate::season_loop::{HOMES, Season, files, plan_and_adopt, score};

fn stretch(iterations_per_visit: u32, seed: u32) -> Value {
    json!({ "first_day": "2025-02-18", "last_day": "2025-04-15", "seed": seed,
        "iterations_per_visit": iterations_per_visit })
}

/// Posts with `Prefer: respond-async`; gives the run.
async fn begin(office: &Client, path: &str, body: &Value) -> Value {
    let request = office.request(Method::POST, path).header("Prefer", "wait=5, respond-async");
    let answer = office.send(request.json(body)).await;
    let run = answer.json(202);
    let location = answer.header("location").unwrap();
    assert_eq!(location, format!("/api/v1/runs/{}", run["id"]), "{run}");
    assert_eq!(answer.header("preference-applied").unwrap(), "respond-async");
    run
}

/// A plan asked for beside the requests is refused at once.
async fn refused(office: &Client) {
    let request = office.request(Method::POST, "/api/v1/plans").header("Prefer", "respond-async");
    office.send(request.json(&stretch(50, 7))).await.problem(409);
}

/// Reads a run until it has ended.
async fn ended(office: &Client, run: &Value) -> Value {
    let path = format!("/api/v1/runs/{}", run["id"]);
    eventually("the run ends", async || {
        let now = office.get(&path).await.json(200);
        assert!((0.0..=1.0).contains(&now["progress"].as_f64().unwrap()), "{now}");
        let goes_on = now["standing"] == "running" || now["standing"] == "stopping";
        (!goes_on).then_some(now)
    })
    .await
}

#[tokio::test]
async fn work_that_takes_long_goes_on_beside_the_requests_and_names_what_it_made() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        refused(&office).await;
        score(&office).await;
        let scored = begin(&office, "/api/v1/scoring-runs", &json!({})).await;
        let scored = ended(&office, &scored).await;
        assert_eq!(scored["standing"], "succeeded", "{scored}");
        assert_eq!(scored["detail"]["components"], 2 * HOMES, "{scored}");

        let run = begin(&office, "/api/v1/plans", &stretch(50, 7)).await;
        let events = office.get(&format!("/api/v1/runs/{}/events", run["id"])).await;
        assert_eq!(events.header("content-type").unwrap(), "text/event-stream");
        assert_eq!(events.status, 200);
        let told = events.text();
        let last = told.trim_end().rsplit("\n\n").next().unwrap();
        assert!(last.starts_with("event: ended\ndata: {"), "{told}");
        assert!(last.contains("\"standing\":\"succeeded\""), "{told}");
        let run = ended(&office, &run).await;
        let plan = &run["detail"]["plan"];
        let draft = office.get(&format!("/api/v1/plans/{plan}")).await.json(200);
        assert_eq!((&draft["state"], &draft["run_id"]), (&json!("draft"), &run["id"]));
        // The same seed and inputs make the same plan, whether somebody waits for it or not.
        let again = office.post("/api/v1/plans", &stretch(50, 7)).await.json(201);
        assert_eq!(again["figures"], draft["figures"], "{kind:?}");
        assert_eq!(again["objective"], draft["objective"]);
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_plan_that_is_composed_can_be_stopped_and_leaves_no_draft() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    let run = begin(&office, "/api/v1/plans", &stretch(100_000, 7)).await;
    assert_eq!(run["standing"], "running", "{run}");
    refused(&office).await;
    let stop = format!("/api/v1/runs/{}/stop", run["id"]);
    office.post(&stop, &json!({})).await.json(202);
    let stopped = ended(&office, &run).await;
    assert_eq!(stopped["standing"], "stopped", "{stopped}");
    assert!(stopped["detail"]["stopped"].as_str().unwrap().contains("no draft"), "{stopped}");
    office.post(&stop, &json!({})).await.problem(409);
    office.post("/api/v1/runs/999999/stop", &json!({})).await.problem(404);
    assert_eq!(office.all("/api/v1/plans?state=draft").await, [Value::Null; 0]);
    assert!(daemon.stop().await);
}

async fn visits(office: &Client) -> BTreeMap<i64, Value> {
    let all = office.all("/api/v1/visits?limit=500").await;
    all.into_iter().map(|visit| (visit["id"].as_i64().unwrap(), visit)).collect()
}

#[tokio::test]
async fn a_visit_is_moved_with_its_cost_told_before_and_two_plans_say_who_is_told_again() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let adopted = office.all("/api/v1/plans?state=adopted").await.remove(0);
        let plan = format!("/api/v1/plans/{}", adopted["id"]);
        // How full each technician's day is, adds up to the figures.
        let routes = office.all(&format!("{plan}/routes?limit=500")).await;
        let sum = |name: &str| routes.iter().map(|it| it[name].as_i64().unwrap()).sum::<i64>();
        assert_eq!(sum("travel_seconds") / 60, adopted["figures"]["travel_minutes"]);
        assert!(routes.iter().all(|it| it["pause_begins_seconds"].is_i64()), "{routes:?}");

        // A household has agreed; moving it would mean to tell it again.
        let before = visits(&office).await;
        let visit = before.values().find(|visit| visit["state"] == "placed").unwrap().clone();
        let body = json!({ "state": "agreed", "day": visit["day"], "starts": visit["starts"],
            "technician_id": visit["technician_id"], "ends": visit["ends"] });
        let path = format!("/api/v1/visits/{}/state-changes", visit["id"]);
        office.post(&path, &body).await.json(200);
        let reasons = office.get(&format!("/api/v1/visits/{}/reasons", visit["id"])).await;
        let other = reasons.json(200)["other_days"][0].clone();
        let mut wanted = json!({ "visit_id": visit["id"], "day": other["day"],
            "technician_id": other["technician_id"], "keep": false });
        let moves = format!("{plan}/moves");
        let cost = office.post(&moves, &wanted).await.json(200);
        assert_eq!(cost["plan_id"], Value::Null, "{cost}");
        assert!(cost["cost"].as_str().unwrap().starts_with("It costs "), "{cost}");
        assert!(cost["change_seconds"].as_i64().unwrap() > 0, "it had agreed: {cost}");
        let change = cost["changes"].to_string();
        assert!(change.contains("moves from"), "{cost}");
        // In the words of the pages: a time has its half of the day.
        assert!(change.contains(" AM") || change.contains(" PM"), "{cost}");
        assert_eq!(office.all("/api/v1/plans?state=draft").await, [Value::Null; 0]);

        wanted["keep"] = json!(true);
        let kept = office.post(&moves, &wanted).await.json(201);
        assert_eq!(kept["cost"], cost["cost"], "what is kept costs what was told");
        let draft = kept["plan_id"].as_i64().unwrap();
        let path = format!("/api/v1/plans/{draft}/stops?visit_id={}", visit["id"]);
        let stop = office.all(&path).await.remove(0);
        assert_eq!((&stop["day"], &stop["pinned"]), (&other["day"], &json!(true)), "{stop}");
        assert_eq!(visits(&office).await[&visit["id"].as_i64().unwrap()]["day"], visit["day"]);

        let path = format!("/api/v1/plans/{draft}/comparison?against={}", adopted["id"]);
        let compared = office.get(&path).await.json(200);
        assert_eq!((&compared["moved_day"], &compared["removed"]), (&json!(1), &json!(0)));
        let told = &compared["told_again"];
        assert_eq!((told.as_array().unwrap().len(), &told[0]["agreed"]), (1, &json!(true)));
        assert_eq!(told[0]["visit_id"], visit["id"], "{compared}");

        // Moved once more within the draft: the new draft takes its place.
        let kept = office.post(&format!("/api/v1/plans/{draft}/moves"), &wanted).await.json(201);
        let first = office.get(&format!("/api/v1/plans/{draft}")).await.json(200);
        assert_eq!(first["state"], "discarded", "{first}");
        office.post(&format!("/api/v1/plans/{draft}/moves"), &wanted).await.problem(409);
        let adoption = format!("/api/v1/plans/{}/adoption", kept["plan_id"]);
        office.post(&adoption, &json!({})).await.json(200);
        let after = visits(&office).await;
        assert_eq!(after[&visit["id"].as_i64().unwrap()]["day"], other["day"]);

        for (field, value, pointer) in [
            ("day", json!("2025-02-17"), "/day"),
            ("day", json!("2025-02-22"), "/day"),
            ("technician_id", json!(99), "/technician_id"),
        ] {
            let mut wrong = wanted.clone();
            wrong[field] = value;
            let path = format!("/api/v1/plans/{}/moves", kept["plan_id"]);
            let refused = office.post(&path, &wrong).await.problem(422);
            assert_eq!(refused["errors"][0]["pointer"], pointer, "{refused}");
        }
        assert!(daemon.stop().await);
    }
}

/// What a move costs, without the number of the draft that keeps it.
fn cost_of(mut moved: Value) -> Value {
    assert!(moved.as_object_mut().unwrap().remove("plan_id").is_some(), "{moved}");
    moved
}

#[tokio::test]
async fn what_a_move_costs_is_told_by_two_days_alone_and_holds_in_the_whole_plan() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin_with(kind, with_more_homes(12)).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let adopted = office.all("/api/v1/plans?state=adopted").await.remove(0);
        let mut plan = adopted["id"].clone();
        let mut compared = 0;
        let placed: Vec<Value> = visits(&office).await.into_values().collect();
        for visit in placed.iter().filter(|visit| visit["state"] == "placed").take(8) {
            // First in the plan in force, then in the draft that the last move left.
            let of_draft =
                if plan == adopted["id"] { String::new() } else { format!("?plan_id={plan}") };
            let path = format!("/api/v1/visits/{}/reasons{of_draft}", visit["id"]);
            let reasons = office.get(&path).await.json(200);
            let chosen = &reasons["chosen"];
            let Some(other) = reasons["other_days"].as_array().unwrap().last() else { continue };
            let mut wanted = json!({ "visit_id": visit["id"], "day": other["day"],
                "technician_id": other["technician_id"], "keep": false });
            let moves = format!("/api/v1/plans/{plan}/moves");
            let told = cost_of(office.post(&moves, &wanted).await.json(200));
            for part in ["risk_seconds", "late_seconds", "change_seconds"] {
                let more = other[part].as_i64().unwrap() - chosen[part].as_i64().unwrap();
                assert_eq!(told[part], more, "{part} of {reasons} and of {told}");
            }
            wanted["keep"] = json!(true);
            let kept = office.post(&moves, &wanted).await.json(201);
            plan = kept["plan_id"].clone();
            assert_eq!(cost_of(kept), told, "{kind:?}: {visit}");
            compared += 1;
        }
        assert!(compared >= 4, "{compared} moves");
        assert!(daemon.stop().await);
    }
}

/// The files of a branch with so many homes more.
fn with_more_homes(more: usize) -> Vec<(&'static str, String)> {
    let rows = |row: &str| (100..100 + more).map(|n| row.replace('#', &n.to_string())).collect();
    let added = |name: &str| -> String {
        match name {
            "sites" => rows("S-#,Home #,# Example Street,Phoenix,AZ,85001,33.45,-112.05,,,,,\n"),
            "agreements" => rows("A-#,S-#,2020-01-05,,tune-up@02-15..04-15\n"),
            "units" => rows("U-#,S-#,heat-pump,3.5,2014-04-02,sun\n"),
            _ => String::new(),
        }
    };
    files().into_iter().map(|(name, file)| (name, file + &added(name))).collect()
}

#[tokio::test]
async fn of_many_visits_that_are_left_out_some_are_shown_at_a_time() {
    const SHOWN: usize = 60;
    let season = Season::begin_with(DatabaseKind::Sqlite, with_more_homes(150)).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    let a_day = json!({ "first_day": "2025-02-18", "last_day": "2025-02-18", "seed": 7,
        "iterations_per_visit": 1 });
    let draft = office.post("/api/v1/plans", &a_day).await.json(201);
    let left = usize::try_from(draft["figures"]["unplaced"].as_u64().unwrap()).unwrap();
    assert!((2 * SHOWN..3 * SHOWN).contains(&left), "{left}");
    let desk = Session::begin(&daemon, &season.office_token).await;
    let here = format!("/office/plans/{}", draft["id"]);
    let visits = |page: &str| -> Vec<String> {
        let row = format!("<th scope=\"row\"><a href=\"{here}/visits/");
        let rows = page.split(&row).skip(1);
        rows.map(|row| row.split('"').next().unwrap().to_owned()).collect()
    };
    let mut seen = Vec::new();
    let mut next = Some(here.clone());
    while let Some(path) = next {
        let page = desk.page(&path).await;
        let last = (seen.len() + SHOWN).min(left);
        let caption = format!("<p>{} to {last} of {left}</p>", seen.len() + 1);
        assert!(page.contains(&caption), "{caption}");
        seen.extend(visits(&page));
        let later = format!("{here}?left={}", seen.len());
        next = page.contains(&format!("href=\"{later}#left\"")).then_some(later);
    }
    let once: BTreeSet<&String> = seen.iter().collect();
    assert_eq!((seen.len(), once.len()), (left, left), "each visit once");
    // Beyond the end stands the end.
    let end = desk.page(&format!("{here}?left=9999")).await;
    assert!(end.contains(&format!("to {left} of {left}</p>")) && !visits(&end).is_empty());
    assert!(daemon.stop().await);
}
