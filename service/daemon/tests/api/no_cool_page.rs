//! A call is taken on the office's pages, without a script, before there is weather, a model or a plan.

use reqwest::StatusCode;
use serde_json::json;

use crate::desk::{Desk, value};
use crate::support::example_with;

#[tokio::test]
async fn a_call_is_taken_with_three_forms_and_says_what_is_missing() {
    let desk = Desk::open().await;
    let home = example_with("SiteInput", json!({ "name": "Blue House", "vulnerability": null }));
    let site = desk.service.make("/api/v1/sites", &home).await;
    let (status, day) = desk.page("/office/day").await;
    assert_eq!(status, StatusCode::OK);
    assert!(day.contains("action=\"/office/no-cool\""), "the day begins with the call: {day}");

    let (_, none) = desk.page("/office/no-cool?home=nowhere").await;
    assert!(none.contains("No home of this name or address."), "{none}");
    let (status, found) = desk.page("/office/no-cool?home=blue+h").await;
    assert_eq!(status, StatusCode::OK);
    assert!(!found.contains("<script"), "{found}");
    let (token, number) = (value(&found, "form_token").to_owned(), site["id"].to_string());
    assert_eq!(value(&found, "site"), number);

    let call = [
        ("form_token", &*token),
        ("site", &*number),
        ("person", "infant"),
        ("person", "older-person"),
        ("words", "warm air since noon"),
    ];
    let (status, told) = desk.send("/office/no-cool", &call[..1]).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("Choose the home that called."), "{told}");
    let (status, told) = desk.send("/office/no-cool", &[call[0], call[1], ("person", "cat")]).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("cat") && told.contains("infant"), "value and accepted: {told}");
    let (status, _) = desk.send("/office/no-cool", &call[1..]).await;
    assert_eq!(status, StatusCode::FORBIDDEN, "without the session's token");
    let (status, _) = desk.send("/office/no-cool", &call).await;
    assert_eq!(status, StatusCode::SEE_OTHER);

    let visit = desk.read("/api/v1/visits?kind=no-cool-call").await["items"][0].clone();
    // 30 for a call, 40 for who bears heat badly, half of 30 for a heat that is not known.
    assert_eq!((&visit["state"], &visit["priority"]), (&json!("owed"), &json!(85)));
    let (status, ways) = desk.page("/office/no-cool/1").await;
    assert_eq!(status, StatusCode::OK);
    for said in [
        "a small child at home",
        "the heat is not known",
        "no plan is adopted",
        "No part of this home has a score",
        "warm air since noon",
        "Tell them now",
    ] {
        assert!(ways.contains(said), "{said}: {ways}");
    }
    let token = value(&ways, "form_token").to_owned();
    let nobody = [("form_token", &*token), ("way", "none")];
    let (status, told) = desk.send("/office/no-cool/1", &nobody).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("Say why the call is turned down."), "{told}");
    let (status, _) = desk.page("/office/no-cool/99").await;
    assert_eq!(status, StatusCode::NOT_FOUND);
    let why = [nobody[0], nobody[1], ("why", "it cools again")];
    let (status, _) = desk.send("/office/no-cool/1", &why).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let dropped = desk.read(&format!("/api/v1/visits/{}", visit["id"])).await;
    assert_eq!(
        (&dropped["state"], &dropped["reason"]),
        (&json!("dropped"), &json!("it cools again"))
    );
}
