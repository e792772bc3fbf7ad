//! What the office changes by hand changes the routes with it, or is refused.

use harness::Client;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::season_loop::{Season, plan_and_adopt, score};

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
