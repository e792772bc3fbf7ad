//! What the settings ask of a technician's day: not too long, and a pause in its middle.

use std::collections::BTreeMap;

use harness::Client;
use hotspell_test_support::DatabaseKind;
use serde_json::{Value, json};

use crate::season_loop::{Season, score};

async fn compose(office: &Client) -> Value {
    let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-04-15", "seed": 7,
        "iterations_per_visit": 200 });
    office.post("/api/v1/plans", &stretch).await.json(201)
}

/// The stops of each technician-day as arrival and departure, in order.
async fn days(office: &Client, plan: &Value) -> Vec<Vec<(i64, i64)>> {
    let stops = office.all(&format!("/api/v1/plans/{}/stops?limit=500", plan["id"])).await;
    let mut days: BTreeMap<String, Vec<(i64, i64)>> = BTreeMap::new();
    for stop in stops {
        let second = |name: &str| stop[name].as_i64().unwrap();
        let day = format!("{} {}", stop["day"], stop["technician_id"]);
        days.entry(day).or_default().push((second("arrival_seconds"), second("leave_seconds")));
    }
    let mut days: Vec<_> = days.into_values().collect();
    days.iter_mut().for_each(|stops| stops.sort_unstable());
    days
}

/// Whether half an hour between eleven and two is free of work: between two stops, before the first
/// (the shift begins at half past seven) or after the last.
fn has_pause(stops: &[(i64, i64)]) -> bool {
    let begins = [7 * 3600 + 1800].into_iter().chain(stops.iter().map(|stop| stop.1));
    let ends = stops.iter().map(|stop| stop.0).chain([16 * 3600]);
    begins.zip(ends).any(|(from, until)| until.min(14 * 3600) - from.max(11 * 3600) >= 1800)
}

fn fullest_minutes(plan: &Value) -> i64 {
    let loads = plan["figures"]["loads"].as_array().unwrap();
    assert_eq!(loads.len(), 2, "{plan}");
    loads.iter().map(|load| load["fullest_day_work_minutes"].as_i64().unwrap()).max().unwrap()
}

#[tokio::test]
async fn dear_long_days_make_the_plan_even_and_its_figures_say_so() {
    let mut season = Season::begin(DatabaseKind::Sqlite).await;
    season.set("planning.beyond_comfortable_percent", "0");
    let (daemon, office) = season.start().await;
    score(&office).await;
    let uneven = compose(&office).await;
    let sum = |plan: &Value, name: &str| -> i64 {
        let loads = plan["figures"]["loads"].as_array().unwrap();
        loads.iter().map(|load| load[name].as_i64().unwrap()).sum()
    };
    assert_eq!(sum(&uneven, "visits"), uneven["figures"]["placed"], "{uneven}");
    let travel = uneven["figures"]["travel_minutes"].as_i64().unwrap();
    assert!((sum(&uneven, "travel_minutes") - travel).abs() <= 2, "{uneven}");
    assert!(daemon.stop().await);

    season.set("planning.beyond_comfortable_percent", "300");
    season.set("planning.comfortable_work_s", "7200");
    let (daemon, office) = season.start().await;
    let even = compose(&office).await;
    assert_eq!(even["figures"]["placed"], uneven["figures"]["placed"]);
    assert!(fullest_minutes(&even) < fullest_minutes(&uneven), "{even} {uneven}");
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn every_day_has_its_pause_unless_the_settings_say_that_there_is_none() {
    let mut season = Season::begin(DatabaseKind::Sqlite).await;
    // One long day is cheaper than two short ones.
    season.set("planning.beyond_comfortable_percent", "0");
    season.set("planning.pause_s", "0");
    let (daemon, office) = season.start().await;
    score(&office).await;
    let through = days(&office, &compose(&office).await).await;
    assert!(through.iter().any(|stops| !has_pause(stops)), "{through:?}");
    assert!(daemon.stop().await);

    season.set("planning.pause_s", "1800");
    let (daemon, office) = season.start().await;
    let draft = compose(&office).await;
    let paused = days(&office, &draft).await;
    assert!(paused.iter().all(|stops| has_pause(stops)), "{paused:?}");
    // The routes that technicians drive by are the plan's.
    let adoption = format!("/api/v1/plans/{}/adoption", draft["id"]);
    office.post(&adoption, &json!({})).await.json(200);
    for route in office.all("/api/v1/routes?limit=500").await {
        let read = office.get(&format!("/api/v1/routes/{}", route["id"])).await.json(200);
        let second = |stop: &Value, name: &str| stop[name].as_i64().unwrap();
        let stops = read["stops"].as_array().unwrap().iter();
        let mut times: Vec<(i64, i64)> = stops
            .map(|stop| (second(stop, "arrival_seconds"), second(stop, "leave_seconds")))
            .collect();
        times.sort_unstable();
        assert!(!times.is_empty() && has_pause(&times), "{times:?}");
    }
    assert!(daemon.stop().await);
}
