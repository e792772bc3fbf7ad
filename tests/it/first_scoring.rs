//! What an office needs before its season: the first scoring from the risk list, weather of today.

use harness::eventually;
use hotspell_test_support::DatabaseKind;
use serde_json::json;

use crate::own_words::Session;
use crate::season_loop::{Season, give_weather, id_by_key, plan_and_adopt, record, upload};

const RISK: &str = "/office/risk";

/// The record without what was measured in 2025.
fn record_until_new_year() -> Vec<u8> {
    let record = String::from_utf8(record()).unwrap();
    let earlier = record.lines().filter(|line| !line.starts_with("USW000231832025"));
    earlier.map(|line| format!("{line}\n")).collect::<String>().into_bytes()
}

#[tokio::test]
async fn weather_that_is_too_old_needs_a_person_and_says_where() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    let session = Session::begin(&daemon, &season.office_token).await;
    give_weather(&office, record_until_new_year()).await;
    office.post("/api/v1/scoring-runs", &json!({})).await.json(201);
    plan_and_adopt(&office).await;
    let page = session.page("/office/season").await;
    assert!(!page.contains("Before the season can be planned"), "every step is taken: {page}");
    assert!(page.contains("The weather is not up to date"), "{page}");
    assert!(page.contains("its last day is Dec 31, 2024"), "{page}");
    let place = "<a href=\"/office/weather\">Is the weather right?</a>";
    assert!(page.contains(place), "{page}");
    let station = id_by_key(&office, "/api/v1/weather-stations", "USW00023183").await;
    upload(&office, station, record()).await;
    let page = session.page("/office/season").await;
    assert!(!page.contains("The weather is not up to date"), "{page}");
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn the_first_scoring_is_started_from_the_risk_list_and_fills_it() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    let session = Session::begin(&daemon, &season.office_token).await;
    let empty = session.page(RISK).await;
    assert!(empty.contains("Nothing is scored yet") && !empty.contains("/api/"), "{empty}");
    give_weather(&office, record()).await;
    session.send(RISK, "/office/risk/scoring", &[]).await;
    let list = eventually("the list is filled", async || {
        let page = session.page(RISK).await;
        page.contains("class=\"risks\"").then_some(page)
    })
    .await;
    assert!(list.contains("Home ") && !list.contains("Nothing is scored yet"), "{list}");
    let runs = office.all("/api/v1/runs?kind=scoring").await;
    assert_eq!(runs.len(), 1, "{runs:?}");
    let audit = office.all("/api/v1/audit?limit=500").await;
    assert!(audit.iter().any(|entry| entry["action"] == "score"), "{audit:?}");
    assert!(daemon.stop().await);
}
