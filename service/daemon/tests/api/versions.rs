//! Changes against what was read: ETag, If-Match, If-None-Match.

use reqwest::{Method, StatusCode};
use serde_json::json;

use crate::support::{Service, example, example_with, problem};

#[tokio::test]
async fn a_change_needs_the_version_that_was_read() {
    let service = Service::start();
    let answer = service.post("/api/v1/sites", &example("SiteInput")).await;
    assert_eq!(answer.status(), StatusCode::CREATED);
    let place = answer.headers().get("Location").unwrap().to_str().unwrap().to_owned();
    let tag = answer.headers().get("ETag").unwrap().to_str().unwrap().to_owned();
    let changed = example_with("SiteInput", json!({ "name": "Ortega home" }));

    // RFC 6585, section 3.
    let without = service.request(Method::PUT, &place, &service.office).json(&changed).send();
    problem(without.await.unwrap(), 428).await;
    problem(service.put(&place, "\"77\"", &changed).await, 412).await;
    // A weak tag never fits (RFC 9110, section 13.1.1).
    problem(service.put(&place, &format!("W/{tag}"), &changed).await, 412).await;
    problem(service.put("/api/v1/sites/999999", &tag, &changed).await, 404).await;

    let answer = service.put(&place, &tag, &changed).await;
    assert_eq!(answer.status(), StatusCode::OK);
    let new_tag = answer.headers().get("ETag").unwrap().to_str().unwrap().to_owned();
    assert_ne!(new_tag, tag);
    problem(service.put(&place, &tag, &changed).await, 412).await;
    assert_eq!(service.put(&place, "*", &changed).await.status(), StatusCode::OK);
}

#[tokio::test]
async fn checks_come_in_the_order_of_their_status() {
    let service = Service::start();
    service.make("/api/v1/sites", &example("SiteInput")).await;
    let wrong = json!({ "nonsense": true });
    // 404 before 428 before 412 before 422.
    let send = async |path: &str, tag: Option<&str>| {
        let request = service.request(Method::PUT, path, &service.office).json(&wrong);
        let request = match tag {
            Some(tag) => request.header("If-Match", tag),
            None => request,
        };
        request.send().await.unwrap()
    };
    problem(send("/api/v1/sites/999999", None).await, 404).await;
    problem(send("/api/v1/sites/1", None).await, 428).await;
    problem(send("/api/v1/sites/1", Some("\"9\"")).await, 412).await;
    problem(send("/api/v1/sites/1", Some("*")).await, 422).await;
    problem(send("/api/v1/sites/1", Some("no tag")).await, 400).await;
}

#[tokio::test]
async fn what_is_known_is_not_sent_again() {
    let service = Service::start();
    service.make("/api/v1/sites", &example("SiteInput")).await;
    let answer = service.get("/api/v1/sites/1").await;
    let tag = answer.headers().get("ETag").unwrap().clone();
    let again = service
        .request(Method::GET, "/api/v1/sites/1", &service.office)
        .header("If-None-Match", tag.clone())
        .send()
        .await
        .unwrap();
    assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
    assert_eq!(again.headers().get("ETag").unwrap(), &tag);
    assert!(again.bytes().await.unwrap().is_empty());
}

#[tokio::test]
async fn of_changes_based_on_one_version_exactly_one_wins() {
    let service = Service::start();
    service.make("/api/v1/sites", &example("SiteInput")).await;
    let change = |n: usize| {
        let body = example_with("SiteInput", json!({ "name": format!("home {n}") }));
        service
            .request(Method::PUT, "/api/v1/sites/1", &service.office)
            .header("If-Match", "\"1\"")
            .json(&body)
            .send()
    };
    let tasks: Vec<_> = (0..8).map(|n| tokio::spawn(change(n))).collect();
    let mut won = 0;
    for task in tasks {
        match task.await.unwrap().unwrap().status() {
            StatusCode::OK => won += 1,
            status => assert_eq!(status, StatusCode::PRECONDITION_FAILED),
        }
    }
    assert_eq!(won, 1);
}
