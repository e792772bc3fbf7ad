//! Refusals: the right status, a problem document, and what would have been accepted.

use reqwest::{Method, StatusCode};
use serde_json::json;

use crate::support::{Service, example, example_with, make_home, make_technician, problem};

#[tokio::test]
async fn an_unknown_path_is_404_and_a_wrong_method_405_with_allow() {
    let service = Service::start();
    problem(service.get("/api/v1/nothing").await, 404).await;
    problem(service.get("/nothing").await, 404).await;
    problem(service.get("/api/v1/sites/seven").await, 404).await;
    // RFC 9110, section 15.5.6: the answer says which methods there are.
    let answer =
        service.request(Method::DELETE, "/api/v1/sites/1", &service.office).send().await.unwrap();
    assert_eq!(answer.headers().get("Allow").unwrap(), "GET, PUT");
    problem(answer, 405).await;
    let answer = service.request(Method::POST, "/livez", "").send().await.unwrap();
    assert_eq!(answer.headers().get("Allow").unwrap(), "GET");
    problem(answer, 405).await;
}

#[tokio::test]
async fn a_body_that_cannot_be_read_is_400_413_or_415() {
    let service = Service::start_with(hotspell_daemon::server::Hooks::NONE, |config| {
        config.server.body_limit_bytes = 2_000;
    });
    let send = async |media_type: &'static str, body: String| {
        service
            .request(Method::POST, "/api/v1/sites", &service.office)
            .header("Content-Type", media_type)
            .body(body)
            .send()
            .await
            .unwrap()
    };
    problem(send("application/json", "{\"key\": ".to_owned()).await, 400).await;
    problem(send("application/json", String::new()).await, 400).await;
    problem(send("text/csv", "{}".to_owned()).await, 415).await;
    let long = json!({ "key": "x".repeat(3_000) }).to_string();
    problem(send("application/json", long.clone()).await, 413).await;
    // The same while the body is read before the handler.
    let answer = service
        .request(Method::POST, "/api/v1/sites", &service.office)
        .header("Content-Type", "application/json")
        .header("Idempotency-Key", "\"long\"")
        .body(long)
        .send()
        .await
        .unwrap();
    problem(answer, 413).await;
}

#[tokio::test]
async fn every_wrong_field_is_named_by_its_json_pointer() {
    let service = Service::start();
    let pointers = async |path: &str, body: serde_json::Value| {
        let problem = problem(service.post(path, &body).await, 422).await;
        let errors = problem["errors"].as_array().unwrap().clone();
        errors.iter().map(|error| error["pointer"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let wrong = example_with(
        "SiteInput",
        json!({
            "key": " ", "visit_until": "07:00:00",
            "position": {"latitude_degrees": 91.0, "longitude_degrees": 0.0},
            "absences": [{"first_day": "2026-06-02", "last_day": "2026-06-01"}]
        }),
    );
    assert_eq!(
        pointers("/api/v1/sites", wrong).await,
        ["/key", "/position", "/visit_until", "/absences/0/last_day"]
    );
    let unknown = example_with("SiteInput", json!({ "colour": "red" }));
    assert_eq!(pointers("/api/v1/sites", unknown).await, ["/colour"]);
    let absurd = example_with("ReadingInput", json!({ "microfarads": -3.0 }));
    assert_eq!(pointers("/api/v1/readings", absurd).await, ["/microfarads"]);
    let future = example_with("UnitInput", json!({ "removed_on": "2199-01-01" }));
    assert_eq!(pointers("/api/v1/units", future).await, ["/removed_on"]);
    let nobody = example_with("UnitInput", json!({ "site_id": 999_999 }));
    assert_eq!(pointers("/api/v1/units", nobody).await, ["/site_id"]);
}

#[tokio::test]
async fn an_unknown_or_absurd_query_is_refused() {
    let service = Service::start();
    problem(service.get("/api/v1/sites?colour=red").await, 400).await;
    problem(service.get("/api/v1/sites?limit=0").await, 422).await;
    problem(service.get("/api/v1/sites?limit=501").await, 422).await;
    problem(service.get("/api/v1/sites?cursor=forged").await, 422).await;
    problem(service.get("/api/v1/units?kind=boat").await, 400).await;
    problem(service.get("/api/v1/scores?p_season_from=2").await, 422).await;
}

#[tokio::test]
async fn a_taken_key_is_a_conflict() {
    let service = Service::start();
    service.make("/api/v1/sites", &example("SiteInput")).await;
    problem(service.post("/api/v1/sites", &example("SiteInput")).await, 409).await;
}

#[tokio::test]
async fn too_many_requests_are_429_and_say_when_to_come_back() {
    let service = Service::start_with(hotspell_daemon::server::Hooks::NONE, |config| {
        config.server.requests_per_minute = 3;
    });
    let answer = service.get("/api/v1/account").await;
    // draft-ietf-httpapi-ratelimit-headers, sections 3 and 4: lists of strings with parameters.
    assert_eq!(answer.headers().get("RateLimit-Policy").unwrap(), "\"account\";q=3;w=60");
    let left = answer.headers().get("RateLimit").unwrap().to_str().unwrap().to_owned();
    assert!(left.starts_with("\"account\";r=2;t="), "{left}");
    for _ in 0..2 {
        assert_eq!(service.get("/api/v1/account").await.status(), StatusCode::OK);
    }
    let answer = service.get("/api/v1/account").await;
    let wait: u32 = answer.headers().get("Retry-After").unwrap().to_str().unwrap().parse().unwrap();
    assert!((1..=60).contains(&wait));
    problem(answer, 429).await;
    // Whoever supervises the service is not counted.
    for _ in 0..5 {
        assert_eq!(service.get("/livez").await.status(), StatusCode::OK);
    }
}

#[tokio::test]
async fn answers_carry_a_request_id_and_policies_for_browsers() {
    let service = Service::start();
    let answer = service.get("/api/v1/nothing").await;
    let id = answer.headers().get("X-Request-Id").unwrap().to_str().unwrap().to_owned();
    for (name, value) in [
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "no-referrer"),
        ("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'"),
    ] {
        assert_eq!(answer.headers().get(name).unwrap(), value);
    }
    let problem = problem(answer, 404).await;
    assert_eq!(problem["instance"], format!("urn:uuid:{id}"));
}

#[tokio::test]
async fn health_documentation_and_the_document_are_open() {
    let service = Service::start();
    for path in ["/livez", "/readyz", "/openapi.json", "/docs/"] {
        let answer = service.request(Method::GET, path, "").send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK, "{path}");
    }
    let page = service.request(Method::GET, "/docs/", "").send().await.unwrap();
    assert!(page.text().await.unwrap().contains("swagger-ui"));
}

#[tokio::test]
async fn a_forbidden_move_of_a_visit_names_the_allowed_ones() {
    let service = Service::start();
    let technician = make_technician(&service, "T-1").await;
    let home = make_home(&service, "1", technician).await;
    let path = format!("/api/v1/visits/{}/state-changes", home.visit);
    let done = json!({ "state": "done" });
    let refusal = problem(service.post(&path, &done).await, 409).await;
    assert!(refusal["detail"].as_str().unwrap().contains("placed, dropped"), "{refusal}");
    let no_reason = problem(service.post(&path, &json!({ "state": "dropped" })).await, 422).await;
    assert_eq!(no_reason["errors"][0]["pointer"], "/why");
}

#[tokio::test]
async fn a_stopped_service_takes_no_more_connections() {
    let mut service = Service::start();
    assert_eq!(service.get("/livez").await.status(), StatusCode::OK);
    service.stop();
    assert!(service.client.get(format!("{}/livez", service.url)).send().await.is_err());
}
