//! An adopted plan in the hands of the office: repair, offers of other slots, reasons, the night's plan.

use std::collections::BTreeMap;

use harness::{Client, eventually};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

use crate::season_loop::{Season, plan_and_adopt, score};

async fn visits(office: &Client) -> BTreeMap<i64, Value> {
    let all = office.all("/api/v1/visits?limit=500").await;
    all.into_iter().map(|visit| (visit["id"].as_i64().unwrap(), visit)).collect()
}

/// The technician-day with most visits: day, technician, visits.
fn fullest(visits: &BTreeMap<i64, Value>) -> (String, i64, Vec<i64>) {
    let mut days: BTreeMap<(String, i64), Vec<i64>> = BTreeMap::new();
    for (id, visit) in visits.iter().filter(|(_, visit)| visit["state"] == "placed") {
        let day = visit["day"].as_str().unwrap().to_owned();
        days.entry((day, visit["technician_id"].as_i64().unwrap())).or_default().push(*id);
    }
    let ((day, technician), visits) = days.into_iter().max_by_key(|(_, v)| v.len()).unwrap();
    (day, technician, visits)
}

async fn agree(office: &Client, visit: &Value) {
    let body = json!({
        "state": "agreed", "day": visit["day"], "technician_id": visit["technician_id"],
        "starts": visit["starts"], "ends": visit["ends"]
    });
    let path = format!("/api/v1/visits/{}/state-changes", visit["id"]);
    office.post(&path, &body).await.json(200);
}

#[tokio::test]
async fn a_sick_technician_and_a_no_cool_call_become_a_draft_in_words_that_can_be_adopted() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        let sick = json!({ "events": [{ "kind": "technician-absent", "technician_id": 1,
            "first_day": "2025-02-18", "last_day": "2025-02-18" }] });
        score(&office).await;
        let refused = office.post("/api/v1/repairs", &sick).await.problem(409);
        assert!(refused["detail"].as_str().unwrap().contains("no plan is adopted"), "{refused}");

        plan_and_adopt(&office).await;
        let before = visits(&office).await;
        let (day, technician, loses) = fullest(&before);
        // Somebody else has agreed to a day: that word is kept.
        let agreed = before.values().find(|v| v["day"] != day && v["state"] == "placed").unwrap();
        agree(&office, agreed).await;
        let call = json!({ "site_id": before[&loses[0]]["site_id"], "kind": "no-cool-call",
            "within_first": day, "within_last": day, "duration_seconds": 3600,
            "reason": "nothing cools since noon" });
        let call = office.post("/api/v1/visits", &call).await.json(201)["id"].as_i64().unwrap();

        let happened = json!({ "events": [
            { "kind": "technician-absent", "technician_id": technician, "first_day": day,
              "last_day": day },
            { "kind": "visit-added", "visit_id": call }
        ] });
        let repaired = office.post("/api/v1/repairs", &happened).await.json(201);
        assert_eq!(repaired["removed"], 0, "{repaired}");
        // Little else moves: those of the lost day, and a few that make room for them.
        assert!(repaired["moved_day"].as_u64().unwrap() <= 2 * loses.len() as u64, "{repaired}");
        assert!(repaired["kept"].as_u64().unwrap() as usize >= before.len() / 3, "{repaired}");
        let words = repaired["changes"].to_string();
        assert!(words.contains("is new:"), "{words}");
        let plan = &repaired["plan_id"];
        let draft = office.get(&format!("/api/v1/plans/{plan}")).await.json(200);
        assert_eq!(draft["state"], "draft");
        assert_eq!(draft["figures"]["change"]["because"], "repair");
        let run = office.get(&format!("/api/v1/runs/{}", draft["run_id"])).await.json(200);
        assert_eq!((&run["kind"], &run["outcome"]), (&json!("repair"), &json!("succeeded")));
        assert_eq!(run["inputs"]["events"][0]["kind"], "technician-absent");
        // Nothing has moved yet, but the absence is a fact.
        assert_eq!(visits(&office).await[&loses[0]], before[&loses[0]]);
        let person = office.get(&format!("/api/v1/technicians/{technician}")).await.json(200);
        assert!(person["absences"].to_string().contains(&day), "{person}");

        let adoption = format!("/api/v1/plans/{plan}/adoption");
        let adopted = office.post(&adoption, &json!({})).await.json(200);
        assert_eq!(adopted["taken_away"], json!([]), "{adopted}");
        let after = visits(&office).await;
        for visit in &loses {
            let visit = &after[visit];
            assert_eq!(visit["state"], "placed", "{visit}");
            assert!(visit["day"] != day || visit["technician_id"] != technician, "{visit}");
        }
        assert_eq!(after[&call]["day"], day, "{}", after[&call]);
        let kept = &after[&agreed["id"].as_i64().unwrap()];
        assert_eq!((&kept["day"], &kept["starts"]), (&agreed["day"], &agreed["starts"]));
        assert_eq!(kept["state"], "agreed");
        let routes =
            office.all(&format!("/api/v1/routes?technician_id={technician}&limit=500")).await;
        let today: Vec<&Value> = routes.iter().filter(|route| route["day"] == day).collect();
        assert!(!today.is_empty() && today.iter().all(|r| r["state"] == "superseded"), "{today:?}");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_household_that_declines_is_offered_other_slots_and_told_why_it_had_this_one() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let before = visits(&office).await;
    let visit = before.values().find(|visit| visit["state"] == "placed").unwrap();
    let (id, day) = (visit["id"].as_i64().unwrap(), visit["day"].as_str().unwrap());

    let reasons = office.get(&format!("/api/v1/visits/{id}/reasons")).await.json(200);
    assert_eq!(reasons["chosen"]["day"], day, "{reasons}");
    assert_eq!(reasons["chosen"]["technician_id"], visit["technician_id"]);
    let parts = ["travel_seconds", "risk_seconds", "late_seconds", "change_seconds"];
    let sum: i64 = parts.iter().map(|part| reasons["chosen"][part].as_i64().unwrap()).sum();
    assert_eq!(reasons["chosen"]["cost_seconds"], sum, "{reasons}");
    let dearer = reasons["next_day_costs_seconds"].as_i64().unwrap();
    let best = reasons["other_days"][0]["cost_seconds"].as_i64().unwrap();
    assert_eq!(best - sum, dearer);
    assert!(reasons["sentences"][0].as_str().unwrap().starts_with("On "), "{reasons}");

    let path = format!("/api/v1/visits/{id}/offers");
    let offers = office.get(&path).await.json(200)["offers"].as_array().unwrap().clone();
    assert_eq!(offers.len(), 3, "{offers:?}");
    assert!(offers.is_sorted_by_key(|offer| offer["cost_seconds"].as_i64().unwrap()));
    assert!(offers.iter().all(|offer| offer["day"] != day), "{offers:?}");
    let first = offers[0]["day"].as_str().unwrap();
    let fewer = office.get(&format!("{path}?refused={first}")).await.json(200);
    let others = fewer["offers"].as_array().unwrap();
    assert!(!others.is_empty() && others.iter().all(|offer| offer["day"] != first), "{fewer}");

    // Declined for good: no plan gives that day again.
    let declined = json!({ "events": [{ "kind": "slot-declined", "visit_id": id, "day": day }] });
    let repaired = office.post("/api/v1/repairs", &declined).await.json(201);
    let path = format!("/api/v1/plans/{}/stops?visit_id={id}", repaired["plan_id"]);
    let stop = office.all(&path).await.remove(0);
    assert_ne!(stop["day"], day, "{stop}");
    let site = office.get(&format!("/api/v1/sites/{}", visit["site_id"])).await.json(200);
    assert!(site["absences"].to_string().contains(day), "{site}");
    // In the draft it stands elsewhere, and says so.
    let path = format!("/api/v1/visits/{id}/reasons?plan_id={}", repaired["plan_id"]);
    assert_eq!(office.get(&path).await.json(200)["chosen"]["day"], stop["day"]);
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn hours_that_are_lost_and_work_that_takes_longer_leave_a_plan_that_keeps_its_times() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let before = visits(&office).await;
    let (day, technician, there) = fullest(&before);
    let happened = json!({
        "events": [
            { "kind": "technician-blocked", "technician_id": technician, "day": day,
              "from": "10:00:00", "until": "12:00:00" },
            { "kind": "road-blocked", "site_ids": [before[&there[0]]["site_id"]], "day": day,
              "from": "07:00:00", "until": "11:00:00" },
            { "kind": "overrun", "visit_id": there[1], "extra_seconds": 1800 }
        ],
        "first_day": day, "last_day": "2025-04-15", "seed": 3
    });
    let repaired = office.post("/api/v1/repairs", &happened).await.json(201);
    let stops = office.all(&format!("/api/v1/plans/{}/stops?limit=500", repaired["plan_id"])).await;
    for stop in stops.iter().filter(|stop| stop["day"] == day) {
        let (start, leave) = (&stop["start_seconds"], &stop["leave_seconds"]);
        let (start, leave) = (start.as_i64().unwrap(), leave.as_i64().unwrap());
        let held_up = stop["technician_id"] == technician;
        assert!(!held_up || leave <= 36_000 || start >= 43_200, "{stop}");
        assert!(stop["visit_id"] != there[0] || start > 39_600, "{stop}");
    }
    let longer = visits(&office).await[&there[1]]["duration_seconds"].as_i64().unwrap();
    assert_eq!(longer, before[&there[1]]["duration_seconds"].as_i64().unwrap() + 1800);
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn a_repair_that_cannot_be_is_refused_and_says_where_it_is_wrong() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let absent = |technician: i64, first: &str, last: &str| {
        json!({ "kind": "technician-absent", "technician_id": technician, "first_day": first,
            "last_day": last })
    };
    let cases = [
        (json!({ "events": [] }), "/events"),
        (json!({ "events": [absent(77, "2025-02-18", "2025-02-18")] }), "/events/0/technician_id"),
        (json!({ "events": [absent(1, "2025-02-19", "2025-02-18")] }), "/events/0/last_day"),
        (json!({ "events": [absent(1, "2024-02-18", "2024-02-19")] }), "/events/0/first_day"),
        (
            json!({ "events": [{ "kind": "technician-blocked", "technician_id": 1,
                "day": "2025-02-18", "from": "12:00:00", "until": "12:00:00" }] }),
            "/events/0/until",
        ),
        (
            json!({ "events": [{ "kind": "road-blocked", "site_ids": [1], "day": "2025-02-22",
                "from": "08:00:00", "until": "12:00:00" }] }),
            "/events/0/day",
        ),
        (
            json!({ "events": [absent(1, "2025-02-18", "2025-02-18"),
                { "kind": "overrun", "visit_id": 1, "extra_seconds": -5 }] }),
            "/events/1/extra_seconds",
        ),
        (
            json!({ "events": [absent(1, "2025-02-18", "2025-02-18")], "first_day": "2025-03-01",
                "last_day": "2025-03-02" }),
            "/days",
        ),
        (
            json!({ "events": [absent(1, "2025-02-18", "2025-02-18")], "first_day": "2025-03-01" }),
            "/last_day",
        ),
    ];
    for (body, pointer) in cases {
        let refused = office.post("/api/v1/repairs", &body).await.problem(422);
        assert_eq!(refused["errors"][0]["pointer"], pointer, "{body}: {refused}");
    }
    let unknown = json!({ "events": [{ "kind": "earthquake" }] });
    office.post("/api/v1/repairs", &unknown).await.problem(422);
    let stranger = json!({ "events": [{ "kind": "visit-added", "visit_id": 999_999 }] });
    office.post("/api/v1/repairs", &stranger).await.problem(409);
    assert_eq!(office.all("/api/v1/plans?state=draft").await, [Value::Null; 0]);
    office.get("/api/v1/visits/999999/offers").await.problem(404);
    office.get("/api/v1/visits/1/reasons?plan_id=999999").await.problem(404);
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn each_night_a_draft_says_what_it_would_move_and_save_and_nobody_moves_by_itself() {
    let mut season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let before = visits(&office).await;
    let agreed = before.values().find(|visit| visit["state"] == "placed").unwrap().clone();
    agree(&office, &agreed).await;
    // A call comes in during the day; the night finds a place for it.
    let call = json!({ "site_id": 1, "kind": "no-cool-call", "within_first": "2025-02-19",
        "within_last": "2025-02-24", "duration_seconds": 3600, "reason": "weak cooling" });
    let call = office.post("/api/v1/visits", &call).await.json(201)["id"].clone();
    assert!(daemon.stop().await);

    season.set("jobs.enabled", "true");
    let (daemon, office) = season.start().await;
    let draft = eventually("the night's draft", async || {
        office.all("/api/v1/plans?state=draft").await.pop()
    })
    .await;
    let change = &draft["figures"]["change"];
    assert_eq!(change["because"], "nightly", "{draft}");
    let count = |name: &str| change[name].as_u64().unwrap();
    assert!(change["travel_saved_minutes"].is_i64(), "{change}");
    assert_eq!((count("left_out_before"), count("left_out_after")), (1, 0), "{change}");
    assert_eq!(count("added"), 1, "{change}");
    let path = format!("/api/v1/plans/{}/stops?visit_id={call}", draft["id"]);
    assert_eq!(office.all(&path).await.len(), 1);
    // Calm: most households keep their day.
    let all = count("moved_day") + count("moved_within_day") + count("kept");
    assert!(2 * count("moved_day") < all, "{change}");
    assert!(change["sentences"][0].is_string(), "{change}");
    let staffing = &draft["figures"]["staffing"];
    assert!(staffing["technician_days_short"].is_u64(), "{draft}");
    assert!(staffing["one_more"]["saved_calls"].is_f64(), "{draft}");
    let path = format!("/api/v1/plans/{}/stops?visit_id={}", draft["id"], agreed["id"]);
    assert_eq!(office.all(&path).await.remove(0)["day"], agreed["day"]);
    let after = visits(&office).await;
    for (id, visit) in &before {
        assert_eq!(after[id]["day"], visit["day"], "nothing is adopted by itself");
    }
    assert!(daemon.stop().await);
}
