//! The pages of an office that has nothing yet, and of a home whose every text is as long as it may be.

use harness::browser::Browser;
use harness::{Client, Setup};
use serde_json::{Value, json};

use crate::look::Look;
use crate::{sign_in_at, walk};

/// A word without a place to break it.
const UNBROKEN: &str = "Bewaesserungsanlagenverwaltungsgenossenschaftsmitgliederversammlung";

/// A text of a number of characters, of which the first word does not break.
fn long(characters: usize) -> String {
    let text = format!("{UNBROKEN} {}", "and so on and on ".repeat(characters / 17 + 1));
    text.chars().take(characters).collect::<String>().trim_end().to_owned()
}

async fn made(office: &Client, path: &str, body: &Value) -> i64 {
    office.post(path, body).await.json(201)["id"].as_i64().unwrap()
}

async fn technician(office: &Client) -> i64 {
    let hours =
        |weekday: &str| json!({ "weekday": weekday, "starts": "07:30:00", "ends": "16:00:00" });
    let shifts: Vec<Value> = ["mon", "tue", "wed", "thu", "fri"].map(hours).into();
    let person = json!({ "key": "T-1", "name": long(80), "skills": ["standard", "heat-pump"], "shifts": shifts,
        "active_from": "2020-01-01", "language": "en", "absences": [] });
    made(office, "/api/v1/technicians", &person).await
}

/// A home with two machines and six parts each, to be visited today.
async fn long_home(office: &Client, technician: i64) -> i64 {
    let home = json!({ "key": long(60), "name": long(120), "address_1": long(120),
        "address_2": long(120), "city": long(80), "region": "AZ", "postal_code": "85001",
        "access_notes": long(800), "vulnerability": long(100), "language": "en" });
    let home = made(office, "/api/v1/sites", &home).await;
    let person = json!({ "key": "C-1", "site_id": home, "name": long(120), "role": "owner",
        "email": format!("{}@example.com", "a".repeat(60)), "phone": "+12025550144",
        "mail_consent": false, "reachable_by_mail": true });
    made(office, "/api/v1/contacts", &person).await;
    for machine in 0..2 {
        let unit = json!({ "key": format!("U-{machine}"), "site_id": home, "kind": "heat-pump",
            "label": long(80), "installed_earliest": "2014-05-06", "installed_latest": "2014-05-06",
            "exposure": "sun" });
        let unit = made(office, "/api/v1/units", &unit).await;
        for part in 0..6 {
            let part = json!({ "key": format!("K-{machine}-{part}"), "unit_id": unit,
                "class": "run-capacitor-dual", "position": format!("{UNBROKEN}-{part}"),
                "rating": "45+5 uF 370/440 V", "installed_earliest": "2014-05-06",
                "installed_latest": "2014-05-06", "history_complete": false,
                "observed_from": "2019-03-01" });
            made(office, "/api/v1/components", &part).await;
        }
    }
    let visit = json!({ "site_id": home, "kind": "tune-up", "reason": long(200),
        "within_first": "2025-06-02", "within_last": "2025-06-06", "duration_seconds": 3600,
        "priority": 10 });
    let visit = made(office, "/api/v1/visits", &visit).await;
    let today = json!({ "state": "placed", "technician_id": technician, "day": "2025-06-02",
        "starts": "09:00:00", "ends": "11:00:00", "why": long(200) });
    office.post(&format!("/api/v1/visits/{visit}/state-changes"), &today).await.json(200);
    home
}

#[tokio::test]
async fn an_office_with_nothing_yet_and_a_home_with_the_longest_texts_can_be_read() {
    let mut setup = Setup::new(None);
    setup.at("2025-06-02 17:00:00");
    setup.add_branch().await;
    let office_token = setup.add_account("office", &[]).await;
    let daemon = setup.start().await;
    let client = daemon.client(Some(&office_token));
    let mut look = Look::default();
    let browser = Browser::open(1440, 900).await;
    sign_in_at(&browser, &daemon.base, &office_token).await;
    let pages = ["/office/risk", "/office/day", "/office/plans", "/office/settings/accounts"];
    let start = format!("{}/office/season", daemon.base);
    walk::every_kind_of_page(&browser, &start, "empty-", &pages, &mut look).await;

    let technician = technician(&client).await;
    let technician_token = setup.add_account("technician", &["--technician", "T-1"]).await;
    let phone = Browser::open(360, 740).await;
    sign_in_at(&phone, &daemon.base, &technician_token).await;
    let today = format!("{}/technician/today", daemon.base);
    look.at(&phone, &today, "empty-technician-today").await;

    let home = long_home(&client, technician).await;
    for (path, name) in [
        (format!("/office/sites/{home}"), "long-office-home"),
        ("/office/sites?words=bewaesserung".to_owned(), "long-office-homes"),
        ("/office/day?day=2025-06-02".to_owned(), "long-office-day"),
        ("/office/season".to_owned(), "long-office-season"),
    ] {
        look.at(&browser, &format!("{}{path}", daemon.base), name).await;
    }
    look.at(&phone, &today, "long-technician-today").await;
    let check = crate::first_link(&phone, "/technician/visit/").await;
    look.at(&phone, &check, "long-technician-check").await;
    browser.close().await;
    phone.close().await;
    assert!(daemon.stop().await);
    look.end();
}
