//! What the resources promise beyond the form: rules of the trade, traces of every change.

use reqwest::{Method, StatusCode};
use serde_json::{Value, json};

use crate::support::{Service, example, example_with, make_home, make_technician, place, problem};

#[tokio::test]
async fn every_example_of_a_body_in_the_document_is_accepted() {
    let service = Service::start();
    let technician = make_technician(&service, "T-1").await;
    let home = make_home(&service, "1", technician).await;
    place(&service, home.visit, technician).await;
    let account = service.make("/api/v1/accounts", &example("AccountInput")).await;
    let tokens = format!("/api/v1/accounts/{}/tokens", account["id"]);
    service.make(&tokens, &example("TokenInput")).await;
    let part = format!("/api/v1/components/{}/replacements", home.component);
    service.make(&part, &example("ReplacementInput")).await;
    let put = async |path: String, schema: &str| {
        let answer = service.put(&path, "*", &example(schema)).await;
        assert_eq!(answer.status(), StatusCode::OK, "{path}: {}", answer.text().await.unwrap());
    };
    put("/api/v1/branches/1".to_owned(), "BranchInput").await;
    put(format!("/api/v1/visits/{}", home.visit), "VisitUpdate").await;
    put("/api/v1/sites/1".to_owned(), "SiteInput").await;
}

#[tokio::test]
async fn what_was_sent_is_what_is_read() {
    let service = Service::start();
    let technician = make_technician(&service, "T-1").await;
    let home = make_home(&service, "1", technician).await;
    for (schema, path) in [
        ("SiteInput", format!("/api/v1/sites/{}", home.site)),
        ("TechnicianInput", format!("/api/v1/technicians/{technician}")),
        ("ContactInput", format!("/api/v1/contacts/{}", home.contact)),
        ("AgreementInput", format!("/api/v1/agreements/{}", home.agreement)),
        ("UnitInput", format!("/api/v1/units/{}", home.unit)),
        ("ComponentInput", format!("/api/v1/components/{}", home.component)),
        ("ReadingInput", format!("/api/v1/readings/{}", home.reading)),
    ] {
        let read: Value = service.get(&path).await.json().await.unwrap();
        for (name, value) in example(schema).as_object().unwrap() {
            if name != "key" {
                assert_eq!(&read[name], value, "{path} {name}");
            }
        }
    }
}

// The replacement rule: common practice, no source.
#[tokio::test]
async fn a_capacitor_of_another_rating_is_refused_unless_the_office_says_why() {
    let service = Service::start();
    let technician = make_technician(&service, "T-1").await;
    let home = make_home(&service, "1", technician).await;
    let path = format!("/api/v1/components/{}/replacements", home.component);
    let wrong = example_with("ReplacementInput", json!({ "rating": "40+5 uF 440 V" }));
    let refusal = problem(service.post(&path, &wrong).await, 422).await;
    assert_eq!(refusal["errors"][0]["pointer"], "/rating");
    let meant = example_with(
        "ReplacementInput",
        json!({ "rating": "40+5 uF 440 V", "rating_override": "motor was changed too" }),
    );
    let answer = service.make(&path, &meant).await;
    assert_eq!(answer["ended"]["end_kind"], "failed");
    assert_eq!(answer["ended"]["replaced_by_id"], answer["started"]["id"]);
    assert_eq!(answer["started"]["installed_earliest"], meant["ended_on"]);
    // The place has one living occupant; the old part cannot be replaced again.
    let again = example_with("ReplacementInput", json!({ "key": "K-1c" }));
    problem(service.post(&path, &again).await, 409).await;
    let audit: Value =
        service.get("/api/v1/audit?subject_kind=component&limit=500").await.json().await.unwrap();
    assert!(audit.to_string().contains("motor was changed too"));
}

#[tokio::test]
async fn a_reading_must_fit_the_life_and_class_of_its_part() {
    let service = Service::start();
    let technician = make_technician(&service, "T-1").await;
    let home = make_home(&service, "1", technician).await;
    let body = example_with(
        "ReadingInput",
        json!({ "key": "R-9", "component_id": home.component, "taken_on": "2001-01-01" }),
    );
    let refusal = problem(service.post("/api/v1/readings", &body).await, 422).await;
    assert_eq!(refusal["errors"][0]["pointer"], "/taken_on");
    let nothing = example_with(
        "ReadingInput",
        json!({
            "key": "R-9", "component_id": home.component, "microfarads": null, "conditions": []
        }),
    );
    problem(service.post("/api/v1/readings", &nothing).await, 422).await;
}

#[tokio::test]
async fn mail_that_was_stopped_starts_again_only_by_later_consent() {
    let service = Service::start();
    service.make("/api/v1/sites", &example("SiteInput")).await;
    let stopped = example_with("ContactInput", json!({ "stopped_at": "2025-06-01T12:00:00Z" }));
    service.make("/api/v1/contacts", &stopped).await;
    let path = "/api/v1/contacts/1";
    problem(service.put(path, "*", &example("ContactInput")).await, 422).await;
    let anew = example_with("ContactInput", json!({ "consent_at": "2025-07-01T12:00:00Z" }));
    assert_eq!(service.put(path, "*", &anew).await.status(), StatusCode::OK);
    let unsaid = example_with("ContactInput", json!({ "key": "C-2", "consent_how": null }));
    problem(service.post("/api/v1/contacts", &unsaid).await, 422).await;
}

#[tokio::test]
async fn every_change_is_in_the_audit_and_in_the_feed() {
    let service = Service::start();
    service.make("/api/v1/sites", &example("SiteInput")).await;
    let changed = example_with("SiteInput", json!({ "name": "Ortega home" }));
    service.put("/api/v1/sites/1", "\"1\"", &changed).await;
    // A refused change leaves nothing.
    service.put("/api/v1/sites/1", "\"1\"", &example("SiteInput")).await;
    let path = "/api/v1/audit?subject_kind=site&subject_id=1";
    let audit: Value = service.get(path).await.json().await.unwrap();
    let entries = audit["items"].as_array().unwrap();
    assert_eq!(entries.len(), 2);
    assert_eq!(entries[1]["action"], "change");
    assert_eq!(entries[1]["account_id"], 1);
    assert_eq!(entries[1]["before"]["name"], "Alvarez home");
    assert_eq!(entries[1]["after"]["name"], "Ortega home");
    let feed: Value = service.get("/api/v1/changes").await.json().await.unwrap();
    let sites: Vec<&Value> =
        feed.as_array().unwrap().iter().filter(|change| change["resource"] == "site").collect();
    assert_eq!(sites.len(), 2);
    assert_eq!(sites[1]["version"], 2);
    let after = sites[1]["id"].as_i64().unwrap();
    let rest = service.get(&format!("/api/v1/changes?after={after}")).await;
    assert_eq!(rest.json::<Value>().await.unwrap(), json!([]));
}

#[tokio::test]
async fn a_moved_visit_keeps_who_moved_it_when_and_why() {
    let service = Service::start();
    let technician = make_technician(&service, "T-1").await;
    let home = make_home(&service, "1", technician).await;
    place(&service, home.visit, technician).await;
    let path = format!("/api/v1/visits/{}/events", home.visit);
    let events: Value = service.get(&path).await.json().await.unwrap();
    let last = &events["items"][1];
    assert_eq!((&last["from_state"], &last["to_state"]), (&json!("owed"), &json!("placed")));
    assert_eq!(last["who"], "office account 1");
    assert_eq!(last["why"], "the household asked for the morning");
}

#[tokio::test]
async fn passwords_and_digests_never_come_back() {
    let service = Service::start();
    let mut account = example("AccountInput");
    let made = service.make("/api/v1/accounts", &account).await;
    assert_eq!(made["has_password"], true);
    account["password"] = "password123".into();
    account["email"] = "other@example.com".into();
    problem(service.post("/api/v1/accounts", &account).await, 422).await;
    for path in ["/api/v1/accounts", "/api/v1/audit?limit=500", "/api/v1/accounts/1/tokens"] {
        let text = service.get(path).await.text().await.unwrap();
        assert!(!text.contains("argon2") && !text.contains("a long phrase"), "{path}");
    }
}

#[tokio::test]
async fn the_office_cannot_shut_itself_out() {
    let service = Service::start();
    let me: Value = service.get("/api/v1/account").await.json().await.unwrap();
    let mut body = example_with("AccountInput", json!({ "password": null, "disabled": true }));
    body["email"] = me["email"].clone();
    problem(service.put("/api/v1/accounts/1", "*", &body).await, 409).await;
    let answer = service.request(Method::GET, "/api/v1/account", &service.office).send().await;
    assert_eq!(answer.unwrap().status(), StatusCode::OK);
}

#[tokio::test]
async fn a_csv_file_is_taken_as_a_whole_or_every_bad_row_is_named() {
    let service = Service::start();
    let send = async |query: &str, media_type: &'static str, text: &'static str| {
        service
            .request(Method::POST, &format!("/api/v1/imports?{query}"), &service.office)
            .header("Content-Type", media_type)
            .body(text)
            .send()
            .await
            .unwrap()
    };
    let good = "technician,name\nT-1,Rosa Delgado\nT-2,Omar Haddad\n";
    let kept = async || {
        let list: Value = service.get("/api/v1/technicians").await.json().await.unwrap();
        list["items"].as_array().unwrap().len()
    };
    let answer = send("kind=technicians&dry_run=true", "text/csv", good).await;
    let report: Value = answer.json().await.unwrap();
    assert_eq!((&report["inserted"], &report["dry_run"]), (&json!(2), &json!(true)));
    assert_eq!(kept().await, 0);
    let bad = "technician,name,monday\nT-1,Rosa Delgado,late\n";
    let refusal = problem(send("kind=technicians", "text/csv", bad).await, 422).await;
    assert_eq!(refusal["errors"][0]["pointer"], "/rows/2/monday");
    problem(send("kind=technicians", "text/csv", "").await, 400).await;
    problem(send("kind=technicians", "application/json", "{}").await, 415).await;
    problem(send("kind=boats", "text/csv", good).await, 400).await;
    assert_eq!(kept().await, 0);
    let answer = send("kind=technicians", "text/csv; charset=utf-8", good).await;
    assert_eq!(answer.status(), StatusCode::OK);
    assert_eq!(kept().await, 2);
}

#[tokio::test]
async fn a_new_branch_comes_with_a_token_that_reaches_it_alone() {
    let service = Service::start();
    service.make("/api/v1/sites", &example("SiteInput")).await;
    let body = example_with("BranchInput", json!({ "key": "north", "name": "North depot" }));
    let made = service.make("/api/v1/branches", &body).await;
    let (id, token) = (&made["stored"]["id"], made["token"].as_str().unwrap());
    let get = async |path: String| service.request(Method::GET, &path, token).send().await.unwrap();
    let own: Value = get("/api/v1/branches".to_owned()).await.json().await.unwrap();
    assert_eq!((own["items"].as_array().unwrap().len(), &own["items"][0]["id"]), (1, id));
    assert_eq!(own["items"][0]["holidays"], body["holidays"]);
    let sites: Value = get("/api/v1/sites".to_owned()).await.json().await.unwrap();
    assert_eq!(sites["items"], json!([]));
    // Not the one to the other, nor the other way round.
    problem(get("/api/v1/branches/1".to_owned()).await, 404).await;
    problem(service.get(&format!("/api/v1/branches/{id}")).await, 404).await;
    problem(service.post("/api/v1/branches", &body).await, 409).await;
    let nowhere = example_with("BranchInput", json!({ "key": "south", "station_id": 99 }));
    let refusal = problem(service.post("/api/v1/branches", &nowhere).await, 422).await;
    assert_eq!(refusal["errors"][0]["pointer"], "/station_id");
}

// Degree days need a station; the file's days are those of its lines.
#[tokio::test]
async fn an_uploaded_weather_file_gives_days_and_the_same_again_changes_nothing() {
    let service = Service::start();
    let station = service.make("/api/v1/weather-stations", &example("StationInput")).await;
    let path = format!("/api/v1/weather-stations/{}/file", station["id"]);
    // The GHCN-Daily line format: id, year, month, element, then value and three flags a day.
    let line = |element: &str, value: i32| {
        let days: String = (1..=31)
            .map(|day| format!("{:>5}   ", if day <= 30 { value } else { -9999 }))
            .collect();
        format!("USW00023183202506{element}{days}\n")
    };
    let text = line("TMAX", 400) + &line("TMIN", 250);
    let upload = async || {
        let request = service.request(Method::PUT, &path, &service.office);
        let answer = request.header("Content-Type", "text/plain").body(text.clone()).send().await;
        let answer = answer.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        answer.json::<Value>().await.unwrap()
    };
    assert_eq!(upload().await["inserted"], 30);
    assert_eq!(upload().await["unchanged"], 30);
    let days =
        format!("/api/v1/weather-stations/{}/days?first=2025-06-01&last=2025-06-30", station["id"]);
    let days: Value = service.get(&days).await.json().await.unwrap();
    assert_eq!(days["items"].as_array().unwrap().len(), 30);
    assert_eq!(days["items"][0]["tmax_celsius"], 40.0);
}
