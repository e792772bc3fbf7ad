//! The office sets up its branch, its calendar, its people and who may get in.

use hotspell_domain::Role;
use reqwest::StatusCode;
use serde_json::{Value, json};

use crate::desk::{Desk, cookie_of, value};
use crate::support::{add_account, example_with};

const BRANCH: &str = "/office/settings/branch";
const STATION: &str = "/office/settings/station";
const CALENDAR: &str = "/office/settings/calendar";
const TECHNICIANS: &str = "/office/settings/technicians";
const ACCOUNTS: &str = "/office/settings/accounts";
const RECORDS: &str = "/office/settings/records";
const AUDIT_FILE: &str = "/office/settings/records/audit.csv";
const SITES_FILE: &str = "/office/settings/records/sites.csv";

impl Desk {
    async fn stored_branch(&self) -> Value {
        self.read(&format!("/api/v1/branches/{}", self.service.branch)).await
    }
}

/// The fields of the branch's form as the page shows them, without those of `without`.
fn shown<'a>(page: &'a str, without: &[&str]) -> Vec<(&'a str, &'a str)> {
    let names = [
        "form_token",
        "version",
        "name",
        "postal_address",
        "phone",
        "reply_to",
        "quiet_from",
        "quiet_until",
        "time_zone",
        "degree_day_base",
        "latitude",
        "longitude",
    ];
    names
        .into_iter()
        .filter(|name| !without.contains(name))
        .map(|name| (name, value(page, name)))
        .collect()
}

#[tokio::test]
async fn settings_are_for_the_office_alone() {
    let desk = Desk::open().await;
    let person =
        desk.service.make("/api/v1/technicians", &example_with("TechnicianInput", json!({}))).await;
    let token = add_account(
        &desk.service.state.store,
        desk.service.branch,
        Role::Technician,
        person["id"].as_i64(),
        None,
    );
    let cookie = cookie_of(&desk.service, &token).await;
    let paths = ["/office/settings", BRANCH, STATION, CALENDAR, TECHNICIANS, ACCOUNTS];
    for path in paths.into_iter().chain([RECORDS, AUDIT_FILE, SITES_FILE]) {
        assert_eq!(desk.page(path).await.0, StatusCode::OK, "{path}");
        let url = format!("{}{path}", desk.service.url);
        let answer = desk.browser.get(&url).header("Cookie", &cookie).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::FORBIDDEN, "a technician at {path}");
        let answer = desk.browser.get(&url).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::SEE_OTHER, "nobody at {path}");
    }
    let before = desk.stored_branch().await;
    for path in [BRANCH, STATION, CALENDAR, TECHNICIANS, ACCOUNTS] {
        let (status, _) = desk.send(path, &[("name", "Stolen"), ("version", "1")]).await;
        assert_eq!(status, StatusCode::FORBIDDEN, "without the session's token: {path}");
    }
    assert_eq!(desk.stored_branch().await, before);
}

#[tokio::test]
async fn the_branch_is_changed_where_it_stands_and_a_mistake_is_told_beside_its_field() {
    let desk = Desk::open().await;
    let before = desk.stored_branch().await;
    let (_, page) = desk.page(BRANCH).await;
    let mut wrong = shown(&page, &["time_zone", "quiet_until", "name"]);
    wrong.extend([("time_zone", "Arizona"), ("name", "Palo Verde"), ("quiet_until", "morning")]);
    let (status, told) = desk.send(BRANCH, &wrong).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("«Arizona» is no time zone"), "{told}");
    assert!(told.contains("id=\"branch-quiet_until-wrong\">«morning» is no time"), "{told}");
    assert!(told.contains("value=\"Palo Verde\""), "what was typed is still there");
    assert_eq!(desk.stored_branch().await, before, "nothing was half done");

    let mut right = shown(&page, &["time_zone", "name"]);
    right.extend([("time_zone", "America/Denver"), ("name", "Palo Verde")]);
    let (status, _) = desk.send(BRANCH, &right).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let stored = desk.stored_branch().await;
    assert_eq!(
        (&stored["name"], &stored["time_zone"]),
        (&json!("Palo Verde"), &json!("America/Denver"))
    );
    assert_eq!(stored["working_weekdays"], before["working_weekdays"], "what is not shown stays");
    let audit = desk.read("/api/v1/audit?limit=500").await;
    let last = audit["items"].as_array().unwrap().last().unwrap();
    assert_eq!((&last["action"], &last["after"]["name"]), (&json!("change"), &json!("Palo Verde")));

    let (status, told) = desk.send(BRANCH, &right).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("Somebody else has changed this meanwhile"), "{told}");
}

#[tokio::test]
async fn a_day_is_closed_once_and_opened_again() {
    let desk = Desk::open().await;
    let (_, page) = desk.page(CALENDAR).await;
    let token = value(&page, "form_token").to_owned();
    let version = value(&page, "version").to_owned();
    let closed = format!("{CALENDAR}/closed");
    let fields = |version: &str, day: &str, name: &str| {
        [("form_token", &*token), ("version", version), ("day", day), ("name", name)]
            .map(|(name, value)| (name, value.to_owned()))
    };
    let send = async |path: &str, fields: [(&str, String); 4]| {
        let fields: Vec<(&str, &str)> =
            fields.iter().map(|(name, value)| (*name, value.as_str())).collect();
        desk.send(path, &fields).await
    };
    let (status, told) = send(&closed, fields(&version, "2099-07-03", "")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("close-name-wrong"), "a day without a name: {told}");
    let (status, _) = send(&closed, fields(&version, "2099-07-03", "Independence Day")).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let stored = desk.stored_branch().await;
    assert_eq!(stored["holidays"], json!([{ "day": "2099-07-03", "name": "Independence Day" }]));

    let version = stored["version"].to_string();
    let (status, told) = send(&closed, fields(&version, "2099-07-03", "Again")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("This day is closed already"), "{told}");
    let (status, _) = send(&format!("{CALENDAR}/opened"), fields(&version, "2099-07-03", "")).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    assert_eq!(desk.stored_branch().await["holidays"], json!([]));

    let version = desk.stored_branch().await["version"].to_string();
    let none = [("form_token", &*token), ("version", &version)];
    let (status, told) = desk.send(CALENDAR, &none).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("Choose at least one day"), "{told}");
    let week = [none[0], none[1], ("weekdays", "mon"), ("weekdays", "sat")];
    assert_eq!(desk.send(CALENDAR, &week).await.0, StatusCode::SEE_OTHER);
    assert_eq!(desk.stored_branch().await["working_weekdays"], json!(["mon", "sat"]));
}

#[tokio::test]
async fn a_technician_is_hired_falls_ill_and_leaves() {
    let desk = Desk::open().await;
    let (_, page) = desk.page(TECHNICIANS).await;
    let token = value(&page, "form_token").to_owned();
    let mut fields = vec![
        ("form_token", &*token),
        ("name", "Rosa Delgado"),
        ("key", "T-1"),
        ("email", "rosa@example.com"),
        ("language", "es"),
        ("skills", "standard"),
        ("skills", "heat-pump"),
        ("mon_starts", "07:30"),
    ];
    let (status, told) = desk.send(TECHNICIANS, &fields).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("id=\"add-mon_ends-wrong\">Give both times"), "{told}");
    assert!(told.contains("value=\"Rosa Delgado\""), "{told}");
    fields.push(("mon_ends", "16:00"));
    let (status, _) = desk.send(TECHNICIANS, &fields).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let everybody = desk.read("/api/v1/technicians").await;
    let person = &everybody["items"][0];
    assert_eq!(person["skills"], json!(["standard", "heat-pump"]));
    assert_eq!(
        person["shifts"],
        json!([{ "weekday": "mon", "starts": "07:30:00", "ends": "16:00:00" }])
    );
    let (status, told) = desk.send(TECHNICIANS, &fields).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "the same key again: {told}");

    let path = format!("{TECHNICIANS}/{}", person["id"]);
    let version = person["version"].to_string();
    let away = |first, last| {
        [("form_token", &*token), ("version", &*version), ("first_day", first), ("last_day", last)]
    };
    let (status, told) =
        desk.send(&format!("{path}/away"), &away("2099-07-10", "2099-07-06")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("away-last_day-wrong"), "{told}");
    let (status, _) = desk.send(&format!("{path}/away"), &away("2099-07-06", "")).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let (_, page) = desk.page(&path).await;
    assert!(page.contains("Monday, July 6, 2099"), "{page}");
    let version = value(&page, "version").to_owned();
    let back = [("form_token", &*token), ("version", &*version), ("index", "0")];
    assert_eq!(desk.send(&format!("{path}/back"), &back).await.0, StatusCode::SEE_OTHER);

    let (_, page) = desk.page(&path).await;
    fields.extend([("version", value(&page, "version")), ("active_until", "2020-01-31")]);
    assert_eq!(desk.send(&path, &fields).await.0, StatusCode::SEE_OTHER);
    let (_, list) = desk.page(TECHNICIANS).await;
    assert!(list.contains("left on Jan 31, 2020"), "{list}");
    assert_eq!(desk.page(&format!("{TECHNICIANS}/999999")).await.0, StatusCode::NOT_FOUND);
}

/// The mail address and password of a new account.
const DESK: (&str, &str) = ("desk@example.com", "eleven blue dogs run");

#[tokio::test]
async fn an_account_is_opened_gets_a_password_and_tokens_and_is_ended() {
    let desk = Desk::open().await;
    let (_, page) = desk.page(ACCOUNTS).await;
    let token = value(&page, "form_token").to_owned();
    let fields = |password| {
        [
            ("form_token", &*token),
            ("name", "Front desk"),
            ("email", DESK.0),
            ("who", "office"),
            ("password", password),
        ]
    };
    let (status, told) = desk.send(ACCOUNTS, &fields("short")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("add-password-wrong") && told.contains("value=\"Front desk\""), "{told}");
    assert!(!told.contains("value=\"short\""), "a password is never shown");
    assert_eq!(desk.send(ACCOUNTS, &fields(DESK.1)).await.0, StatusCode::SEE_OTHER);
    let (status, told) = desk.send(ACCOUNTS, &fields(DESK.1)).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "the address is taken: {told}");

    let accounts = desk.read("/api/v1/accounts").await;
    let account = accounts["items"].as_array().unwrap().last().unwrap().clone();
    let path = format!("{ACCOUNTS}/{}", account["id"]);
    let (status, made) =
        desk.send(&format!("{path}/tokens"), &[("form_token", &token), ("label", "export")]).await;
    assert_eq!(status, StatusCode::OK);
    let secret = made.split("<code class=\"breaks\">").nth(1).unwrap().split('<').next().unwrap();
    let whose = async || {
        let request = desk.service.client.get(format!("{}/api/v1/account", desk.service.url));
        request.bearer_auth(secret).send().await.unwrap().status()
    };
    assert_eq!(whose().await, StatusCode::OK, "the token that was shown holds");
    let (_, again) = desk.page(&path).await;
    assert!(!again.contains(secret) && again.contains("export"), "it is shown once");

    let version = account["version"].to_string();
    let reset =
        [("form_token", &*token), ("version", &version), ("password", "twelve red cats sit")];
    assert_eq!(desk.send(&format!("{path}/password"), &reset).await.0, StatusCode::SEE_OTHER);
    assert_eq!(whose().await, StatusCode::UNAUTHORIZED, "a new password ends the tokens");

    let (_, page) = desk.page(&path).await;
    let version = value(&page, "version").to_owned();
    let only = [("form_token", &*token), ("version", &*version)];
    assert_eq!(desk.send(&format!("{path}/end"), &only).await.0, StatusCode::SEE_OTHER);
    let (_, page) = desk.page(&path).await;
    assert!(page.contains("ended: cannot get in"), "{page}");
    let (status, told) = desk.send(&format!("{path}/open"), &only).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("Somebody else has changed this meanwhile"), "{told}");
}

#[tokio::test]
async fn nobody_ends_the_own_account_and_a_token_is_taken_back() {
    let desk = Desk::open().await;
    let own = desk.read("/api/v1/account").await;
    let path = format!("{ACCOUNTS}/{}", own["id"]);
    let (_, page) = desk.page(&path).await;
    assert!(page.contains("This is your own account"), "{page}");
    let token = value(&page, "form_token");
    let version = own["version"].to_string();
    let only = [("form_token", token), ("version", &*version)];
    let (status, told) = desk.send(&format!("{path}/end"), &only).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("This is your own account; another office account"), "{told}");

    let made = desk
        .service
        .make(&format!("/api/v1/accounts/{}/tokens", own["id"]), &json!({ "label": "lost phone" }))
        .await;
    let revoke = format!("{path}/tokens/{}/revoke", made["stored"]["id"]);
    assert_eq!(desk.send(&revoke, &only).await.0, StatusCode::SEE_OTHER);
    let (_, page) = desk.page(&path).await;
    assert!(!page.contains("lost phone"), "{page}");
}

#[tokio::test]
async fn records_are_taken_out_as_files_and_the_audit_by_days_of_the_branch() {
    let desk = Desk::open().await;
    desk.service.make("/api/v1/sites", &example_with("SiteInput", json!({}))).await;
    let (_, page) = desk.page(RECORDS).await;
    for link in [SITES_FILE, "/office/settings/records/readings.csv", AUDIT_FILE] {
        assert!(page.contains(&format!("\"{link}\"")), "{link}");
    }
    for (file, path) in
        [(SITES_FILE, "/api/v1/exports/sites"), (AUDIT_FILE, "/api/v1/audit/export")]
    {
        let served = desk.service.get(path).await.text().await.unwrap();
        assert!(served.lines().count() > 1, "{served}");
        assert_eq!(desk.page(file).await, (StatusCode::OK, served));
    }
    assert_eq!(desk.page("/office/settings/records/people.csv").await.0, StatusCode::NOT_FOUND);

    // A day begins and ends where the branch is: the first entry is of its own day alone.
    let all = desk.page(AUDIT_FILE).await.1;
    let first = desk.read("/api/v1/audit?limit=1").await["items"][0]["at"].clone();
    let zone: chrono_tz::Tz =
        desk.stored_branch().await["time_zone"].as_str().unwrap().parse().unwrap();
    let first: chrono::DateTime<chrono::Utc> = first.as_str().unwrap().parse().unwrap();
    let day = first.with_timezone(&zone).date_naive();
    let (before, after) = (day.pred_opt().unwrap(), day.succ_opt().unwrap());
    let asked = async |query: String| desk.page(&format!("{AUDIT_FILE}?{query}")).await;
    let header = format!("{}\r\n", all.lines().next().unwrap());
    assert_eq!(asked(format!("first={day}&last=")).await, (StatusCode::OK, all.clone()));
    assert_eq!(asked(format!("first={day}&last={after}")).await.1, all);
    assert_eq!(asked(format!("first=&last={before}")).await.1, header);

    let (status, told) = asked(format!("first={after}&last={before}")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("id=\"audit-last-wrong\">The last day is before the first"), "{told}");
    assert!(told.contains(&format!("value=\"{after}\"")), "what was typed is still there");
    for no_day in ["yesterday", "-9000-01-01"] {
        let (status, told) = asked(format!("first={no_day}&last=")).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
        let wrong = format!("id=\"audit-first-wrong\">«{no_day}» is no day");
        assert!(told.contains(&wrong), "{told}");
    }
}
