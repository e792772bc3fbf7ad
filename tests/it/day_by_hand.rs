//! What the office changes by hand changes the routes with it, or is refused.

use harness::Client;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::own_words::Session;
use crate::season_loop::{Season, files, plan_and_adopt, score};

/// The route in force on the day of a visit by its technician, if there is one.
async fn route_of(office: &Client, visit: &Value) -> Option<Value> {
    let (day, who) = (visit["day"].as_str().unwrap(), &visit["technician_id"]);
    let path = format!("/api/v1/routes?day={day}&technician_id={who}&state=current");
    office.all(&path).await.pop()
}

fn stop<'a>(route: Option<&'a Value>, visit: &Value) -> Option<&'a Value> {
    let stops = route?["stops"].as_array().unwrap();
    stops.iter().find(|stop| stop["visit_id"] == visit["id"])
}

#[tokio::test]
async fn a_visit_that_is_moved_or_dropped_by_hand_changes_the_routes_or_is_refused() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let visits = office.all("/api/v1/visits?limit=500&state=placed").await;
        let elsewhere: Vec<&Value> =
            visits.iter().filter(|visit| visit["day"] != "2025-03-12").collect();
        let (first, second, third) = (elsewhere[0], elsewhere[1], elsewhere[2]);
        assert!(stop(route_of(&office, first).await.as_ref(), first).is_some());
        let change = async |visit: &Value, body: &Value| {
            office.post(&format!("/api/v1/visits/{}/state-changes", visit["id"]), body).await
        };
        let place = json!({ "state": "placed", "day": "2025-03-12", "technician_id": 1,
            "starts": "13:00:00", "ends": "13:10:00" });
        let moved = change(first, &place).await.json(200);
        assert!(stop(route_of(&office, first).await.as_ref(), first).is_none(), "the old day");
        let route = route_of(&office, &moved).await.unwrap();
        let stood = stop(Some(&route), first).unwrap();
        assert_eq!(stood["start_seconds"], 13 * 3600, "{kind:?}: {route}");
        office.get(&format!("/api/v1/routes/{}/load-list", route["id"])).await.json(200);

        // Two at once: refused with the free times, and nothing has changed.
        let refused = change(second, &place).await.problem(409);
        let detail = refused["detail"].as_str().unwrap();
        assert!(detail.contains("it may start") && detail.contains(" to "), "{detail}");
        let still = office.get(&format!("/api/v1/visits/{}", second["id"])).await.json(200);
        assert_eq!((&still["day"], &still["version"]), (&second["day"], &second["version"]));
        assert!(stop(route_of(&office, second).await.as_ref(), second).is_some());

        let gone = json!({ "state": "dropped", "why": "the house was sold" });
        change(third, &gone).await.json(200);
        assert!(stop(route_of(&office, third).await.as_ref(), third).is_none());
        assert!(daemon.stop().await);
    }
}

/// The season's files, but the second technician is not trained for heat pumps, which every home has.
fn files_with_an_apprentice() -> Vec<(&'static str, String)> {
    let mut files = files();
    let technicians = &mut files[0].1;
    let trained = "T-2,Ben Example,ben@example.com,standard;heat-pump;large,";
    assert!(technicians.contains(trained));
    *technicians = technicians.replace(trained, "T-2,Ben Example,ben@example.com,standard,");
    files
}

#[tokio::test]
async fn nobody_is_sent_by_hand_to_a_home_whose_machines_he_is_not_trained_for() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin_with(kind, files_with_an_apprentice()).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let visits = office.all("/api/v1/visits?limit=500&state=placed").await;
        assert!(visits.iter().all(|visit| visit["technician_id"] == 1), "the planner knows");
        let visit = visits.iter().find(|visit| visit["day"] != "2025-03-12").unwrap();
        let path = format!("/api/v1/visits/{}/state-changes", visit["id"]);
        let place = |technician: i64| json!({ "state": "placed", "day": "2025-03-12", "technician_id": technician });
        let said = "Ben Example is not trained for this home (heat-pump); on 2025-03-12 could go: \
            Ann Example";
        let wrong = |problem: &Value| problem["errors"][0].clone();
        let refused = office.post(&path, &place(2)).await.problem(422);
        let expected = json!({ "pointer": "/technician_id", "detail": said });
        assert_eq!(wrong(&refused), expected, "{kind:?}");
        let many = json!({ "items": [{ "visit_id": visit["id"], "change": place(2) }] });
        let refused = office.post("/api/v1/bulk/visit-state-changes", &many).await.problem(422);
        let expected = json!({ "pointer": "/items/0/change/technician_id", "detail": said });
        assert_eq!(wrong(&refused), expected, "{kind:?}");
        // In a plan, and in the form of its page, the same.
        let plan = office.all("/api/v1/plans?state=adopted").await.remove(0);
        let stop = json!({ "visit_id": visit["id"], "day": "2025-03-12", "technician_id": 2,
            "keep": false });
        let moves = format!("/api/v1/plans/{}/moves", plan["id"]);
        let refused = office.post(&moves, &stop).await.problem(422);
        assert_eq!(wrong(&refused), json!({ "pointer": "/technician_id", "detail": said }));
        let page = format!(
            "/office/plans/{}/visits/{}?day=2025-03-12&technician=2",
            plan["id"], visit["id"]
        );
        let session = Session::begin(&daemon, &season.office_token).await;
        let page = session.page(&page).await;
        assert!(page.contains("That place is not possible") && page.contains(said), "{page}");
        let still = office.get(&format!("/api/v1/visits/{}", visit["id"])).await.json(200);
        assert_eq!(still["version"], visit["version"], "nothing has changed");

        // On a Sunday nobody works; and who stays where he was put is not asked again.
        let sunday = json!({ "state": "placed", "day": "2025-03-16", "technician_id": 2 });
        let refused = office.post(&path, &sunday).await.problem(422);
        let detail = refused["errors"][0]["detail"].as_str().unwrap();
        assert!(detail.ends_with("nobody who works on 2025-03-16 is"), "{detail}");
        assert_eq!(office.post(&path, &place(1)).await.json(200)["technician_id"], 1);
        let ann = office.get("/api/v1/technicians/1").await;
        let (etag, mut ann) = (ann.etag(), ann.json(200));
        ann["skills"] = json!(["standard"]);
        for member in ["id", "version", "created_at", "updated_at", "branch_id"] {
            ann.as_object_mut().unwrap().remove(member);
        }
        office.put("/api/v1/technicians/1", &etag, &ann).await.json(200);
        let mut agreed = place(1);
        agreed["state"] = json!("agreed");
        assert_eq!(office.post(&path, &agreed).await.json(200)["state"], "agreed");
        assert!(daemon.stop().await);
    }
}
