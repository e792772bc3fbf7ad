//! Nothing cools: a call becomes a visit with a priority, likely parts and ways to serve it; the office
//! accepts one, and route and load list follow.

use harness::Client;
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

use crate::own_words::Session;
use crate::season_loop::{Season, id_by_key, plan_and_adopt, score, text_of};

#[tokio::test]
async fn a_no_cool_call_names_likely_parts_and_whom_it_delays_and_is_placed_when_it_is_accepted() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        let site = id_by_key(&office, "/api/v1/sites", "S-3").await;
        let call = json!({ "site_id": site, "vulnerabilities": ["infant"], "words": "warm air" });
        // Without a plan the call is kept all the same, and says what is missing.
        let early = office.post("/api/v1/no-cool-calls", &call).await.json(201);
        assert_eq!(early["ways"], json!([]), "{early}");
        assert!(early["notes"].to_string().contains("no plan is adopted"), "{early}");
        let path = format!("/api/v1/no-cool-calls/{}", early["id"]);
        let why = json!({ "why": "the breaker had tripped" });
        let dropped = office.post(&format!("{path}/rejection"), &why).await.json(200);
        assert_eq!((&dropped["state"], &dropped["reason"]), (&json!("dropped"), &why["why"]));
        let again = office.post(&format!("{path}/rejection"), &why).await.problem(409);
        assert!(again["detail"].as_str().unwrap().contains("its visit is dropped"), "{again}");

        plan_and_adopt(&office).await;
        // Households are told of their visits before the telephone rings.
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
        let calm = json!({ "site_id": site });
        let calm = office.post("/api/v1/no-cool-calls", &calm).await.json(201);
        let call = office.post("/api/v1/no-cool-calls", &call).await.json(201);
        // A mild February day: the person counts, the heat does not (planning::no_cool).
        assert_eq!(
            (&calm["visit"]["priority"], &call["visit"]["priority"]),
            (&json!(30), &json!(70))
        );
        let celsius = call["today_celsius"].as_f64().unwrap();
        assert!(celsius < 27.0, "{call}");
        let page = format!("/office/no-cool/{}", call["id"]);
        let page = Session::begin(&daemon, &season.office_token).await.page(&page).await;
        let told = format!("today up to {:.0} °F", celsius * 1.8 + 32.0);
        assert!(page.contains(&told) && !page.contains("°C"), "as the branch reads it: {page}");
        let parts = call["likely_parts"].as_array().unwrap();
        let shares: Vec<f64> = parts.iter().map(|part| part["share"].as_f64().unwrap()).collect();
        assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{shares:?}");
        assert!(shares.is_sorted_by(|a, b| a >= b), "{shares:?}");
        assert_eq!(parts[0]["rating"], "45+5 uF 440 V");
        let ways = call["ways"].as_array().unwrap();
        assert!(!ways.is_empty(), "{call}");
        for way in ways {
            assert!(["2025-02-17", "2025-02-18"].contains(&way["day"].as_str().unwrap()));
            let sentence = way["sentence"].as_str().unwrap();
            assert!(sentence.contains("min more on the road"), "{sentence}");
            let delays = way["delays"].as_array().unwrap();
            assert_eq!(delays.is_empty(), sentence.contains("nobody else"), "{way}");
            assert!(delays.iter().all(|delay| delay["later_seconds"].as_i64().unwrap() > 0));
            let late = delays.iter().any(|delay| delay["past_promise_seconds"] != json!(0));
            assert_eq!(way["breaks_a_promise"], json!(late), "{way}");
        }

        let ways: Vec<&Value> =
            ways.iter().filter(|way| way["breaks_a_promise"] == false).collect();
        let path = format!("/api/v1/no-cool-calls/{}", call["id"]);
        let place = json!({ "day": ways[0]["day"], "technician_id": ways[0]["technician_id"] });
        let accepted = office.post(&format!("{path}/acceptance"), &place).await.json(200);
        let visit = &accepted["visit"];
        assert_eq!((&visit["state"], &visit["day"]), (&json!("announced"), &ways[0]["day"]));
        assert_eq!(visit["starts"], ways[0]["starts"], "{kind:?}: as it was offered");
        assert_eq!((&accepted["told"], &accepted["by_phone"]), (&json!([]), &json!([])));
        let routes = format!(
            "/api/v1/routes?day={}&technician_id={}&state=current",
            place["day"].as_str().unwrap(),
            place["technician_id"]
        );
        let route = office.all(&routes).await.remove(0);
        let stops = route["stops"].as_array().unwrap();
        assert!(stops.iter().any(|stop| stop["visit_id"] == visit["id"]), "{route}");
        let load = office.get(&format!("/api/v1/routes/{}/load-list", route["id"])).await.json(200);
        assert!(!load["lines"].as_array().unwrap().is_empty(), "{load}");
        let again = office.post(&format!("{path}/acceptance"), &place).await.problem(409);
        assert!(again["detail"].as_str().unwrap().contains("its visit is announced"), "{again}");
        let decided = office.get(&path).await.json(200);
        assert_eq!(decided["ways"], json!([]));

        finish(&office, visit).await;
        breaks_a_promise_and_says_so(&season, &office, &calm).await;

        let wrong = json!({ "site_id": 999_999 });
        let refused = office.post("/api/v1/no-cool-calls", &wrong).await.problem(422);
        assert_eq!(refused["errors"][0]["pointer"], "/site_id");
        let wrong = json!({ "site_id": site, "vulnerabilities": ["a dog"] });
        office.post("/api/v1/no-cool-calls", &wrong).await.problem(422);
        let events: Vec<Value> =
            office.all(&format!("/api/v1/visits/{}/events", visit["id"])).await;
        let why: Vec<&str> = events.iter().map(|event| event["why"].as_str().unwrap()).collect();
        assert_eq!(why[0], "called: nothing cools");
        assert!(why.contains(&"told on the telephone"), "{why:?}");
        assert!(daemon.stop().await);
    }
}

/// The technician's result counts as that of every other visit.
async fn finish(office: &Client, visit: &Value) {
    let part = office.all("/api/v1/components?limit=500").await;
    let part = part.iter().find(|part| part["key"] == "K-3b").unwrap();
    let result = json!({
        "key": "no-cool-3", "day": "2025-02-17", "technician_id": visit["technician_id"],
        "readings": [{ "component_id": part["id"], "microfarads": 12.0, "conditions": ["bulged"] }],
        "replacements": [{ "component_id": part["id"], "end_kind": "failed" }],
        "complete": true
    });
    let path = format!("/api/v1/visits/{}/results", visit["id"]);
    let recorded = office.post(&path, &result).await.json(201);
    assert_eq!(recorded["visit"]["state"], "done", "{recorded}");
    let ended = office.get(&format!("/api/v1/components/{}", part["id"])).await.json(200);
    assert_eq!(ended["end_kind"], "failed", "{ended}");
}

/// A way that breaks a promise is refused unless the office says so; then who was told hears of it.
async fn breaks_a_promise_and_says_so(season: &Season, office: &Client, call: &Value) {
    let path = format!("/api/v1/no-cool-calls/{}", call["id"]);
    let call = office.get(&path).await.json(200);
    let ways = call["ways"].as_array().unwrap();
    let way = ways.iter().find(|way| way["breaks_a_promise"] == true);
    let way = way.unwrap_or_else(|| panic!("no way breaks a promise: {call}"));
    let late: Vec<&Value> = way["delays"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|delay| delay["past_promise_seconds"].as_i64().unwrap() > 0)
        .collect();
    assert!(way["sentence"].as_str().unwrap().contains("min past the promised time"), "{way}");
    let place = json!({ "day": way["day"], "technician_id": way["technician_id"],
        "break_promises": true });
    let accepted = office.post(&format!("{path}/acceptance"), &place).await.json(200);
    let told = accepted["told"].as_array().unwrap();
    assert_eq!(told.len(), late.len(), "those who lose their time, and nobody else: {accepted}");
    office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
    for delay in late {
        assert!(told.contains(&delay["visit_id"]), "{accepted}");
        let visit = office.get(&format!("/api/v1/visits/{}", delay["visit_id"])).await.json(200);
        let site = office.get(&format!("/api/v1/sites/{}", visit["site_id"])).await.json(200);
        let home = site["key"].as_str().unwrap().trim_start_matches("S-").to_owned();
        let mail = season.mail_to(&format!("home-{home}@example.com"));
        let text = text_of(mail.last().unwrap());
        assert!(mail.len() >= 2 && text.contains("homes that have no cooling at all"), "{text}");
    }
}

#[tokio::test]
async fn a_call_into_a_day_whose_truck_is_loaded_tells_the_office_which_parts_are_short() {
    let mut season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-02-18" });
    office.post("/api/v1/load-lists", &stretch).await.json(200);
    assert!(daemon.stop().await);
    // Nine in the morning of the next day, by the clock of Phoenix.
    season.at("2025-02-18 16:00:00");
    let (daemon, office) = season.start().await;
    let session = Session::begin(&daemon, &season.office_token).await;
    let before = session.page("/office/season").await;
    assert!(!before.contains("short on "), "{before}");
    let site = id_by_key(&office, "/api/v1/sites", "S-3").await;
    let call = json!({ "site_id": site, "vulnerabilities": ["infant"] });
    let call = office.post("/api/v1/no-cool-calls", &call).await.json(201);
    let ways = call["ways"].as_array().unwrap();
    let way = ways.iter().find(|way| way["day"] == "2025-02-18").expect("somebody goes today");
    let place = json!({ "day": way["day"], "technician_id": way["technician_id"],
        "break_promises": way["breaks_a_promise"] });
    let path = format!("/api/v1/no-cool-calls/{}/acceptance", call["id"]);
    office.post(&path, &place).await.json(200);
    let after = session.page("/office/season").await;
    assert!(after.contains("short on "), "{after}");
    assert!(after.contains("The day changed after the truck was loaded"), "{after}");
    assert!(after.contains(" × Dual run capacitor 45+5 µF 370/440 V</li>"), "{after}");
    assert!(daemon.stop().await);
}
