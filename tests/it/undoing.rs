//! A draft that was begun before somebody chose a place does not take it away again.

use harness::Client;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::season_loop::{Season, id_by_key, plan_and_adopt, score};
use crate::slots::{choices, told, visit_at};

#[tokio::test]
async fn an_older_draft_does_not_undo_what_was_chosen_since_and_a_new_one_may_be_adopted() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-04-15", "seed": 8,
            "iterations_per_visit": 20 });
        let older = office.post("/api/v1/plans", &stretch).await.json(201);
        let visits = office.all("/api/v1/visits?limit=500&state=placed").await;
        let visit = visits.iter().find(|visit| visit["day"] != "2025-03-12").unwrap();
        let place = json!({ "state": "placed", "day": "2025-03-12", "technician_id": 1,
            "starts": "13:00:00", "ends": "15:00:00" });
        let path = format!("/api/v1/visits/{}/state-changes", visit["id"]);
        office.post(&path, &place).await.json(200);

        let adoption = format!("/api/v1/plans/{}/adoption", older["id"]);
        let refused = office.post(&adoption, &json!({})).await.problem(409);
        let detail = refused["detail"].as_str().unwrap();
        assert!(detail.contains(&format!("chose the place of visits {}", visit["id"])), "{detail}");
        assert!(detail.contains("Compose a plan anew"), "{detail}");
        let still: Value = office.get(&format!("/api/v1/visits/{}", visit["id"])).await.json(200);
        assert_eq!(
            (&still["day"], &still["starts"]),
            (&place["day"], &place["starts"]),
            "{kind:?}"
        );
        let plan = office.get(&format!("/api/v1/plans/{}", older["id"])).await.json(200);
        assert_eq!(plan["state"], "draft", "nothing was half done");

        // Two drafts of one moment: adopting one is nobody's choice against the other.
        let first = office.post("/api/v1/plans", &stretch).await.json(201);
        let second = office.post("/api/v1/plans", &stretch).await.json(201);
        for draft in [&first, &second] {
            let adoption = format!("/api/v1/plans/{}/adoption", draft["id"]);
            office.post(&adoption, &json!({})).await.json(200);
        }
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn an_older_draft_leaves_a_yes_another_slot_and_an_accepted_call_as_they_are() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let homes = told(&season, &office).await;
        let household = daemon.client(None);
        let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-04-15", "seed": 8,
            "iterations_per_visit": 20 });

        for choice in ["yes", "another slot", "accepted call"] {
            let older = office.post("/api/v1/plans", &stretch).await.json(201);
            let chosen = match choice {
                "yes" => {
                    let (home, link) = &homes[0];
                    let day = visit_at(&office, *home).await["day"].clone();
                    let yes = format!("answer=yes&day={}", day.as_str().unwrap());
                    assert_eq!(household.post_form(link, &yes).await.status, 303, "{kind:?}");
                    visit_at(&office, *home).await
                }
                "another slot" => {
                    let (home, link) = &homes[1];
                    let offers = household.post_form(link, "answer=other").await.text();
                    let slot = format!("answer=slot-{}", choices(&offers)[0].0);
                    assert_eq!(household.post_form(link, &slot).await.status, 303, "{kind:?}");
                    visit_at(&office, *home).await
                }
                _ => accepted_call(&office).await,
            };
            let adoption = format!("/api/v1/plans/{}/adoption", older["id"]);
            if choice == "yes" {
                // Said to the place that the draft has too: nothing stands against it.
                office.post(&adoption, &json!({})).await.json(200);
            } else {
                let refused = office.post(&adoption, &json!({})).await;
                assert_eq!(refused.status, 409, "{kind:?}, {choice}: {}", refused.text());
                let named = format!("chose the place of visits {}", chosen["id"]);
                assert!(refused.text().contains(&named), "{choice}: {}", refused.text());
            }
            let path = format!("/api/v1/visits/{}", chosen["id"]);
            let still = office.get(&path).await.json(200);
            for member in ["state", "day", "starts", "technician_id"] {
                assert_eq!(still[member], chosen[member], "{kind:?}, {choice}");
            }
            let routes = format!(
                "/api/v1/routes?day={}&technician_id={}&state=current",
                still["day"].as_str().unwrap(),
                still["technician_id"]
            );
            let route = office.all(&routes).await.remove(0);
            let stops = route["stops"].as_array().unwrap();
            let has_it = stops.iter().any(|stop| stop["visit_id"] == still["id"]);
            assert!(has_it, "{kind:?}, {choice}: {route}");
        }
        assert!(daemon.stop().await);
    }
}

/// A no-cool call that has its place; the visit.
async fn accepted_call(office: &Client) -> Value {
    let site = id_by_key(office, "/api/v1/sites", "S-20").await;
    let call = json!({ "site_id": site, "vulnerabilities": [], "words": "warm air" });
    let call = office.post("/api/v1/no-cool-calls", &call).await.json(201);
    let way = &call["ways"][0];
    let place = json!({ "day": way["day"], "technician_id": way["technician_id"] });
    let accepted = format!("/api/v1/no-cool-calls/{}/acceptance", call["id"]);
    office.post(&accepted, &place).await.json(200)["visit"].clone()
}
