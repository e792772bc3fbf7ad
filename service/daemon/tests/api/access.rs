//! Which role reaches what, by a table made from the document over all of its operations.

use hotspell_daemon::api::access::ACCESS;
use hotspell_daemon::api::openapi::document;
use hotspell_daemon::api::operations::Operations;
use hotspell_domain::Role;
use reqwest::{Method, StatusCode};
use serde_json::Value;

use crate::support::{
    Home, Service, add_account, add_branch, make_home, make_technician, place, problem,
};

/// A service with two homes, of which the first is the technician's and the homeowner's.
struct Scene {
    service: Service,
    own: Home,
    other: Home,
    technician: i64,
    other_technician: i64,
    tokens: Vec<(Role, String)>,
    stranger: String,
}

async fn scene() -> Scene {
    let service = Service::start();
    let technician = make_technician(&service, "T-1").await;
    let other_technician = make_technician(&service, "T-2").await;
    let own = make_home(&service, "own", technician).await;
    let other = make_home(&service, "other", other_technician).await;
    place(&service, own.visit, technician).await;
    place(&service, other.visit, other_technician).await;
    let (store, branch) = (&service.state.store, service.branch);
    let tokens = vec![
        (Role::Office, service.office.clone()),
        (Role::Technician, add_account(store, branch, Role::Technician, Some(technician), None)),
        (Role::Homeowner, add_account(store, branch, Role::Homeowner, None, Some(own.contact))),
    ];
    let stranger_branch = add_branch(store, "elsewhere");
    let stranger = add_account(store, stranger_branch, Role::Office, None, None);
    Scene { service, own, other, technician, other_technician, tokens, stranger }
}

/// The path with numbers in the place of its parameters.
fn filled(template: &str, home: &Home, technician: i64) -> String {
    let numbers = [
        ("{site_id}", home.site),
        ("{contact_id}", home.contact),
        ("{agreement_id}", home.agreement),
        ("{unit_id}", home.unit),
        ("{component_id}", home.component),
        ("{reading_id}", home.reading),
        ("{visit_id}", home.visit),
        ("{technician_id}", technician),
        ("{branch_id}", 1),
        ("{account_id}", 1),
        ("{token_id}", 999_999),
    ];
    let path = numbers
        .into_iter()
        .fold(template.to_owned(), |path, (name, id)| path.replace(name, &id.to_string()));
    // What the scene does not have: routes, plans, runs, notices, stations.
    let mut parts: Vec<String> = path.split('/').map(str::to_owned).collect();
    for part in &mut parts {
        if part.starts_with('{') {
            *part = "999999".to_owned();
        }
    }
    // What an operation cannot be asked without.
    let query = if template.ends_with("/comparison") { "?against=999999" } else { "" };
    parts.join("/") + query
}

fn operations() -> Vec<(Method, String, String)> {
    Operations::of(&document())
        .all()
        .filter(|(_, path, _)| path.starts_with("/api/"))
        .map(|(method, path, id)| {
            let method = Method::from_bytes(method.as_str().as_bytes()).unwrap();
            (method, path.to_owned(), id.to_owned())
        })
        .collect()
}

#[tokio::test]
async fn no_operation_is_open_without_a_valid_token() {
    let scene = scene().await;
    for (method, path, id) in operations() {
        let path = filled(&path, &scene.own, scene.technician);
        let answer = scene.service.request(method.clone(), &path, "").send().await.unwrap();
        let challenge = answer.headers().get("WWW-Authenticate").cloned();
        problem(answer, 401).await;
        assert_eq!(challenge.unwrap(), "Bearer realm=\"hotspell\"", "{id}");
        // RFC 6750, section 3.1: invalid_token only when one was sent.
        let answer = scene.service.request(method, &path, "hs_forged").send().await.unwrap();
        let challenge = answer.headers().get("WWW-Authenticate").cloned();
        problem(answer, 401).await;
        assert!(challenge.unwrap().to_str().unwrap().contains("invalid_token"), "{id}");
    }
}

#[tokio::test]
async fn each_role_has_the_operations_of_the_table_and_no_other() {
    let scene = scene().await;
    for (method, path, id) in operations() {
        let allowed = ACCESS.iter().find(|(name, _)| *name == id).unwrap().1;
        for (role, token) in &scene.tokens {
            let mut path = filled(&path, &scene.own, scene.technician);
            if method == Method::GET && id.starts_with("list_") && takes_site(&id) {
                path = format!("{path}?site_id={}", scene.own.site);
            }
            let answer = scene.service.request(method.clone(), &path, token).send().await.unwrap();
            let status = answer.status();
            assert_eq!(
                status != StatusCode::FORBIDDEN,
                allowed.contains(role),
                "{role} {method} {path} ({id}): {status}"
            );
            assert!(status != StatusCode::UNAUTHORIZED && !status.is_server_error(), "{id}");
        }
    }
}

/// Lists that a technician may ask for one site alone.
fn takes_site(id: &str) -> bool {
    ["list_units", "list_contacts", "list_components", "list_readings", "list_scores"].contains(&id)
}

#[tokio::test]
async fn rows_of_others_are_not_there_for_technicians_and_homeowners() {
    let scene = scene().await;
    for (method, template, id) in operations() {
        let is_row = template.contains('{') && template.contains("_id}");
        if method != Method::GET || !is_row || template.contains("account") {
            continue;
        }
        let allowed = ACCESS.iter().find(|(name, _)| *name == id).unwrap().1;
        for (role, token) in scene.tokens.iter().filter(|(role, _)| *role != Role::Office) {
            if !allowed.contains(role)
                || template.contains("weather")
                || template.contains("branch")
            {
                continue;
            }
            let foreign = filled(&template, &scene.other, scene.other_technician);
            let answer = scene.service.request(Method::GET, &foreign, token).send().await.unwrap();
            problem(answer, 404).await;
            let own = filled(&template, &scene.own, scene.technician);
            if own.contains("999999") {
                continue;
            }
            let answer = scene.service.request(Method::GET, &own, token).send().await.unwrap();
            // Advice needs a scored branch: the part is there, the advice is not yet.
            let expected =
                if id == "find_decision" { StatusCode::CONFLICT } else { StatusCode::OK };
            assert_eq!(answer.status(), expected, "{role} GET {own}");
        }
    }
}

#[tokio::test]
async fn another_branch_reaches_no_row_and_lists_none() {
    let scene = scene().await;
    for (method, template, id) in operations() {
        if method != Method::GET || template.contains("weather") || id == "find_own_account" {
            continue;
        }
        let path = filled(&template, &scene.own, scene.technician);
        let answer =
            scene.service.request(Method::GET, &path, &scene.stranger).send().await.unwrap();
        if template.contains('{') || id == "find_backtest" {
            problem(answer, 404).await;
            continue;
        }
        if template.contains("/season") {
            // It is told of the caller's own branch, which has no weather.
            problem(answer, 409).await;
            continue;
        }
        if id == "export_audit" {
            let file = answer.text().await.unwrap();
            assert_eq!(file.lines().count(), 1, "a header alone: {file}");
            continue;
        }
        let body: Value = answer.json().await.unwrap();
        let rows = body["items"].as_array().or_else(|| body.as_array()).unwrap();
        let foreign = rows.iter().filter(|row| row["key"] != "elsewhere").count();
        // Its own account, and what was written when the branch was made.
        let own = if ["list_accounts", "list_changes"].contains(&id.as_str()) { 2 } else { 0 };
        assert!(foreign <= own, "{id}: {body}");
    }
}

#[tokio::test]
async fn lists_hold_only_what_the_role_reaches() {
    let scene = scene().await;
    let (_, technician) = &scene.tokens[1];
    let (_, homeowner) = &scene.tokens[2];
    for token in [technician, homeowner] {
        let answer = scene.service.request(Method::GET, "/api/v1/visits", token).send().await;
        let body: Value = answer.unwrap().json().await.unwrap();
        let sites: Vec<i64> = body["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|visit| visit["site_id"].as_i64().unwrap())
            .collect();
        assert_eq!(sites, [scene.own.site]);
    }
    let foreign = format!("/api/v1/visits?site_id={}", scene.other.site);
    for token in [technician, homeowner] {
        let answer = scene.service.request(Method::GET, &foreign, token).send().await.unwrap();
        let body: Value = answer.json().await.unwrap();
        let sites: Vec<&Value> = body["items"].as_array().unwrap().iter().collect();
        assert!(sites.iter().all(|visit| visit["site_id"] == scene.own.site), "{body}");
    }
    for path in ["units", "contacts", "components", "readings", "scores"] {
        for query in [String::new(), format!("?site_id={}", scene.other.site)] {
            let path = format!("/api/v1/{path}{query}");
            let answer = scene.service.request(Method::GET, &path, technician).send().await;
            problem(answer.unwrap(), 403).await;
        }
    }
}

#[tokio::test]
async fn a_revoked_token_and_a_disabled_account_are_out_at_once() {
    let service = Service::start();
    let account = crate::support::example_with(
        "AccountInput",
        serde_json::json!({ "email": "second@example.com" }),
    );
    let answer = service.make("/api/v1/accounts", &account).await;
    let (id, version) = (answer["id"].as_i64().unwrap(), answer["version"].clone());
    let tokens = format!("/api/v1/accounts/{id}/tokens");
    let input = crate::support::example("TokenInput");
    let first = service.make(&tokens, &input).await;
    let second = service.make(&tokens, &input).await;
    let reach = async |token: &Value| {
        let token = token["token"].as_str().unwrap();
        service.request(Method::GET, "/api/v1/account", token).send().await.unwrap().status()
    };
    assert_eq!(reach(&first).await, StatusCode::OK);
    let path = format!("{tokens}/{}", first["stored"]["id"]);
    let answer = service.request(Method::DELETE, &path, &service.office).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::NO_CONTENT);
    assert_eq!(reach(&first).await, StatusCode::UNAUTHORIZED);
    assert_eq!(reach(&second).await, StatusCode::OK);
    let mut shut = account.clone();
    shut["disabled"] = true.into();
    shut["password"] = Value::Null;
    let tag = format!("\"{version}\"");
    let answer = service.put(&format!("/api/v1/accounts/{id}"), &tag, &shut).await;
    assert_eq!(answer.status(), StatusCode::OK);
    assert_eq!(reach(&second).await, StatusCode::UNAUTHORIZED);
}
