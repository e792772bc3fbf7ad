//! The office's digest, three mornings in a row, by real mail: whom to call, who has not answered and how
//! often it was told, what changed, what heat comes, which parts are short.

use chrono::{NaiveDate, TimeDelta};
use harness::{Client, Daemon};
use hotspell_store::weather::{Forecast, ForecastDay, put_forecast};
use hotspell_store::words::StationId;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::own_words::Session;
use crate::season_loop::{
    Season, files, id_by_key, link_in, plan_and_adopt, score, season_base, text_of,
};

/// Writes and delivers what is due; gives the digest of that morning.
async fn digest(season: &Season, office: &Client) -> String {
    let earlier = season.mail_to("office@example.com").len();
    let written = office.post("/api/v1/notices/composition", &json!({})).await.json(200);
    assert_eq!(written["digests"], 1, "{written}");
    let again = office.post("/api/v1/notices/composition", &json!({})).await.json(200);
    assert_eq!(again["digests"], 0, "one a day: {again}");
    office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
    let mails = season.mail_to("office@example.com");
    assert_eq!(mails.len(), earlier + 1);
    text_of(mails.last().unwrap())
}

/// The lines below a heading.
fn section<'t>(digest: &'t str, heading: &str) -> Vec<&'t str> {
    let lines = digest.lines().skip_while(|line| !line.starts_with(heading));
    let below = lines.skip(2).skip_while(|line| line.is_empty());
    below.take_while(|line| !line.is_empty()).collect()
}

/// The row about a home.
fn about<'t>(rows: &[&'t str], home: usize) -> Option<&'t str> {
    let name = format!("- Home {home}");
    let named = |row: &&&str| {
        row.strip_prefix(&name)
            .is_some_and(|rest| !rest.starts_with(|next: char| next.is_ascii_digit()))
    };
    rows.iter().find(named).copied()
}

async fn visit_of(office: &Client, home: usize) -> Value {
    let site = id_by_key(office, "/api/v1/sites", &format!("S-{home}")).await;
    office.all(&format!("/api/v1/visits?site_id={site}")).await.remove(0)
}

/// What a household says by the link of its reminder, or of the mail about its agreement.
async fn says(season: &Season, daemon: &Daemon, home: usize, page: &str, form: &str) {
    let mails = season.mail_to(&format!("home-{home}@example.com"));
    let begins = format!("{}/{page}/", season_base());
    let mail = mails.iter().find(|mail| text_of(mail).contains(&begins)).unwrap();
    let link = link_in(mail, &begins);
    let path = link.strip_prefix(&season_base()).unwrap();
    let answer = daemon.client(None).post_form(path, form).await;
    assert!([200, 303].contains(&answer.status), "{}", answer.text());
}

/// Four hot days from February 21 on: warmer than anything that Phoenix has seen in that month.
fn hot_forecast() -> Forecast {
    let first: NaiveDate = "2025-02-18".parse().unwrap();
    let days = (0..8).map(|ahead| {
        let hot = (3..7).contains(&ahead);
        ForecastDay {
            day: first + TimeDelta::days(ahead),
            tmin_celsius: Some(if hot { 31.0 } else { 9.0 }),
            tmax_celsius: Some(if hot { 44.0 } else { 21.0 }),
            source: "test".to_owned(),
        }
    });
    Forecast { issued_at: "2025-02-18T12:00:00Z".parse().unwrap(), days: days.collect() }
}

/// The homes told of a visit of the next days, in the order of their numbers.
async fn told(office: &Client) -> Vec<usize> {
    let mut homes = Vec::new();
    for home in 0..24 {
        let visit = visit_of(office, home).await;
        let near = visit["day"].as_str().is_some_and(|day| day <= "2025-02-20");
        if visit["state"] == "announced" && near {
            homes.push(home);
        }
    }
    homes
}

#[tokio::test]
async fn the_digest_of_each_morning_says_what_changed_who_waits_and_what_comes() {
    for kind in TestDatabase::KINDS {
        let mut given = files();
        let sites = given.iter_mut().find(|(name, _)| *name == "sites").unwrap();
        let person = "Person 5,home-5@example.com,yes,2020-01-05,agreement form";
        assert!(sites.1.contains(person));
        sites.1 = sites.1.replace(person, "Person 5,,no,,");
        let agreements = given.iter_mut().find(|(name, _)| *name == "agreements").unwrap();
        agreements.1 =
            agreements.1.replace("A-20,S-20,2020-01-05,,", "A-20,S-20,2020-01-05,2025-04-01,");
        let mut season = Season::begin_with(kind, given).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let first = digest(&season, &office).await;
        assert!(first.contains("Whether heat comes is not known"), "no forecast yet: {first}");
        let rows = section(&first, "What changed in the past day");
        assert!(rows[0].ends_with("visits that had no day have one now"), "{first}");
        assert!(!first.contains("No answer yet"), "nobody had been told before: {first}");

        // A day in the office.
        let homes = told(&office).await;
        let [yes, call, moved, done, silent] = homes[..5] else { panic!("{homes:?}") };
        let day = visit_of(&office, yes).await["day"].as_str().unwrap().to_owned();
        says(&season, &daemon, yes, "a", &format!("answer=yes&day={day}")).await;
        let day = visit_of(&office, call).await["day"].as_str().unwrap().to_owned();
        says(&season, &daemon, call, "a", &format!("answer=call&day={day}")).await;
        says(&season, &daemon, 20, "renew", "answer=go-on").await;
        let visit = visit_of(&office, moved).await;
        let to = json!({ "state": "placed", "day": "2025-03-12", "technician_id": 1,
            "starts": "13:00:00", "ends": "15:00:00", "why": "asked", "told_as": "household-asked" });
        let change = format!("/api/v1/visits/{}/state-changes", visit["id"]);
        office.post(&change, &to).await.json(200);
        let visit = visit_of(&office, done).await;
        let part = part_at(&office, &visit).await;
        let result = json!({ "key": "r-1", "day": "2025-02-17", "technician_id": 1, "complete": true,
            "readings": [{ "component_id": part, "microfarads": 38.5 }],
            "replacements": [{ "component_id": part, "end_kind": "failed" }] });
        office.post(&format!("/api/v1/visits/{}/results", visit["id"]), &result).await.json(201);
        let visit = visit_of(&office, silent).await;
        assert_eq!(visit["day"], "2025-02-19");
        read_low(&office, &visit, "2025-02-17").await;
        assert!(daemon.stop().await);
        season.at("2025-02-18 17:00:00");
        let now = "2025-02-18T12:30:00Z".parse().unwrap();
        let store = season.database.store();
        store.write(|conn| put_forecast(conn, StationId(1), &hot_forecast(), now)).unwrap();
        drop(store);

        let (daemon, office) = season.start().await;
        let second = digest(&season, &office).await;
        let heat = section(&second, "Heat");
        let said =
            "A hot spell begins on Friday, February 21: 4 hot days in a row. The highest forecast";
        assert!(heat[0].starts_with(said), "{second}");
        assert!(heat[0].contains("111 °F"), "{second}");
        let calls = section(&second, "Reach them by phone");
        assert!(about(&calls, call).unwrap().contains("they asked for a call"), "{second}");
        assert!(about(&calls, 5).unwrap().contains("no mail address (tune-up on "), "{second}");
        assert_eq!(about(&calls, yes), None, "{second}");
        let waiting = section(&second, "No answer yet");
        assert!(about(&waiting, silent).unwrap().ends_with("; told once"), "{second}");
        for answered in [yes, call, moved, done] {
            assert_eq!(about(&waiting, answered), None, "home {answered} in {second}");
        }
        let session = Session::begin(&daemon, &season.office_token).await;
        let page = session.page("/office/season").await;
        let need = page.split("not answered</strong>").nth(1).expect("who has not answered");
        let need = need.split("</details>").next().unwrap();
        // Those of the next five days, without the one that asked for a call.
        let asked = visit_of(&office, call).await;
        let near = office.all("/api/v1/visits?state=announced&limit=500").await;
        let near = near.iter().filter(|visit| {
            let day = visit["day"].as_str().unwrap();
            ("2025-02-19"..="2025-02-23").contains(&day) && visit["id"] != asked["id"]
        });
        let count = format!("<strong>{} household", near.count());
        assert!(page.contains(&format!("{count}s have not answered</strong>")), "{count}: {need}");
        let named = |home: usize| need.contains(&format!(">Home {home}, "));
        assert!(![yes, call, moved, done].into_iter().any(named), "{need}");
        let changed = section(&second, "What changed since Monday, February 17");
        let row = |home| about(&changed, home).unwrap_or_else(|| panic!("{home} in {second}"));
        assert!(row(yes).contains("tune-up: said yes to "), "{second}");
        assert!(row(moved).contains("to Wednesday, March 12, between 1:00 PM"), "{second}");
        assert!(row(done).ends_with("done, one part replaced"), "{second}");
        assert!(row(20).contains("agreement to go on after April 1, 2025"), "{second}");
        assert_eq!(changed.len(), 4, "{second}");
        let load = section(&second, "What the trucks must carry on Wednesday, February 19");
        assert!(load[0].starts_with("- 1 × Dual run capacitor 45+5 µF"), "{second}");
        assert_eq!(load.len(), 1, "{second}");

        // The trucks of the 19th are loaded; then readings say that more parts are due on their way.
        let stretch = json!({ "first_day": "2025-02-19", "last_day": "2025-02-19" });
        office.post("/api/v1/load-lists", &stretch).await.json(200);
        let routes = office.all("/api/v1/routes?day=2025-02-19&state=current").await;
        for stop in routes.iter().flat_map(|route| route["stops"].as_array().unwrap()) {
            let visit = office.get(&format!("/api/v1/visits/{}", stop["visit_id"])).await.json(200);
            read_low(&office, &visit, "2025-02-18").await;
        }
        assert!(daemon.stop().await);
        season.at("2025-02-19 17:00:00");
        let (daemon, office) = season.start().await;
        let third = digest(&season, &office).await;
        let short = section(&third, "Parts short");
        assert!(short[0].contains("Wednesday, February 19: Dual run capacitor 45+5 µF"), "{third}");
        let waiting = section(&third, "No answer yet");
        assert!(!waiting.is_empty(), "{third}");
        assert!(waiting.iter().all(|row| row.ends_with("; told twice")), "{third}");
        let changed = section(&third, "What changed since Tuesday, February 18");
        assert_eq!(changed, ["Nothing."], "what was told is not told again: {third}");
        assert!(daemon.stop().await);
    }
}

/// A capacitor in service at the home of a visit.
async fn part_at(office: &Client, visit: &Value) -> i64 {
    let units = office.all(&format!("/api/v1/units?site_id={}", visit["site_id"])).await;
    let parts = format!("/api/v1/components?unit_id={}&in_service=true", units[0]["id"]);
    office.all(&parts).await.remove(0)["id"].as_i64().unwrap()
}

/// A capacitor at the home of a visit is measured far below its rating.
async fn read_low(office: &Client, visit: &Value, day: &str) {
    let part = part_at(office, visit).await;
    let low = json!({ "key": format!("m-{part}-{day}"), "component_id": part, "taken_on": day,
        "microfarads": 40.0 });
    office.post("/api/v1/readings", &low).await.json(201);
}
