//! A draft that was begun before somebody chose a place does not take it away again.

use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::season_loop::{Season, plan_and_adopt, score};

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
