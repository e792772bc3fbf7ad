//! A day on the pages: its map asks nobody but the server of tiles that is set, its printed sheet holds what a technician needs without a
//! phone, and the pause of the plan stands in it.

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};

use fantoccini::Locator;
use harness::browser::Browser;
use harness::{Client, eventually};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

use crate::own_words::Session;
use crate::season_loop::{Season, files, plan_and_adopt, score};

/// The route in force with most stops, and its stops as the interface tells them.
async fn fullest_route(office: &Client) -> Value {
    let routes = office.all("/api/v1/routes?state=current&limit=500").await;
    let stops = |route: &Value| route["stops"].as_array().unwrap().len();
    routes.into_iter().max_by_key(stops).unwrap()
}

#[tokio::test]
async fn the_map_of_a_day_is_drawn_without_asking_any_other_server() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let route = fullest_route(&office).await;
    let session = Session::begin(&daemon, &season.office_token).await;
    let page = format!("/office/day?day={}", route["day"].as_str().unwrap());
    let answer = session.answer(&page).await;
    let policy = answer.header("Content-Security-Policy").unwrap().to_owned();
    // What a browser may load (W3C Content Security Policy Level 3): from here, or written into the page.
    for directive in policy.split(';').map(str::trim).filter(|directive| !directive.is_empty()) {
        for source in directive.split(' ').skip(1) {
            assert!(["'none'", "'self'", "data:"].contains(&source), "{source} in {policy}");
        }
    }
    assert!(policy.contains("default-src 'none'"), "{policy}");
    let page = answer.text();
    let map = page.split("<svg").nth(1).expect("a map").split("</svg>").next().unwrap();
    let of_day = format!("/api/v1/routes?state=current&day={}", route["day"].as_str().unwrap());
    let stops: usize =
        office.all(&of_day).await.iter().map(|it| it["stops"].as_array().unwrap().len()).sum();
    assert_eq!(map.matches("<circle class=\"stop").count(), stops, "{map}");
    for attribute in ["src=\"", "href=\"", "url("] {
        for value in page.split(attribute).skip(1) {
            assert!(!value.starts_with("http") && !value.starts_with("//"), "{attribute}{value}");
        }
    }
    assert!(daemon.stop().await);
}

/// The smallest PNG file: one grey dot (ISO/IEC 15948).
const DOT: &[u8] =
    b"\x89PNG\r\n\x1A\n\0\0\0\rIHDR\0\0\0\x01\0\0\0\x01\x08\0\0\0\0\x3A\x7E\x9B\x55\0\0\0\nIDAT\x78\x9C\x63\x78\
      \x01\0\0\xEA\0\xE9\xDE\xE2\x4E\x2F\0\0\0\0IEND\xAE\x42\x60\x82";

/// A server of map tiles on this machine: its address, and the heads of the requests that it got.
fn tile_server() -> (String, Arc<Mutex<Vec<String>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    // Another host than the service's: cookies do not tell ports apart (RFC 6265, 8.5).
    let origin = format!("http://localhost:{}", listener.local_addr().unwrap().port());
    let asked = Arc::new(Mutex::new(Vec::new()));
    let heads = Arc::clone(&asked);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            let mut head = String::new();
            for line in BufReader::new(stream.try_clone().unwrap()).lines() {
                let Some(line) = line.ok().filter(|line| !line.is_empty()) else { break };
                head.push_str(&line);
                head.push('\n');
            }
            // A browser opens connections ahead and may not use them.
            if head.is_empty() {
                continue;
            }
            heads.lock().unwrap().push(head);
            let answer = format!(
                "HTTP/1.1 200 OK\r\nContent-Type: image/png\r\nContent-Length: {}\r\n\
                 Connection: close\r\n\r\n",
                DOT.len()
            );
            let sent = stream.write_all(answer.as_bytes()).and_then(|()| stream.write_all(DOT));
            if sent.is_err() {
                break; // The browser has left.
            }
        }
    });
    (origin, asked)
}

#[tokio::test]
async fn the_map_has_tiles_under_it_when_their_address_is_set_and_pictures_come_from_there_alone() {
    let (origin, asked) = tile_server();
    let mut season = Season::begin(DatabaseKind::Sqlite).await;
    season.set("map.tile_url", &format!("{origin}/{{z}}/{{x}}/{{y}}.png"));
    season.set("map.tile_credit", "Test tiles");
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let route = fullest_route(&office).await;
    let page = format!("/office/day?day={}", route["day"].as_str().unwrap());
    let session = Session::begin(&daemon, &season.office_token).await;
    let answer = session.answer(&page).await;
    let policy = answer.header("Content-Security-Policy").unwrap().to_owned();
    assert!(policy.contains(&format!("img-src 'self' data: {origin};")), "{policy}");
    assert_eq!(policy.matches("http").count(), 1, "only pictures, only from there: {policy}");
    let text = answer.text();
    assert!(text.contains("<p class=\"soft\">Map: Test tiles</p>"), "{text}");
    let tiles = text.matches(&format!("<image href=\"{origin}/")).count();
    assert!((2..60).contains(&tiles), "{tiles} tiles");
    let other = session.answer("/office/season").await;
    assert!(!other.header("Content-Security-Policy").unwrap().contains(&origin));

    let browser = Browser::open(1440, 900).await;
    browser.show(&format!("{}/sign-in", daemon.base)).await;
    let field = browser.window.find(Locator::Css("#token")).await.unwrap();
    field.send_keys(&season.office_token).await.unwrap();
    browser.press_and_wait("form:has(#token) button").await;
    browser.show(&format!("{}{page}", daemon.base)).await;
    let heads = eventually("every tile is asked for", async || {
        let heads = asked.lock().unwrap().clone();
        (heads.len() >= tiles).then_some(heads)
    })
    .await;
    for head in &heads {
        let path = head.split(' ').nth(1).unwrap();
        assert!(text.contains(&format!("\"{origin}{path}\"")), "{path} is a tile of the map");
        assert!(!head.to_lowercase().contains("\nreferer:"), "nobody is told of the page: {head}");
        assert!(!head.to_lowercase().contains("\ncookie:"), "{head}");
    }
    let faults = browser.accessibility_faults().await;
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    browser.whole_picture("office-day-with-tiles-1440").await;
    browser.close().await;
    assert!(daemon.stop().await);
}

#[tokio::test]
async fn a_printed_day_holds_cautions_pause_load_and_every_stop_with_its_parts_and_no_button() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let route = fullest_route(&office).await;
    let stops = route["stops"].as_array().unwrap();
    assert!(stops.len() > 1, "{route}");
    let day = route["day"].as_str().unwrap();
    let days = json!({ "first_day": day, "last_day": day });
    office.post("/api/v1/load-lists", &days).await.json(200);
    let browser = Browser::open(1024, 768).await;
    browser.show(&format!("{}/sign-in", daemon.base)).await;
    let field = browser.window.find(Locator::Css("#token")).await.unwrap();
    field.send_keys(&season.office_token).await.unwrap();
    browser.press_and_wait("form:has(#token) button").await;
    let technician = &route["technician_id"];
    browser
        .show(&format!("{}/technician/today?day={day}&technician={technician}", daemon.base))
        .await;
    let on_screen = browser.text_on("screen").await;
    assert!(on_screen.contains("Record the check"), "{on_screen}");
    let printed = browser.text_on("print").await;
    for button in ["Record the check", "Sign out"] {
        assert!(!printed.contains(button), "«{button}» in {printed}");
    }
    let at = |words: &str| {
        printed.find(words).unwrap_or_else(|| panic!("«{words}» is not in {printed}"))
    };
    let caution = at("Switch the power off at the disconnect");
    let pause = at("Pause:");
    at("Load the truck");
    // The day at work, first things first; every stop with its address and what to measure there.
    let sites = office.all("/api/v1/sites?limit=500").await;
    for stop in stops {
        let visit = office.get(&format!("/api/v1/visits/{}", stop["visit_id"])).await.json(200);
        let site = sites.iter().find(|site| site["id"] == visit["site_id"]).unwrap();
        let address = site["address_1"].as_str().unwrap();
        assert!(at(address) > caution, "{printed}");
    }
    let ratings = printed.matches("45+5").count();
    assert!(ratings >= 2 * stops.len(), "two machines at each of {}: {ratings}", stops.len());
    assert!(pause > caution, "{printed}");
    browser.close().await;
    assert!(daemon.stop().await);
}

/// The season's files, but the second technician does not work on Wednesdays.
fn files_with_a_day_off() -> Vec<(&'static str, String)> {
    let mut files = files();
    let shift = "07:30-16:00";
    let row = format!("large,{shift},{shift},{shift},{shift},{shift}\n");
    let technicians = &mut files[0].1;
    let at = technicians.rfind(&row).unwrap();
    let free = format!("large,{shift},{shift},,{shift},{shift}\n");
    technicians.replace_range(at..at + row.len(), &free);
    files
}

#[tokio::test]
async fn a_technicians_week_keeps_its_free_day_and_every_working_day_its_pause() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin_with(kind, files_with_a_day_off()).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let routes = office.all("/api/v1/routes?state=current&limit=500").await;
        let session = Session::begin(&daemon, &season.office_token).await;
        let mut of_ben = 0;
        for route in &routes {
            let day: chrono::NaiveDate = route["day"].as_str().unwrap().parse().unwrap();
            let is_ben = route["technician_id"] == 2;
            of_ben += usize::from(is_ben);
            let wednesday = chrono::Datelike::weekday(&day) == chrono::Weekday::Wed;
            assert!(!(is_ben && wednesday), "{kind:?}: {route}");
            let path = format!("/technician/today?day={day}&technician={}", route["technician_id"]);
            let page = session.page(&path).await;
            // `planning.pause_s` is half an hour, between eleven and two.
            let pause = page.split("<strong>Pause:</strong> ").nth(1).expect("a pause");
            let pause = pause.split("</p>").next().unwrap();
            let place = ["before the first stop", "after the last stop", "between stops"];
            assert!(place.iter().any(|place| pause.contains(place)), "{pause}");
        }
        assert!(of_ben > 0 && routes.len() > of_ben, "both work: {of_ben} of {}", routes.len());
        // Nor does a plan take a visit that the office puts on that day.
        let plan = office.all("/api/v1/plans?state=adopted").await.remove(0);
        let stop = office.all(&format!("/api/v1/plans/{}/stops", plan["id"])).await.remove(0);
        let moved = json!({ "visit_id": stop["visit_id"], "day": "2025-03-12", "technician_id": 2,
            "keep": false });
        let path = format!("/api/v1/plans/{}/moves", plan["id"]);
        let refused = office.post(&path, &moved).await.problem(422);
        let away = "Ben Example does not work on Wed, March 12";
        assert_eq!(refused["errors"][0]["detail"], away, "{refused}");
        assert!(daemon.stop().await);
    }
}
