//! The published document: fresh, complete, and in force.

use std::path::Path;

use serde_json::Value;

fn document() -> Value {
    serde_json::to_value(hotspell_daemon::api::openapi::document()).unwrap()
}

fn operations(document: &Value) -> Vec<(String, String, Value)> {
    let paths = document["paths"].as_object().unwrap();
    paths
        .iter()
        .flat_map(|(path, item)| {
            let item = item.as_object().unwrap();
            item.iter()
                .map(move |(method, operation)| (path.clone(), method.clone(), operation.clone()))
        })
        .collect()
}

#[test]
fn the_committed_document_is_the_present_one() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../openapi/openapi.json");
    let committed = std::fs::read_to_string(&path).unwrap();
    let present = hotspell_daemon::api::openapi::document().to_pretty_json().unwrap();
    assert!(
        committed.trim() == present.trim(),
        "openapi/openapi.json is stale; mend it with: \
         cargo run -p hotspell-daemon -- openapi > openapi/openapi.json"
    );
}

#[test]
fn the_document_is_openapi_3_1() {
    assert!(document()["openapi"].as_str().unwrap().starts_with("3.1"));
}

#[test]
fn every_operation_says_what_it_does_and_how_it_answers() {
    let document = document();
    let tags: Vec<&str> =
        document["tags"].as_array().unwrap().iter().map(|t| t["name"].as_str().unwrap()).collect();
    for (path, method, operation) in operations(&document) {
        let name = format!("{method} {path}");
        for member in ["summary", "description", "operationId"] {
            let text = operation[member].as_str().unwrap_or_default();
            assert!(!text.trim().is_empty(), "{name} has no {member}");
        }
        let own: Vec<&str> =
            operation["tags"].as_array().unwrap().iter().map(|t| t.as_str().unwrap()).collect();
        assert!(own.len() == 1 && tags.contains(&own[0]), "{name} has the tags {own:?}");
        let responses = operation["responses"].as_object().unwrap();
        let good: Vec<_> = responses.iter().filter(|(code, _)| code.starts_with('2')).collect();
        assert!(!good.is_empty(), "{name} has no success");
        for (code, response) in good {
            let typed = response["content"]
                .as_object()
                .is_some_and(|content| content.values().all(|body| body["schema"].is_object()));
            assert!(typed || code == "204", "{name} {code} has no typed body");
        }
        let refusals: Vec<_> =
            responses.iter().filter(|(code, _)| !code.starts_with('2')).collect();
        assert!(!refusals.is_empty() || path == "/livez", "{name} has no refusal");
        for (code, response) in refusals {
            let response = match response["$ref"].as_str() {
                Some(place) => document.pointer(place.trim_start_matches('#')).unwrap(),
                None => response,
            };
            let schema = &response["content"]["application/problem+json"]["schema"]["$ref"];
            assert_eq!(schema, "#/components/schemas/Problem", "{name} {code}");
        }
        if path.starts_with("/api/") {
            for code in ["401", "403", "429"] {
                assert!(responses.contains_key(code), "{name} has no {code}");
            }
            assert!(operation["security"][0]["token"].is_array(), "{name} needs no token");
        }
    }
}

#[test]
fn every_path_parameter_is_declared_and_every_member_described() {
    let document = document();
    for (path, method, operation) in operations(&document) {
        let parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
        for segment in path.split('/').filter(|segment| segment.starts_with('{')) {
            let name = segment.trim_start_matches('{').split('}').next().unwrap();
            let declared = parameters.iter().any(|p| p["name"] == name && p["in"] == "path");
            assert!(declared, "{method} {path} does not declare {name}");
        }
        for parameter in parameters {
            let text = parameter["description"].as_str().unwrap_or_default();
            assert!(!text.is_empty(), "{method} {path}: {} is not described", parameter["name"]);
        }
    }
    for (name, schema) in document["components"]["schemas"].as_object().unwrap() {
        for (member, property) in schema["properties"].as_object().into_iter().flatten() {
            // What refers to another schema is described there or beside the reference.
            let parts = property["oneOf"].as_array().cloned().unwrap_or_default();
            let described = std::iter::once(property).chain(&parts).any(|part| {
                part["description"].as_str().is_some_and(|text| !text.is_empty())
                    || part["$ref"].is_string()
            });
            assert!(described, "{name}.{member} is not described");
        }
    }
}

/// Words that tell what a number counts or measures.
const UNITS: &[&str] = &[
    "degree",
    "watt",
    "volt",
    "ampere",
    "microfarad",
    "second",
    "minute",
    "hour",
    "metre",
    "hertz",
    "no unit",
    "pieces",
    "number",
    "version",
    "Raised by one",
    "HTTP status",
    "rows",
    "feed",
    "records",
    "how many",
    "in the currency",
];

#[test]
fn every_number_says_its_unit() {
    let document = document();
    let is_number = |property: &Value| {
        let kinds = &property["type"];
        ["number", "integer"].iter().any(|kind| {
            kinds == kind || kinds.as_array().is_some_and(|k| k.contains(&Value::from(*kind)))
        })
    };
    let mut numbers = 0;
    for (name, schema) in document["components"]["schemas"].as_object().unwrap() {
        for (member, property) in schema["properties"].as_object().into_iter().flatten() {
            if !is_number(property) || member == "id" || member.ends_with("_id") {
                continue;
            }
            numbers += 1;
            let text = property["description"].as_str().unwrap_or_default().to_lowercase();
            let said = UNITS.iter().any(|unit| text.contains(&unit.to_lowercase()));
            assert!(said, "{name}.{member} does not say its unit: {text}");
        }
    }
    assert!(numbers > 30, "only {numbers} numbers were looked at");
}
