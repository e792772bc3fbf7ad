//! The office changes a home and its people on the home's page.

use reqwest::StatusCode;
use serde_json::json;

use crate::desk::{Desk, value};
use crate::support::example_with;

#[tokio::test]
async fn a_home_is_changed_on_its_page_and_a_mistake_is_told_beside_its_field() {
    let desk = Desk::open().await;
    let site = desk.service.make("/api/v1/sites", &example_with("SiteInput", json!({}))).await;
    let path = format!("/office/sites/{}", site["id"]);
    let (status, page) = desk.page(&path).await;
    assert_eq!(status, StatusCode::OK);
    let (token, version) = (value(&page, "form_token"), value(&page, "version"));
    let mut fields = vec![("form_token", token), ("version", version), ("language", "es")];
    for name in ["name", "address_1", "city", "region", "postal_code", "latitude", "longitude"] {
        fields.push((name, value(&page, name)));
    }
    let mut wrong = fields.clone();
    wrong.extend([("visit_from", "early"), ("access_notes", "the blue gate")]);
    let (status, told) = desk.send(&path, &wrong).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("«early» is no time"), "{told}");
    assert!(told.contains("the blue gate"), "what was right is still there");
    let stored = desk.read(&format!("/api/v1{}", path.trim_start_matches("/office"))).await;
    assert_eq!(stored["version"], site["version"], "nothing was half done");

    let mut backwards = fields.clone();
    backwards.extend([("visit_from", "12:00"), ("visit_until", "09:00")]);
    let (status, told) = desk.send(&path, &backwards).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("09:00:00 is not later than 12:00:00"), "{told}");

    fields.extend([("visit_from", "09:30"), ("access_notes", "the blue gate")]);
    let (status, _) = desk.send(&path, &fields).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let stored = desk.read(&format!("/api/v1{}", path.trim_start_matches("/office"))).await;
    assert_eq!(stored["visit_from"], "09:30:00");
    assert_eq!(stored["language"], "es");
    assert_eq!(stored["absences"], site["absences"], "what the page does not show stays");
    assert_eq!(stored["refused_weekdays"], site["refused_weekdays"]);
    let audit = desk.read("/api/v1/audit?limit=500").await;
    let last = audit["items"].as_array().unwrap().last().unwrap();
    assert_eq!(
        (&last["action"], &last["after"]["visit_from"]),
        (&json!("change"), &json!("09:30:00"))
    );

    // The same form once more: its version is no longer the present one.
    let (status, told) = desk.send(&path, &fields).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("Somebody else has changed this meanwhile"), "{told}");
}

#[tokio::test]
async fn a_new_mail_address_is_tried_again_and_a_wrong_one_is_refused() {
    let desk = Desk::open().await;
    let site = desk.service.make("/api/v1/sites", &example_with("SiteInput", json!({}))).await;
    let bounced = json!({
        "site_id": site["id"], "reachable_by_mail": false, "unreachable_reason": "mailbox full"
    });
    let contact =
        desk.service.make("/api/v1/contacts", &example_with("ContactInput", bounced)).await;
    let home = format!("/office/sites/{}", site["id"]);
    let (_, page) = desk.page(&home).await;
    assert!(page.contains("mail does not arrive (mailbox full): call"), "{page}");
    let token = value(&page, "form_token");
    let path = format!("{home}/contacts/{}", contact["id"]);
    let version = contact["version"].to_string();
    let with = |email| {
        [("form_token", token), ("version", &version), ("name", "Ines Alvarez"), ("email", email)]
    };
    let (status, told) = desk.send(&path, &with("ines at example")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("ines at example") && told.contains("-email-wrong"), "{told}");
    let (status, _) = desk.send(&path, &with("new@example.com")).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let stored = desk.read(&format!("/api/v1/contacts/{}", contact["id"])).await;
    assert_eq!(
        (&stored["email"], &stored["reachable_by_mail"]),
        (&json!("new@example.com"), &json!(true))
    );
    assert_eq!(stored["mail_consent"], contact["mail_consent"]);
}

#[tokio::test]
async fn homes_are_found_by_what_a_caller_says() {
    let desk = Desk::open().await;
    let site = desk.service.make("/api/v1/sites", &example_with("SiteInput", json!({}))).await;
    let person = json!({ "site_id": site["id"] });
    desk.service.make("/api/v1/contacts", &example_with("ContactInput", person)).await;
    for words in ["alvarez", "ironwood 85001", "0144", "ines%40example.com"] {
        let (_, page) = desk.page(&format!("/office/sites?words={words}")).await;
        assert!(page.contains(&format!("/office/sites/{}", site["id"])), "{words}");
    }
    let (_, page) = desk.page("/office/sites?words=nobody").await;
    assert!(page.contains("No home fits «nobody»."), "{page}");
    assert_eq!(desk.page("/office/sites/999999").await.0, StatusCode::NOT_FOUND);
}
