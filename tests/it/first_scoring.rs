//! An office whose parts were never scored starts the first scoring from the risk list.

use harness::eventually;
use hotspell_test_support::DatabaseKind;

use crate::own_words::Session;
use crate::season_loop::{Season, give_weather, record};

const RISK: &str = "/office/risk";

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
