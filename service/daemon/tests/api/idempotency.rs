//! POST requests sent twice (draft-ietf-httpapi-idempotency-key-header, section 2).

use hotspell_domain::AccountId;
use reqwest::{Method, Response, StatusCode};
use serde_json::{Value, json};

use crate::support::{Service, example, example_with, now, problem};

async fn send(service: &Service, path: &str, key: &str, body: &Value) -> Response {
    let request = service.request(Method::POST, path, &service.office);
    request.header("Idempotency-Key", key).json(body).send().await.unwrap()
}

#[tokio::test]
async fn the_same_request_again_acts_once_and_gets_the_same_answer() {
    let service = Service::start();
    let body = example("SiteInput");
    let first = send(&service, "/api/v1/sites", "\"one\"", &body).await;
    assert_eq!(first.status(), StatusCode::CREATED);
    let kept = |answer: &Response| {
        ["Location", "ETag", "Content-Type"].map(|name| answer.headers().get(name).cloned())
    };
    let headers = kept(&first);
    let text = first.text().await.unwrap();
    let again = send(&service, "/api/v1/sites", "\"one\"", &body).await;
    assert_eq!(again.status(), StatusCode::CREATED);
    assert_eq!(again.headers().get("Idempotency-Replayed").unwrap(), "true");
    assert_eq!(kept(&again), headers);
    assert_eq!(again.text().await.unwrap(), text);
    let list: Value = service.get("/api/v1/sites").await.json().await.unwrap();
    assert_eq!(list["items"].as_array().unwrap().len(), 1);
    // A refusal is an answer too.
    let refused = send(&service, "/api/v1/sites", "\"two\"", &body).await;
    problem(refused, 409).await;
    let again = send(&service, "/api/v1/sites", "\"two\"", &body).await;
    assert_eq!(again.headers().get("Idempotency-Replayed").unwrap(), "true");
    problem(again, 409).await;
}

#[tokio::test]
async fn a_key_belongs_to_one_payload() {
    let service = Service::start();
    send(&service, "/api/v1/sites", "\"one\"", &example("SiteInput")).await;
    let other = example_with("SiteInput", json!({ "key": "S-2" }));
    problem(send(&service, "/api/v1/sites", "\"one\"", &other).await, 422).await;
    problem(send(&service, "/api/v1/units", "\"one\"", &example("SiteInput")).await, 422).await;
}

#[tokio::test]
async fn a_key_that_is_no_quoted_string_is_refused() {
    let service = Service::start();
    for key in ["one", "\"\"", "\"a b\"", "one, two"] {
        problem(send(&service, "/api/v1/sites", key, &example("SiteInput")).await, 400).await;
    }
}

#[tokio::test]
async fn while_the_first_one_runs_the_second_is_a_conflict() {
    let service = Service::start();
    let body = example("SiteInput");
    // A first request that took its key and has not answered yet.
    let digest = {
        use sha2::{Digest as _, Sha256};
        let mut hash = Sha256::new();
        for part in ["POST", "/api/v1/sites", "", "application/json"] {
            hash.update(part);
            hash.update([0]);
        }
        hash.update(serde_json::to_vec(&body).unwrap());
        hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect::<String>()
    };
    service
        .state
        .store
        .write(|conn| {
            let account = AccountId(1);
            let branch = service.branch;
            hotspell_store::idempotency::begin(conn, branch, account, "slow", &digest, now())
        })
        .unwrap();
    let refusal = problem(send(&service, "/api/v1/sites", "\"slow\"", &body).await, 409).await;
    assert!(refusal["detail"].as_str().unwrap().contains("running"), "{refusal}");
}

#[tokio::test]
async fn many_at_once_act_once() {
    let service = Service::start();
    let body = example("SiteInput");
    let one = || {
        let request = service.request(Method::POST, "/api/v1/sites", &service.office);
        tokio::spawn(request.header("Idempotency-Key", "\"burst\"").json(&body).send())
    };
    let tasks: Vec<_> = (0..8).map(|_| one()).collect();
    for task in tasks {
        let status = task.await.unwrap().unwrap().status();
        assert!([StatusCode::CREATED, StatusCode::CONFLICT].contains(&status), "{status}");
    }
    let list: Value = service.get("/api/v1/sites").await.json().await.unwrap();
    assert_eq!(list["items"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn a_new_token_is_shown_once_and_never_kept() {
    let service = Service::start();
    let body = example("TokenInput");
    let first = send(&service, "/api/v1/accounts/1/tokens", "\"t\"", &body).await;
    assert_eq!(first.status(), StatusCode::CREATED);
    let token = first.json::<Value>().await.unwrap()["token"].as_str().unwrap().to_owned();
    let again = send(&service, "/api/v1/accounts/1/tokens", "\"t\"", &body).await;
    let refusal = problem(again, 409).await;
    assert!(!refusal.to_string().contains(&token));
    let listed: Value = service.get("/api/v1/accounts/1/tokens").await.json().await.unwrap();
    assert_eq!(listed["items"].as_array().unwrap().len(), 2);
}
