//! Lists in pages, with filters.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::support::{Service, example_with};

#[tokio::test]
async fn walking_the_pages_meets_each_row_once() {
    let service = Service::start();
    for n in 0..23 {
        let city = if n % 2 == 0 { "Mesa" } else { "Tempe" };
        let body = example_with("SiteInput", json!({ "key": format!("S-{n}"), "city": city }));
        service.make("/api/v1/sites", &body).await;
    }
    for (path, expected) in [("/api/v1/sites?limit=5", 23), ("/api/v1/sites?city=Mesa&limit=5", 12)]
    {
        let (mut next, mut seen, mut pages) = (Some(path.to_owned()), BTreeSet::new(), 0);
        while let Some(path) = next {
            let answer = service.get(&path).await;
            // RFC 8288: the link and the body's cursor lead to the same page.
            let link = answer.headers().get("Link").map(|link| {
                let link = link.to_str().unwrap();
                assert!(link.ends_with("; rel=\"next\""), "{link}");
                link.trim_start_matches('<').split('>').next().unwrap().to_owned()
            });
            let body: Value = answer.json().await.unwrap();
            assert_eq!(link.is_some(), body["next"].is_string());
            if let (Some(link), Some(cursor)) = (&link, body["next"].as_str()) {
                assert!(link.contains(cursor), "{link}");
            }
            for row in body["items"].as_array().unwrap() {
                assert!(seen.insert(row["id"].as_i64().unwrap()), "met twice: {row}");
            }
            pages += 1;
            next = link;
        }
        assert_eq!(seen.len(), expected);
        assert_eq!(pages, expected.div_ceil(5));
    }
}

#[tokio::test]
async fn a_branch_without_scores_has_an_empty_risk_list() {
    let service = Service::start();
    let body: Value = service.get("/api/v1/scores").await.json().await.unwrap();
    assert_eq!(body, json!({ "items": [] }));
}
