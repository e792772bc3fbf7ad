//! What goes out: the user's own records as files that come back the same, a route as a map reads it,
//! and a technician's visits as a calendar.

use harness::{Client, Setup};
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::lifecycle::empty;
use crate::season_loop::{Season, plan_and_adopt, score};

/// In the order in which they are imported.
const KINDS: [&str; 7] =
    ["technicians", "sites", "agreements", "units", "components", "replacements", "readings"];

/// Small files with what is hard to write: quotes, line breaks, other scripts, cells that a spreadsheet
/// would take for formulas, parts that were replaced.
pub(crate) const FILES: [(&str, &str); 7] = [
    (
        "technicians",
        "technician,name,phone,skills,monday,absences\n\
         T-1,\"Ann, \"\"Annie\"\" Example\",+1 202 555 0143,large;standard,07:30-16:00,2026-06-01..2026-06-14; 2026-07-03\n",
    ),
    (
        "sites",
        "site,name,address_1,city,region,postal_code,latitude,longitude,access_notes,contact_name,contact_email,\
         contact_mail_consent,contact_consent_on,contact_consent_how,refused_weekdays\n\
         S-1,\"'=HYPERLINK(\"\"x\"\")\",1 Example Street,Phoenix,AZ,85001,33.5,-112.1,\"gate\ncode; «dog»\",\
         @home,bo@example.com,yes,2024-01-05,agreement form,mon;sun\n\
         S-2,Ñandú,2 Example Street,Phoenix,AZ,85001,,,,,,,,,\n",
    ),
    (
        "agreements",
        "agreement,site,first_day,last_day,visits\n\
         A-1,S-1,2024-01-05,2030-01-04,capacitor-check@11-15..02-10; tune-up@02-01..05-15\n",
    ),
    (
        "units",
        "unit,site,kind,capacity_tons,installed_on,exposure,label\n\
         U-1,S-1,heat-pump,3.5,2014-05,sun,+1 upstairs\n\
         U-2,S-2,packaged-unit,,..2015-12-31,,\n",
    ),
    (
        "components",
        "component,unit,position,class,rating,installed_on,observed_from\n\
         K-1,U-1,outdoor,run-capacitor-dual,45+5 uF 370/440 V,2016-04-02,2018-01-01\n\
         -K-2,U-2,outdoor,run-capacitor-single,7.5 uF 440 V,,2024-01-01\n",
    ),
    (
        "replacements",
        "component,ended_on,end_kind,new_component,new_rating,new_batch\n\
         K-1,2024-07-04,failed,A-first-by-key,45+5 uF 440 V,2415\n",
    ),
    (
        "readings",
        "reading,component,taken_on,technician,section,microfarads,volts,amperes,conditions,note\n\
         R-1,K-1,2023-06-01,T-1,fan,4.9,,,hot,\"- said \"\"warm\"\"\"\n\
         R-2,A-first-by-key,2025-06-01,,main,,370,6.2,,\n",
    ),
];

pub(crate) async fn import(office: &Client, kind: &str, text: impl Into<Vec<u8>>) -> Value {
    let path = format!("/api/v1/imports?kind={kind}");
    office.post_bytes(&path, "text/csv", text).await.json(200)
}

async fn exported(office: &Client) -> Vec<(&'static str, String)> {
    let mut files = Vec::new();
    for kind in KINDS {
        let answer = office.get(&format!("/api/v1/exports/{kind}")).await;
        assert_eq!(answer.status, 200, "{kind}: {}", answer.text());
        assert!(answer.header("Content-Type").unwrap().starts_with("text/csv"), "{kind}");
        let name = answer.header("Content-Disposition").unwrap();
        assert_eq!(name, format!("attachment; filename=\"{kind}.csv\""));
        files.push((kind, answer.text()));
    }
    files
}

pub(crate) async fn add_second_branch(setup: &Setup) -> String {
    let arguments = [
        "branch",
        "add",
        "--key",
        "second",
        "--name",
        "Second",
        "--time-zone",
        "America/Phoenix",
        "--postal-address",
        "2 Example Street, Phoenix, AZ 85001",
    ];
    setup.run(&arguments).await.success();
    let arguments = [
        "account",
        "add",
        "--role",
        "office",
        "--name",
        "Second",
        "--email",
        "second@example.com",
        "--branch",
        "second",
    ];
    setup.run(&arguments).await.success().trim().to_owned()
}

#[tokio::test]
async fn an_export_imported_into_an_empty_branch_is_exported_byte_for_byte_the_same() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        setup.add_branch().await;
        let first = setup.add_account("office", &[]).await;
        let second = add_second_branch(&setup).await;
        let daemon = setup.start().await;
        let (first, second) = (daemon.client(Some(&first)), daemon.client(Some(&second)));
        for (kind, text) in FILES {
            import(&first, kind, text).await;
        }
        let files = exported(&first).await;
        let sites = &files[1].1;
        for guarded in ["\"'=HYPERLINK(\"\"x\"\")\"", "'@home", "\"gate\ncode; «dog»\""] {
            assert!(sites.contains(guarded), "{guarded} in {sites}");
        }
        for (kind, text) in &files {
            let report = import(&second, kind, text.as_str()).await;
            assert_eq!(report["rows"], text_rows(text), "{kind}: {report}");
        }
        assert_eq!(exported(&second).await, files, "{kind:?}");
        let homes = second.all("/api/v1/sites").await;
        assert_eq!(homes[0]["name"], "=HYPERLINK(\"x\")", "what was meant came through");
        let again = import(&first, "sites", files[1].1.as_str()).await;
        assert_eq!((&again["changed"], &again["inserted"]), (&json!(0), &json!(0)), "{again}");
        assert!(daemon.stop().await);
    }
}

/// Rows of an exported file: its records end with CRLF, the line breaks inside of cells with LF.
fn text_rows(text: &str) -> usize {
    text.matches("\r\n").count() - 1
}

#[tokio::test]
async fn a_route_is_a_map_and_a_calendar_until_its_address_is_revoked() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let technician = season.technician(&daemon);
        let routes = technician.all("/api/v1/routes?state=current").await;
        let route = &routes[0];
        route_as_geojson(&technician, route).await;
        calendar_of_a_technician(&daemon.client(None), &office, &technician, route).await;
        assert!(daemon.stop().await);
    }
}

// RFC 7946: a FeatureCollection; coordinates are longitude, latitude; a way has two or more.
async fn route_as_geojson(technician: &Client, route: &Value) {
    let path = format!("/api/v1/routes/{}/geojson", route["id"]);
    let answer = technician.get(&path).await;
    assert_eq!(answer.header("Content-Type"), Some("application/geo+json"));
    let map = answer.json(200);
    assert_eq!(map["type"], "FeatureCollection");
    let features = map["features"].as_array().unwrap();
    let stops = route["stops"].as_array().unwrap();
    assert_eq!(features.len(), stops.len() + 1, "{map}");
    for (place, (feature, stop)) in features.iter().zip(stops).enumerate() {
        assert_eq!(feature["type"], "Feature");
        assert_eq!(feature["geometry"]["type"], "Point");
        assert_eq!(feature["geometry"]["coordinates"][0], -112.05, "longitude first");
        let said = &feature["properties"];
        assert_eq!((&said["role"], &said["order"]), (&json!("stop"), &json!(place + 1)));
        assert_eq!((&said["visit_id"], &said["kind"]), (&stop["visit_id"], &json!("tune-up")));
        let seconds = stop["arrival_seconds"].as_u64().unwrap();
        let day = route["day"].as_str().unwrap();
        let clock = format!("{day}T{:02}:{:02}", seconds / 3600, seconds / 60 % 60);
        let arrival = said["arrival"].as_str().unwrap();
        assert!(arrival.starts_with(&clock) && arrival.ends_with("-07:00"), "{clock} {arrival}");
    }
    let way = features.last().unwrap();
    assert_eq!(
        (&way["properties"]["role"], &way["geometry"]["type"]),
        (&json!("way"), &json!("LineString"))
    );
    let line = way["geometry"]["coordinates"].as_array().unwrap();
    assert_eq!(line.len(), stops.len() + 2, "from the depot and back to it");
    assert_eq!((&line[0], &line[0]), (&json!([-112.02, 33.44]), line.last().unwrap()));
}

async fn calendar_of_a_technician(anyone: &Client, office: &Client, own: &Client, route: &Value) {
    let account = own.get("/api/v1/account").await.json(200);
    let tokens = format!("/api/v1/accounts/{}/tokens", account["id"]);
    let wanted = json!({ "label": "phone", "scope": "calendar-feed", "expires_at": null });
    let desk = office.get("/api/v1/account").await.json(200);
    let not_theirs = format!("/api/v1/accounts/{}/tokens", desk["id"]);
    office.post(&not_theirs, &wanted).await.problem(422);
    let made = office.post(&tokens, &wanted).await.json(201);
    let url = made["calendar_url"].as_str().unwrap();
    let path = &url[url.find("/calendars/").unwrap()..];

    let answer = anyone.get(path).await;
    assert_eq!(answer.status, 200, "{}", answer.text());
    assert!(answer.header("Content-Type").unwrap().starts_with("text/calendar"));
    let text = answer.text().replace("\r\n ", "");
    assert_eq!(anyone.get(path).await.text().replace("\r\n ", ""), text, "stable between visits");
    let visit = &route["stops"][0];
    let event = text
        .split("BEGIN:VEVENT")
        .find(|event| {
            event.contains(&format!("UID:technician-visit-{}.test@hotspell", visit["visit_id"]))
        })
        .unwrap_or_else(|| panic!("no such event: {text}"));
    // Phoenix keeps UTC-7 all year (IANA time zone database).
    let seconds = visit["arrival_seconds"].as_u64().unwrap() + 7 * 3600;
    let day = route["day"].as_str().unwrap().replace('-', "");
    let starts =
        format!("DTSTART:{day}T{:02}{:02}{:02}Z", seconds / 3600, seconds / 60 % 60, seconds % 60);
    assert!(event.contains(&starts), "{starts} in {event}");
    assert!(event.contains("SUMMARY:Tune-up: Home "), "{event}");
    assert!(event.contains("LOCATION:") && event.contains("Example Street"), "{event}");
    // It is an address, not a key to the rest.
    let secret = made["token"].as_str().unwrap();
    let request = anyone.request(reqwest::Method::GET, "/api/v1/routes").bearer_auth(secret);
    anyone.send(request).await.problem(401);

    let revoked = format!("{tokens}/{}", made["stored"]["id"]);
    let request = office.request(reqwest::Method::DELETE, &revoked);
    assert_eq!(office.send(request).await.status, 204);
    anyone.get(path).await.problem(404);
}

#[tokio::test]
async fn a_folder_of_all_records_is_written_by_one_command_and_goes_in_again() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        setup.add_branch().await;
        for (kind, text) in FILES {
            let file = setup.write("in.csv", text);
            setup.run(&["import", kind, file.to_str().unwrap()]).await.success();
        }
        let folder = setup.path("records");
        let said = setup.run(&["export", folder.to_str().unwrap()]).await.success();
        assert!(said.starts_with("technicians: 1 rows in "), "{said}");
        assert!(said.contains("sites: 2 rows in ") && said.contains("readings: 2 rows"), "{said}");
        let read = |kind: &str| std::fs::read(folder.join(format!("{kind}.csv"))).unwrap();
        let first = KINDS.map(read);
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), KINDS.len(), "and nothing else");

        // Nothing is overwritten without being told; then it is, with the same.
        std::fs::write(folder.join("units.csv"), "mine").unwrap();
        let refused = setup.run(&["export", folder.to_str().unwrap()]).await;
        assert_eq!(refused.status, Some(2), "{refused:?}");
        assert!(refused.stderr.contains("units.csv") && refused.stderr.contains("--overwrite"));
        assert_eq!(read("units"), b"mine");
        setup.run(&["export", "--overwrite", folder.to_str().unwrap()]).await.success();
        assert_eq!(KINDS.map(read), first, "{kind:?}");

        // Into a branch without records, and out of it again.
        add_second_branch(&setup).await;
        for kind in KINDS.iter().filter(|kind| **kind != "replacements") {
            let file = folder.join(format!("{kind}.csv"));
            let arguments = ["import", "--branch", "second", kind, file.to_str().unwrap()];
            let said = setup.run(&arguments).await.success();
            assert!(said.contains("0 changed, 0 unchanged"), "{said}");
        }
        let again = setup.path("again");
        let arguments = ["export", "--branch", "second", again.to_str().unwrap()];
        setup.run(&arguments).await.success();
        let out = KINDS.map(|kind| std::fs::read(again.join(format!("{kind}.csv"))).unwrap());
        assert_eq!(out, first, "{kind:?}");
        let missing = setup.run(&["export", "--branch", "third", again.to_str().unwrap()]).await;
        assert_eq!(missing.status, Some(2), "{missing:?}");
    }
}

#[tokio::test]
async fn a_branch_that_has_some_kinds_only_goes_out_and_in_again_file_by_file() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        setup.add_branch().await;
        let (technicians, text) = FILES[0];
        let file = setup.write("in.csv", text);
        setup.run(&["import", technicians, file.to_str().unwrap()]).await.success();
        let folder = setup.path("records");
        let said = setup.run(&["export", folder.to_str().unwrap()]).await.success();
        assert!(said.contains("sites: 0 rows in "), "{said}");
        add_second_branch(&setup).await;
        for kind in KINDS {
            let file = folder.join(format!("{kind}.csv"));
            let arguments = ["import", "--branch", "second", kind, file.to_str().unwrap()];
            let said = setup.run(&arguments).await.success();
            let rows = usize::from(kind == technicians);
            let expected = format!("{kind}: {rows} rows, {rows} new, 0 changed, 0 unchanged\n");
            assert!(said.starts_with(&expected), "{said}");
        }
        let again = setup.path("again");
        let arguments = ["export", "--branch", "second", again.to_str().unwrap()];
        setup.run(&arguments).await.success();
        for kind in KINDS {
            let read = |folder: &std::path::Path| std::fs::read(folder.join(format!("{kind}.csv")));
            assert_eq!(read(&folder).unwrap(), read(&again).unwrap(), "{kind}");
        }
        // What has not even a header is still no file of ours.
        let nothing = setup.write("in.csv", "");
        let arguments = ["import", "--branch", "second", "sites", nothing.to_str().unwrap()];
        let refused = setup.run(&arguments).await;
        assert_eq!(refused.status, Some(2), "{refused:?}");
        assert!(refused.stderr.contains("it has no header"), "{refused:?}");
    }
}

#[tokio::test]
async fn a_calendars_address_is_for_a_technicians_account_alone_and_shows_nobody_elses() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        setup.add_branch().await;
        let office = setup.add_account("office", &[]).await;
        let file = setup.write("in.csv", "technician,name\nT-1,Ann Example\nT-2,Ben Example\n");
        setup.run(&["import", "technicians", file.to_str().unwrap()]).await.success();
        let ann = setup.add_account("technician", &["--technician", "T-1"]).await;
        let daemon = setup.start().await;
        let (office, ann) = (daemon.client(Some(&office)), daemon.client(Some(&ann)));
        let account = json!({ "role": "technician", "email": "ben@example.com", "password": null,
            "technician_id": 2 });
        let account = crate::lifecycle::example(&office, "AccountInput", account).await;
        let ben = office.post("/api/v1/accounts", &account).await.json(201)["id"].clone();
        let tokens_of = |account: &Value| format!("/api/v1/accounts/{account}/tokens");
        let wanted = json!({ "label": "phone", "scope": "calendar-feed", "expires_at": null });
        let key = json!({ "label": "test", "scope": "api", "expires_at": null });
        let key = office.post(&tokens_of(&ben), &key).await.json(201)["token"].clone();
        let key = key.as_str().unwrap();
        let ben_himself = daemon.client(Some(key));

        let desk = office.get("/api/v1/account").await.json(200)["id"].clone();
        let refused = office.post(&tokens_of(&desk), &wanted).await.problem(422);
        let detail = "expected api: only a technician's account has a calendar";
        let expected = json!([{ "pointer": "/scope", "detail": detail }]);
        assert_eq!(refused["errors"], expected, "{kind:?}");
        let anns = ann.get("/api/v1/account").await.json(200)["id"].clone();
        ben_himself.post(&tokens_of(&anns), &wanted).await.problem(404);
        ben_himself.get(&tokens_of(&anns)).await.problem(404);
        // A key to the interface is no address of a calendar.
        let anyone = daemon.client(None);
        anyone.get(&format!("/calendars/{key}.ics")).await.problem(404);
        for (who, account, name) in [(&ann, &anns, "Ann"), (&ben_himself, &ben, "Ben")] {
            let made = who.post(&tokens_of(account), &wanted).await.json(201);
            let url = made["calendar_url"].as_str().unwrap();
            let calendar = anyone.get(&url[url.find("/calendars/").unwrap()..]).await.text();
            for other in ["Ann", "Ben"] {
                let shown = calendar.contains(&format!("{other} Example"));
                assert_eq!(shown, other == name, "{kind:?}: {calendar}");
            }
        }
        assert!(daemon.stop().await);
    }
}
