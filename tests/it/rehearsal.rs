//! The season rehearsed beside the requests, and the advice about one part.

use harness::{Client, eventually};
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::season_loop::{HOMES, Season, id_by_key, plan_and_adopt, score};

/// Reads a rehearsal until it is neither running nor stopping.
async fn ended(office: &Client, id: &Value) -> Value {
    let path = format!("/api/v1/rehearsals/{id}");
    eventually("the rehearsal ends", async || {
        let now = office.get(&path).await.json(200);
        let share = now["progress"].as_f64().unwrap();
        assert!((0.0..=1.0).contains(&share), "{now}");
        let standing = now["standing"].as_str().unwrap().to_owned();
        (standing != "running" && standing != "stopping").then_some(now)
    })
    .await
}

#[tokio::test]
async fn a_rehearsal_shows_what_the_visits_avoid_and_the_same_seed_shows_it_again() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        let asked = json!({ "replicates": 300, "seed": 5 });
        office.post("/api/v1/rehearsals", &asked).await.problem(409);
        score(&office).await;
        plan_and_adopt(&office).await;
        let late = json!({ "first_day": "2025-04-01", "last_day": "2025-04-15", "seed": 7,
            "iterations_per_visit": 20 });
        let draft = office.post("/api/v1/plans", &late).await.json(201);

        let mut with_draft = asked.clone();
        with_draft["draft_plan_ids"] = json!([draft["id"]]);
        let started = office.post("/api/v1/rehearsals", &with_draft).await.json(202);
        let first = ended(&office, &started["id"]).await;
        assert_eq!(first["standing"], "succeeded", "{first}");
        let result = &first["result"];
        assert_eq!(result["parts"], 2 * HOMES, "{result}");
        let plans = result["plans"].as_array().unwrap();
        let names: Vec<&str> = plans.iter().map(|plan| plan["name"].as_str().unwrap()).collect();
        let of_draft = format!("draft {}", draft["id"]);
        assert_eq!(names, ["without visits", "visits as placed", of_draft.as_str()]);
        let mean = |plan: &Value, what: &str| plan[what]["mean"].as_f64().unwrap();
        let (without, placed) = (&plans[0], &plans[1]);
        assert!(mean(placed, "calls") < mean(without, "calls"), "{result}");
        // Season by season on the same fate: the difference of means is the mean of differences.
        let spared = &result["differences"][0];
        assert_eq!((&spared["plan"], &spared["against"]), (&placed["name"], &without["name"]));
        let difference = mean(without, "calls") - mean(placed, "calls");
        assert!((mean(spared, "calls_avoided") - difference).abs() < 1e-9, "{result}");
        assert_eq!(result["differences"].as_array().unwrap().len(), 3, "each against each");
        // From today to the end of October, and the days' means add up to the season's.
        let days = placed["calls_per_day"].as_array().unwrap();
        assert_eq!((days.len(), &result["last_day"]), (257, &json!("2025-10-31")));
        let sum: f64 = days.iter().map(|day| day["mean"].as_f64().unwrap()).sum();
        assert!((sum - mean(placed, "calls")).abs() < 1e-6);

        let again = office.post("/api/v1/rehearsals", &with_draft).await.json(202);
        assert_eq!(ended(&office, &again["id"]).await["result"], *result, "{kind:?}");

        let unknown = json!({ "draft_plan_ids": [draft["id"], 999] });
        let refusal = office.post("/api/v1/rehearsals", &unknown).await.problem(422);
        assert_eq!(refusal["errors"][0]["pointer"], "/draft_plan_ids/1", "{refusal}");
        let scoring = office.get("/api/v1/runs?kind=scoring").await.json(200);
        let other_kind = format!("/api/v1/rehearsals/{}", scoring["items"][0]["id"]);
        office.get(&other_kind).await.problem(404);
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_rehearsal_is_stopped_on_request_and_goes_one_at_a_time() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        let long = json!({ "replicates": 20_000 });
        let started = office.post("/api/v1/rehearsals", &long).await.json(202);
        assert_eq!(started["standing"], "running", "{started}");
        let second = office.post("/api/v1/rehearsals", &long).await.problem(409);
        assert!(second["detail"].as_str().unwrap().contains("has not ended"), "{second}");
        let stop = format!("/api/v1/rehearsals/{}/stop", started["id"]);
        office.post(&stop, &json!({})).await.json(202);
        let stopped = ended(&office, &started["id"]).await;
        assert_eq!((&stopped["standing"], &stopped["result"]), (&json!("stopped"), &Value::Null));
        assert!(stopped["reason"].as_str().unwrap().contains("of 20000"), "{stopped}");
        // What has ended cannot be stopped; the next one may begin.
        office.post(&stop, &json!({})).await.problem(409);
        let next = office.post("/api/v1/rehearsals", &json!({ "replicates": 10 })).await.json(202);
        assert_eq!(ended(&office, &next["id"]).await["standing"], "succeeded");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn advice_about_a_part_shows_everything_that_it_weighed() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        let advice_of = async |key: &str| {
            let id = id_by_key(&office, "/api/v1/components", key).await;
            office.get(&format!("/api/v1/components/{id}/decision")).await
        };
        advice_of("K-1a").await.problem(409);
        score(&office).await;
        // Home 1's capacitors are of 2009, home 11's of 2019.
        let (old, young) = (advice_of("K-1a").await.json(200), advice_of("K-11a").await.json(200));
        for advice in [&old, &young] {
            let swap = &advice["swap"];
            let (now, wait) = (&swap["replace_now_cost"], &swap["wait_cost"]);
            let cheaper = now.as_f64().unwrap() < wait.as_f64().unwrap();
            let word = if cheaper { "replace-now" } else { "wait" };
            assert_eq!(swap["advice"], word, "{advice}");
            assert_eq!(swap["hot_failure_cost"], 620.0, "{advice}");
            assert_eq!(advice["sisters"].as_array().unwrap().len(), 1, "{advice}");
            let sister = &advice["sisters"][0]["swap"];
            assert_eq!(sister["swap_now_cost"], 75.0, "in the same hour: {advice}");
        }
        let worth = |advice: &Value| {
            let swap = &advice["swap"];
            swap["wait_cost"].as_f64().unwrap() - swap["replace_now_cost"].as_f64().unwrap()
        };
        assert!(worth(&old) > worth(&young), "{old} {young}");
        let due = |advice: &Value| advice["check_by"].as_str().unwrap_or("9999").to_owned();
        assert!(due(&old) <= due(&young), "{old} {young}");
        // The chance that was weighed is the one of the risk list.
        let id = &old["component_id"];
        let scored = office.all(&format!("/api/v1/scores?component_id={id}")).await.remove(0);
        let (weighed, listed) = (&old["swap"]["failure_probability"], &scored["p_season"]);
        assert!((weighed.as_f64().unwrap() - listed.as_f64().unwrap()).abs() < 1e-9);
        // A part that is gone needs no advice.
        advice_of("K-0a").await.problem(409);
        assert!(daemon.stop().await);
    }
}
