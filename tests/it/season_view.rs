//! The season over HTTP: its dates, its curve as a picture, and weather that comes late.

use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

use crate::lifecycle::example;
use crate::own_words::Session;
use crate::season_loop::{
    HOMES, Season, change_branch, files, give_weather, plan_and_adopt, record, record_without,
    score, upload,
};

#[tokio::test]
async fn the_season_is_told_as_dates_and_drawn_as_a_curve() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    office.get("/api/v1/season").await.problem(409);
    office.get("/api/v1/season/curve").await.problem(409);
    give_weather(&office, record()).await;

    let told = office.get("/api/v1/season").await.json(200);
    assert_eq!((&told["year"], &told["as_of"]), (&json!(2025), &json!("2025-02-17")));
    assert_eq!(told["degree_day_unit"], "°F days above 65 °F");
    assert_eq!(told["curve"].as_array().unwrap().len(), 365);
    // The command for plain files reads the same record by itself and comes to the same dates.
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../seed/weather/ghcnd_USW00023183.dly");
    let said = season.command(&["season", file, "--year", "2025", "--as-of", "2025-02-17"]).await;
    let said: Value = serde_json::from_str(&said).unwrap();
    for event in ["heat_begins", "first_hot_spell", "peak_week"] {
        for quantile in ["p10", "p50", "p90"] {
            assert!(told[event][quantile].is_string(), "{event} {quantile}: {told}");
            assert_eq!(told[event][quantile], said[event][quantile], "{event} {quantile}");
        }
    }
    // NOAA's normals of the station (1991-2020): July is the hottest month, then August and June.
    let peak = told["peak_week"]["p50"].as_str().unwrap();
    assert!(("2025-06-15".."2025-08-15").contains(&peak), "{peak}");

    let summer = office.get("/api/v1/season?as_of=2024-09-01").await.json(200);
    assert!(!summer["hot_spells"].as_array().unwrap().is_empty(), "{}", summer["hot_spells"]);
    let so_far = summer["heat_so_far"]["degree_days"].as_f64().unwrap();
    assert!(so_far > summer["heat_so_far"]["normal"].as_f64().unwrap(), "2024 was a record summer");

    let technician = season.technician(&daemon);
    let drawn = technician.get("/api/v1/season/curve").await;
    assert_eq!(
        (drawn.status, drawn.header("Content-Type")),
        (200, Some("image/svg+xml; charset=utf-8"))
    );
    let picture = drawn.text();
    assert!(picture.starts_with("<svg") && picture.contains("2025 so far"), "{picture}");
    assert!(picture.contains("°F days above 65 °F"));

    office.get("/api/v1/season?as_of=2026-07-01").await.problem(422);
    office.get("/api/v1/season?on=2025-01-01").await.problem(400);
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn a_branch_that_reads_celsius_is_told_its_season_in_celsius() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    give_weather(&office, record()).await;
    let summer = "/api/v1/season?as_of=2024-09-01";
    let so_far = |told: &Value| told["heat_so_far"]["degree_days"].as_f64().unwrap();
    let fahrenheit = so_far(&office.get(summer).await.json(200));
    change_branch(&office, json!({ "temperature_unit": "degC", "degree_day_base": 18.0 })).await;
    let told = office.get(summer).await.json(200);
    assert_eq!(told["degree_day_unit"], "°C days above 18 °C");
    // A degree of Fahrenheit is 5/9 of one of Celsius; the bases 65 °F and 18 °C differ by 0.6 of one.
    let ratio = so_far(&told) / fahrenheit;
    assert!((5.0 / 9.0..0.6).contains(&ratio), "{ratio}");
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn south_of_the_equator_a_season_runs_from_july_to_june() {
    let mut season = Season::begin(DatabaseKind::Sqlite).await;
    season.at("2024-11-18 17:00:00");
    let (daemon, office) = season.start().await;
    give_weather(&office, record()).await;
    let window = json!({ "site_id": 1, "within_first": "2025-01-05", "within_last": "2025-01-31" });
    let visit = example(&office, "VisitInput", window).await;
    let visit = office.post("/api/v1/visits", &visit).await.json(201);
    let change = json!({ "state": "placed", "day": "2025-01-10", "technician_id": 1,
        "starts": "09:00:00", "ends": "11:00:00", "why": "told by telephone" });
    let path = format!("/api/v1/visits/{}/state-changes", visit["id"]);
    office.post(&path, &change).await.json(200);
    let depot = json!({ "latitude_degrees": -33.44, "longitude_degrees": 151.02 });
    change_branch(&office, json!({ "depot": depot })).await;
    let told = office.get("/api/v1/season").await.json(200);
    let curve = told["curve"].as_array().unwrap();
    let (first, last) = (&curve[0], &curve[curve.len() - 1]);
    assert_eq!(
        (&told["year"], &first["date"], &last["date"]),
        (&json!(2024), &json!("2024-07-01"), &json!("2025-06-30"))
    );
    assert!(last["ahead_p50"].as_f64() > last["ahead_p10"].as_f64(), "foretold to its end: {last}");

    // A visit of January is one of this season, although it is of the next year.
    let desk = Session::begin(&daemon, &season.office_token).await;
    let page = desk.page("/office/season").await;
    assert!(page.contains("Visits of this season") && page.contains(" 1 with one and not done"));
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn a_day_that_is_filled_in_later_moves_the_scores_at_once() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        give_weather(&office, record_without(2024, 7, 10)).await;
        office.post("/api/v1/scoring-runs", &json!({})).await.json(201);
        let ages = async || {
            let scores = office.all("/api/v1/scores?limit=500").await;
            scores.iter().map(|score| score["heat_age"].as_f64().unwrap()).collect::<Vec<_>>()
        };
        let before = ages().await;
        let kept = upload(&office, 1, record()).await;
        assert_eq!((&kept["inserted"], &kept["corrected"]), (&json!(1), &json!(0)), "{kept}");
        assert_eq!(kept["scored_again"], 2 * HOMES, "{kept}");
        let after = ages().await;
        assert!(
            before.iter().zip(&after).all(|(before, after)| (before - after).abs() > 0.0),
            "{kind:?}"
        );
        let again = upload(&office, 1, record()).await;
        assert_eq!((&again["inserted"], &again["scored_again"]), (&json!(0), &json!(0)));
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn the_rest_of_a_list_of_what_needs_a_person_is_one_step_away() {
    // Nobody here has agreed to mail.
    let unwritten = |(name, file): (&'static str, String)| {
        (name, file.replace(",yes,2020-01-05,agreement form", ",no,,"))
    };
    let season =
        Season::begin_with(DatabaseKind::Sqlite, files().into_iter().map(unwritten).collect())
            .await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let placed = office.all("/api/v1/visits?state=placed&limit=500").await.len();
    let desk = Session::begin(&daemon, &season.office_token).await;
    let rows = |page: &str| page.matches("no telephone on record").count();
    let page = desk.page("/office/season").await;
    let more = format!("and {} more", placed - 8);
    assert!(page.contains(&more) && rows(&page) == 8, "{page}");
    let all = "/office/season?all=no-mail";
    assert!(page.contains(&format!("href=\"{all}#no-mail\"")), "{page}");
    let page = desk.page(all).await;
    assert_eq!(rows(&page), placed);
    assert!(page.contains("id=\"no-mail\" open") && !page.contains(&more), "{page}");
    let nothing = desk.asked("/office/season?all=colours").await;
    assert_eq!(nothing.status, 404);
    assert!(nothing.text().contains("There is no such list."));
    assert!(daemon.stop().await);
}
