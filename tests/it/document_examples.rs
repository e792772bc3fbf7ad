//! The examples of requests in the published document are requests that the service takes.
//!
//! Only what names a row or a day of the world that they run in is changed: numbers, keys, days.

use std::collections::BTreeSet;

use harness::{Client, eventually};
use hotspell_test_support::DatabaseKind;
use reqwest::Method;
use serde_json::{Value, json};

use crate::season_loop::{Season, id_by_key, plan_and_adopt, score};

/// The published document, and which of its examples were sent.
struct Examples<'a> {
    office: &'a Client,
    document: Value,
    sent: BTreeSet<String>,
}

impl<'a> Examples<'a> {
    async fn of(office: &'a Client) -> Self {
        let document = office.get("/openapi.json").await.json(200);
        Self { office, document, sent: BTreeSet::new() }
    }

    /// Every operation that takes JSON: its identifier, method, path and the schema of its body.
    fn operations(&self) -> Vec<(String, Method, String, String)> {
        let mut found = Vec::new();
        for (path, item) in self.document["paths"].as_object().unwrap() {
            for (method, operation) in item.as_object().unwrap() {
                let body =
                    &operation["requestBody"]["content"]["application/json"]["schema"]["$ref"];
                let Some(schema) = body.as_str() else { continue };
                let schema = schema.rsplit('/').next().unwrap().to_owned();
                let id = operation["operationId"].as_str().unwrap().to_owned();
                let method = Method::from_bytes(method.to_uppercase().as_bytes()).unwrap();
                found.push((id, method, path.clone(), schema));
            }
        }
        found
    }

    /// The rows of an example of many, with some members of each changed.
    fn rows(&self, schema: &str, changes: Value) -> Value {
        let example = &self.document["components"]["schemas"][schema]["example"];
        let mut items = example["items"].clone();
        for row in items.as_array_mut().unwrap_or_else(|| panic!("{schema} has no items")) {
            for (member, value) in changes.as_object().unwrap() {
                assert!(row.get(member).is_some(), "{schema}: its rows have no {member}");
                row[member] = value.clone();
            }
        }
        json!({ "items": items })
    }

    /// Sends the example of an operation with some members changed, `place` filling its path's one or two
    /// numbers; the answer must be one of the document's successes. Gives what was answered.
    async fn send(&mut self, id: &str, place: &[i64], changes: Value) -> Value {
        let (.., template, _) = self.operation(id);
        let mut path = template;
        for number in place {
            let (begin, end) = (path.find('{').unwrap(), path.find('}').unwrap());
            path.replace_range(begin..=end, &number.to_string());
        }
        assert!(!path.contains('{'), "{path}");
        self.send_to(id, path, changes).await
    }

    fn operation(&self, id: &str) -> (String, Method, String, String) {
        let operations = self.operations();
        operations.into_iter().find(|(name, ..)| name == id).unwrap_or_else(|| panic!("no {id}"))
    }

    /// As [`Self::send`], to a path.
    async fn send_to(&mut self, id: &str, path: String, changes: Value) -> Value {
        let (_, method, template, schema) = self.operation(id);
        let mut body = self.document["components"]["schemas"][&schema]["example"].clone();
        assert!(body.is_object(), "{schema} has no example");
        for (member, value) in changes.as_object().unwrap() {
            assert!(body.get(member).is_some(), "{schema}: the example has no {member}");
            body[member] = value.clone();
        }
        let mut request = self.office.request(method.clone(), &path).json(&body);
        if method == Method::PUT {
            let stored = if path.ends_with("/stations") { "/api/v1/branches/1" } else { &path };
            request = request.header("If-Match", self.office.get(stored).await.etag());
        }
        let answer = self.office.send(request).await;
        let said = String::from_utf8_lossy(&answer.bytes).into_owned();
        let documented = &self.document["paths"][&template][method.as_str().to_lowercase()];
        let documented = &documented["responses"][answer.status.to_string()];
        assert!(
            (200..300).contains(&answer.status) && documented.is_object(),
            "{id}: {} to {body}: {said}",
            answer.status
        );
        self.sent.insert(id.to_owned());
        serde_json::from_str(&said).unwrap_or(Value::Null)
    }
}

fn number(row: &Value) -> i64 {
    row["id"].as_i64().unwrap()
}

#[tokio::test]
async fn every_example_of_a_request_in_the_document_is_taken_by_the_service() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    let mut examples = Examples::of(&office).await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let home = records(&mut examples).await;
    visits(&mut examples, home).await;
    season_and_plans(&mut examples).await;
    settings(&mut examples).await;
    let missed: Vec<String> = examples
        .operations()
        .into_iter()
        .map(|(id, ..)| id)
        .filter(|id| !examples.sent.contains(id))
        .collect();
    assert!(missed.is_empty(), "their examples were not sent: {missed:?}");
    assert!(daemon.stop().await);
}

/// A home with all that belongs to it, made and changed.
async fn records(examples: &mut Examples<'_>) -> i64 {
    let site = number(&examples.send("create_site", &[], json!({ "key": "EX-1" })).await);
    examples.send("update_site", &[site], json!({ "key": "EX-1" })).await;
    let person = json!({ "site_id": site });
    let contact = number(&examples.send("create_contact", &[], person.clone()).await);
    examples.send("update_contact", &[contact], person).await;
    let agreement = json!({ "site_id": site, "key": "EX-1", "last_day": "2025-12-31" });
    let stored = number(&examples.send("create_agreement", &[], agreement.clone()).await);
    examples.send("update_agreement", &[stored], agreement).await;
    let next = number(&examples.send("renew_agreement", &[stored], json!({})).await);
    let many = examples.rows("AgreementRenewals", json!({ "agreement_id": next }));
    examples.send("renew_agreements", &[], many).await;
    let unit = json!({ "site_id": site });
    let machine = number(&examples.send("create_unit", &[], unit.clone()).await);
    examples.send("update_unit", &[machine], unit).await;
    let part = json!({ "unit_id": machine, "last_seen_good_on": "2024-04-02" });
    let component = number(&examples.send("create_component", &[], part.clone()).await);
    examples.send("update_component", &[component], part).await;
    let reading = json!({ "component_id": component, "taken_on": "2024-04-02" });
    let stored = number(&examples.send("create_reading", &[], reading.clone()).await);
    examples.send("update_reading", &[stored], reading.clone()).await;
    let many = examples.rows("ReadingInputs", reading);
    examples.send("create_readings", &[], many).await;
    let ended = json!({ "ended_on": "2025-02-10", "key": "EX-2" });
    examples.send("create_replacement", &[component], ended).await;
    site
}

/// Branch, technicians, accounts, stations, programs that are told.
async fn settings(examples: &mut Examples<'_>) {
    let another = json!({ "key": "another" });
    examples.send("create_branch", &[], another).await;
    let station = examples.office.all("/api/v1/weather-stations").await.remove(0);
    let depot = json!({ "latitude_degrees": 33.44, "longitude_degrees": -112.02 });
    let kept =
        json!({ "key": "test", "station_id": station["id"], "depot": depot, "holidays": [] });
    examples.send("update_branch", &[1], kept).await;
    examples.send("put_branch_stations", &[1], json!({})).await;
    let lines = "/api/v1/branches/1/notice-lines/reminder/en".to_owned();
    examples.send_to("put_notice_lines", lines, json!({})).await;
    examples.send("put_weather_station", &[], json!({ "key": "USW00000001" })).await;
    let person = json!({ "key": "T-9", "email": "t-9@example.com" });
    let technician = number(&examples.send("create_technician", &[], person.clone()).await);
    examples.send("update_technician", &[technician], person).await;
    let desk = json!({ "email": "another-desk@example.com" });
    let account = number(&examples.send("create_account", &[], desk.clone()).await);
    examples.send("update_account", &[account], desk).await;
    examples.send("create_token", &[account], json!({})).await;
    let told = number(&examples.send("create_subscription", &[], json!({})).await);
    examples.send("update_subscription", &[told], json!({})).await;
}

/// What takes a while: scores, plans, what they would be worth.
async fn season_and_plans(examples: &mut Examples<'_>) {
    examples.send("create_scoring_run", &[], json!({})).await;
    examples.send("create_backtest", &[], json!({})).await;
    examples.send("create_rehearsal", &[], json!({ "replicates": 50 })).await;
    let stretch =
        json!({ "first_day": "2025-03-03", "last_day": "2025-04-11", "iterations_per_visit": 10 });
    let draft = examples.send("create_plan", &[], stretch).await;
    let stops = examples.office.all(&format!("/api/v1/plans/{}/stops", draft["id"])).await;
    let stop = &stops[0];
    let moved = json!({ "visit_id": stop["visit_id"], "technician_id": stop["technician_id"],
        "day": "2025-04-01" });
    examples.send("move_plan_visit", &[number(&draft)], moved).await;
    let days = json!({ "first_day": "2025-02-18", "last_day": "2025-03-07" });
    examples.send("write_load_lists", &[], days).await;
    examples.send("deliver_notices", &[], json!({})).await;
}

/// A visit from the telephone to the result.
async fn visits(examples: &mut Examples<'_>, home: i64) {
    let office = examples.office;
    let within =
        json!({ "site_id": home, "within_first": "2025-02-17", "within_last": "2025-02-21" });
    let visit = number(&examples.send("create_visit", &[], within).await);
    let within = json!({ "within_first": "2025-02-17", "within_last": "2025-02-21" });
    examples.send("update_visit", &[visit], within).await;
    let technician = id_by_key(office, "/api/v1/technicians", "T-1").await;
    // Away on a day that nothing below needs: who is absent stays absent.
    let away = "2025-03-20";
    let absent = json!([{ "kind": "technician-absent", "technician_id": technician,
        "first_day": away, "last_day": away }, { "kind": "visit-added", "visit_id": visit }]);
    let repair = json!({ "first_day": "2025-02-18", "last_day": away, "events": absent });
    examples.send("create_repair", &[], repair).await;

    let call = json!({ "site_id": home });
    let one = examples.send("create_no_cool_call", &[], call.clone()).await;
    let way = &one["ways"][0];
    assert!(way.is_object(), "no way to serve the call: {one}");
    let place = json!({ "day": way["day"], "technician_id": way["technician_id"] });
    examples.send("accept_no_cool_call", &[number(&one)], place).await;
    let other = number(&examples.send("create_no_cool_call", &[], call).await);
    examples.send("reject_no_cool_call", &[other], json!({})).await;
    let placed = json!({ "technician_id": technician, "day": "2025-02-17" });
    examples.send("change_visit_state", &[visit], placed.clone()).await;
    // The same day, so that it stays where it stands.
    let mut many = examples.rows("VisitStateChanges", json!({ "visit_id": visit }));
    for (member, value) in placed.as_object().unwrap() {
        many["items"][0]["change"][member] = value.clone();
    }
    examples.send("change_visit_states", &[], many).await;
    let route = office.all("/api/v1/routes?state=current&day=2025-02-17").await.remove(0);
    examples.send("report_delay", &[number(&route)], json!({})).await;
    let parts = office.all(&format!("/api/v1/components?site_id={home}&in_service=true")).await;
    let example = examples.document["components"]["schemas"]["VisitResultInput"]["example"].clone();
    let of_home = |member: &str| {
        let mut rows = example[member].clone();
        rows[0]["component_id"] = parts[0]["id"].clone();
        rows
    };
    let result = json!({ "technician_id": technician, "day": "2025-02-17",
        "readings": of_home("readings"), "replacements": of_home("replacements") });
    let kept = examples.send("create_visit_result", &[visit], result).await;
    eventually("the visit is done", async || {
        let visit = office.get(&format!("/api/v1/visits/{visit}")).await.json(200);
        (visit["state"] == "done").then_some(())
    })
    .await;
    assert_ne!(kept, Value::Null);
}
