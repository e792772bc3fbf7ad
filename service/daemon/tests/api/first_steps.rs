//! An office that has nothing yet is led to its first plan, and names its weather station on the way.

use reqwest::StatusCode;
use serde_json::{Value, json};

use crate::desk::{Desk, value};
use crate::import_page::part;
use crate::support::example_with;

const STATION: &str = "/office/settings/station";
const FIELDS: [(&str, &str); 4] = [
    ("key", "USW00023183"),
    ("name", "Phoenix Sky Harbor"),
    ("latitude", "33.4278"),
    ("longitude", "-112.0038"),
];

/// The fields of the form with the hidden ones of the page as it is now.
async fn filled(desk: &Desk, changed: &[(&'static str, &'static str)]) -> Vec<(String, String)> {
    let (status, page) = desk.page(STATION).await;
    assert_eq!(status, StatusCode::OK);
    let hidden = ["form_token", "version"].map(|name| (name, value(&page, name)));
    let kept = FIELDS.iter().copied().filter(|(name, _)| changed.iter().all(|it| it.0 != *name));
    let all = hidden.into_iter().chain(kept).chain(changed.iter().copied());
    all.map(|(name, value)| (name.to_owned(), value.to_owned())).collect()
}

async fn send(desk: &Desk, changed: &[(&'static str, &'static str)]) -> (StatusCode, String) {
    let fields = filled(desk, changed).await;
    let fields: Vec<(&str, &str)> = fields.iter().map(|(name, it)| (&**name, &**it)).collect();
    desk.send(STATION, &fields).await
}

async fn branch_and_stations(desk: &Desk) -> (Value, Value) {
    let branch = desk.read(&format!("/api/v1/branches/{}", desk.service.branch)).await;
    (branch, desk.read("/api/v1/weather-stations").await["items"].clone())
}

#[tokio::test]
async fn an_office_with_nothing_is_told_its_steps_and_each_that_is_taken_is_done() {
    let desk = Desk::open().await;
    let (_, page) = desk.page("/office/season").await;
    assert!(page.contains("Before the season can be planned"), "{page}");
    assert!(!page.contains("Nothing needs a person"), "an empty office has much to do: {page}");
    assert!(!page.contains("/api/"), "nobody is sent to the interface: {page}");
    let open = |page: &str, path: &str, what: &str| {
        page.contains(&format!("<a href=\"{path}\">{what}</a>"))
    };
    let people = ("/office/settings/technicians", "Say who works, and when");
    for (path, what) in [(STATION, "Name the weather station"), people] {
        assert!(open(&page, path, what), "{what}: {page}");
        assert_eq!(desk.page(path).await.0, StatusCode::OK, "{path}");
    }
    assert_eq!(send(&desk, &[]).await.0, StatusCode::SEE_OTHER);
    desk.service.make("/api/v1/technicians", &example_with("TechnicianInput", json!({}))).await;
    let (_, page) = desk.page("/office/season").await;
    for done in ["Name the weather station", people.1] {
        assert!(page.contains(&format!("✓ done:</span> {done}")), "{done}: {page}");
    }
    assert!(open(&page, "/office/weather", "Read in its daily record"), "{page}");
}

#[tokio::test]
async fn a_station_is_named_with_the_branch_or_neither_is_kept() {
    let desk = Desk::open().await;
    let before = branch_and_stations(&desk).await;
    for (field, typed, told) in [
        ("latitude", "91", "latitude-wrong\">91 is outside -90 to 90 degrees"),
        ("latitude", "", "latitude-wrong\">Give latitude and longitude together"),
        ("elevation_metres", "high", "elevation_metres-wrong\">"),
        ("key", " ", "key-wrong\">"),
    ] {
        let (status, page) = send(&desk, &[(field, typed)]).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{field} {typed}");
        assert!(page.contains(&format!("id=\"station-{told}")), "{field} {typed}: {page}");
        assert!(page.contains("value=\"Phoenix Sky Harbor\""), "what was typed is still there");
        assert_eq!(branch_and_stations(&desk).await, before, "nothing was half done");
    }
    assert_eq!(send(&desk, &[("elevation_metres", "337.4")]).await.0, StatusCode::SEE_OTHER);
    let (branch, stations) = branch_and_stations(&desk).await;
    assert_eq!(branch["station_id"], stations[0]["id"]);
    assert_eq!(stations[0]["elevation_metres"], json!(337.4));
    let (_, page) = desk.page("/office/settings").await;
    assert!(page.contains("Phoenix Sky Harbor, USW00023183"), "{page}");

    // The same id mends what is said of it; another one names another station.
    assert_eq!(send(&desk, &[("name", "Phoenix Airport")]).await.0, StatusCode::SEE_OTHER);
    assert_eq!(branch_and_stations(&desk).await.1.as_array().unwrap().len(), 1);
    assert_eq!(send(&desk, &[("key", "USW00003184")]).await.0, StatusCode::SEE_OTHER);
    let (branch, stations) = branch_and_stations(&desk).await;
    assert_eq!(
        (stations.as_array().unwrap().len(), &branch["station_id"]),
        (2, &stations[1]["id"])
    );
    let audit = desk.read("/api/v1/audit?limit=500").await;
    let named = |it: &&Value| it["action"] == "put weather station";
    assert_eq!(audit["items"].as_array().unwrap().iter().filter(named).count(), 3);
}

#[tokio::test]
async fn a_stations_record_is_read_in_on_the_weather_page_once_and_a_wrong_file_is_told() {
    let desk = Desk::open().await;
    assert_eq!(send(&desk, &[]).await.0, StatusCode::SEE_OTHER);
    let (_, page) = desk.page("/office/weather").await;
    assert!(page.contains("No day is stored yet"), "{page}");
    let token = value(&page, "form_token").to_owned();
    let upload = async |token: &str, name: &str, content: &[u8]| {
        let parts = [part("form_token", None, token.as_bytes()), part("file", Some(name), content)];
        let (status, page, _) = desk.send_parts("/office/weather/1", parts.concat()).await;
        (status, page)
    };
    // NOAA GHCN-Daily, Phoenix (U.S. public domain), as the demo has it.
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../../seed/weather/ghcnd_USW00023183.dly");
    let record = std::fs::read(file).unwrap();

    assert_eq!(upload("of another page", "p.dly", &record).await.0, StatusCode::FORBIDDEN);
    let (status, page) = upload(&token, "parts.csv", b"key,class\nK-1,contactor\n").await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{page}");
    assert!(page.contains("Nothing of it was kept: "), "{page}");
    let (status, page) = upload(&token, "", b"").await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{page}");
    assert!(page.contains("Choose the file of the station"), "{page}");
    assert!(page.contains("No day is stored yet"), "nothing was half done: {page}");

    let (status, page) = upload(&token, "phoenix.dly", &record).await;
    assert_eq!(status, StatusCode::OK, "{page}");
    assert!(page.contains("phoenix.dly: ") && page.contains(" days are new, 0 were"), "{page}");
    assert!(page.contains("The record runs from "), "{page}");
    let (_, again) = upload(&token, "phoenix.dly", &record).await;
    assert!(again.contains("phoenix.dly: 0 days are new, 0 were corrected"), "{again}");
    let (_, season) = desk.page("/office/season").await;
    assert!(season.contains("✓ done:</span> Read in its daily record"), "{season}");
}
