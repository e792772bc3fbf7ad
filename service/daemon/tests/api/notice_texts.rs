//! The office reads what its branch writes, adds lines of its own, and sends itself a sample.

use hotspell_domain::{Language, NoticeKind, Role};
use hotspell_notices::samples;
use reqwest::StatusCode;
use serde_json::{Value, json};

use crate::desk::{Desk, cookie_of, value};
use crate::support::{add_account, example_with};

const TEXTS: &str = "/office/settings/notices";
const REMINDER: &str = "/office/settings/notices/reminder/en";
const FRAME: &str = "/office/settings/notices/reminder/en/samples/reminder";

/// A form's hidden fields as the page shows them, with the two lines.
async fn lines<'a>(desk: &Desk, opening: &'a str, closing: &'a str) -> Vec<(&'a str, String)> {
    let (_, page) = desk.page(REMINDER).await;
    vec![
        ("form_token", value(&page, "form_token").to_owned()),
        ("version", value(&page, "version").to_owned()),
        ("opening", opening.to_owned()),
        ("closing", closing.to_owned()),
    ]
}

async fn send(desk: &Desk, path: &str, fields: &[(&str, String)]) -> (StatusCode, String) {
    let fields: Vec<(&str, &str)> = fields.iter().map(|(name, it)| (*name, it.as_str())).collect();
    desk.send(path, &fields).await
}

async fn last_audit(desk: &Desk) -> Value {
    let audit = desk.read("/api/v1/audit?limit=500").await;
    audit["items"].as_array().unwrap().last().unwrap().clone()
}

#[tokio::test]
async fn every_kind_of_mail_can_be_read_in_every_language_by_the_office_alone() {
    let desk = Desk::open().await;
    let (status, list) = desk.page(TEXTS).await;
    assert_eq!(status, StatusCode::OK);
    let person =
        desk.service.make("/api/v1/technicians", &example_with("TechnicianInput", json!({}))).await;
    let (store, branch) = (&desk.service.state.store, desk.service.branch);
    let token = add_account(store, branch, Role::Technician, person["id"].as_i64(), None);
    let technician = cookie_of(&desk.service, &token).await;
    let own_name = desk.read(&format!("/api/v1/branches/{branch}")).await["name"].clone();
    for language in Language::ALL {
        for sample in samples::all(&samples::branch(), *language).unwrap() {
            let path = format!("{TEXTS}/{}/{language}", sample.kind);
            assert!(list.contains(&format!("href=\"{path}\"")), "{path} in {list}");
            let (status, page) = desk.page(&path).await;
            assert_eq!(status, StatusCode::OK, "{path}");
            let frame = format!("{path}/samples/{}", sample.name);
            assert!(page.contains(&format!("src=\"{frame}\"")), "{frame} in {page}");
            let (status, mail) = desk.page(&frame).await;
            assert_eq!(status, StatusCode::OK, "{frame}");
            assert!(mail.contains(own_name.as_str().unwrap()), "the branch's own name: {mail}");
            for path in [&path, &frame] {
                let request = desk.browser.get(format!("{}{path}", desk.service.url));
                let answer = request.header("Cookie", &technician).send().await.unwrap();
                assert_eq!(answer.status(), StatusCode::FORBIDDEN, "a technician at {path}");
            }
        }
    }
    for nothing in ["sample/en", "reminder/fr", "apology/en", "reminder/en/samples/visit-report"] {
        let (status, _) = desk.page(&format!("{TEXTS}/{nothing}")).await;
        assert_eq!(status, StatusCode::NOT_FOUND, "{nothing}");
    }
}

#[tokio::test]
async fn the_mail_is_shown_in_a_frame_in_which_nothing_can_run() {
    let desk = Desk::open().await;
    let header = async |path: &str, name: &str| {
        let request = desk.browser.get(format!("{}{path}", desk.service.url));
        let answer = request.header("Cookie", &desk.cookie).send().await.unwrap();
        answer.headers()[name].to_str().unwrap().to_owned()
    };
    let policy = header(FRAME, "content-security-policy").await;
    for part in ["default-src 'none'", "sandbox;", "frame-ancestors 'self'", "form-action 'none'"] {
        assert!(policy.contains(part), "{part} in {policy}");
    }
    assert!(!policy.contains("script-src") && !policy.contains("allow-"), "{policy}");
    assert_eq!(header(FRAME, "x-frame-options").await, "SAMEORIGIN");
    let policy = header(REMINDER, "content-security-policy").await;
    assert!(policy.contains("frame-src 'self'") && !policy.contains("unsafe"), "{policy}");
    assert_eq!(header(REMINDER, "x-frame-options").await, "DENY");
    let (_, page) = desk.page(REMINDER).await;
    assert!(page.contains("<iframe class=\"mail\" sandbox title="), "{page}");
}

#[tokio::test]
async fn own_lines_are_looked_at_before_they_are_kept_and_stand_as_written() {
    let desk = Desk::open().await;
    let opening = "Thirty years <b>nearby</b>, {name} & all.";
    let sent = lines(&desk, opening, "").await;
    let (status, page) = send(&desk, &format!("{REMINDER}/look"), &sent).await;
    assert_eq!(status, StatusCode::OK);
    assert!(page.contains("They are not kept yet"), "{page}");
    let frame = page.split(" src=\"").nth(1).unwrap().split('"').next().unwrap();
    let frame = frame.replace("&#38;", "&").replace("&amp;", "&");
    let (_, mail) = desk.page(&frame).await;
    let name = samples::household(Language::English).name;
    let shown = format!("Thirty years &#60;b&#62;nearby&#60;/b&#62;, {name} &#38; all.");
    assert!(mail.contains(&shown), "{mail}");
    let (_, mail) = desk.page(FRAME).await;
    assert!(!mail.contains("Thirty years"), "nothing is kept by looking");

    let (status, _) = send(&desk, REMINDER, &sent).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let (_, mail) = desk.page(FRAME).await;
    assert!(mail.contains(&shown), "{mail}");
    let entry = last_audit(&desk).await;
    assert_eq!(
        (&entry["action"], &entry["subject_kind"]),
        (&json!("change"), &json!("notice-lines"))
    );
    assert_eq!(
        entry["after"],
        json!({ "kind": "reminder", "language": "en", "opening": opening, "closing": null })
    );
    assert_eq!(entry["before"]["opening"], Value::Null);
    let (_, list) = desk.page(TEXTS).await;
    assert!(list.contains("with one line of your own"), "{list}");
    let (_, settings) = desk.page("/office/settings").await;
    assert!(settings.contains("1 text with own lines"), "{settings}");

    let (status, told) = send(&desk, REMINDER, &sent).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("Somebody else has changed this meanwhile"), "{told}");
    let none = lines(&desk, "", " ").await;
    assert_eq!(send(&desk, REMINDER, &none).await.0, StatusCode::SEE_OTHER);
    let (_, mail) = desk.page(FRAME).await;
    assert!(!mail.contains("Thirty years"), "an empty line is none: {mail}");
}

#[tokio::test]
async fn a_line_that_no_mail_can_fill_in_is_refused_beside_its_field() {
    let desk = Desk::open().await;
    let long = "x".repeat(301);
    for (opening, closing, field, why) in [
        ("Call {phone}.", "", "opening", "«{phone}» cannot be filled in"),
        ("", "See you, {name", "closing", "a brace stands alone"),
        ("One\nTwo", "", "opening", "must be one line"),
        ("", long.as_str(), "closing", "it has 301 characters"),
    ] {
        for path in [REMINDER.to_owned(), format!("{REMINDER}/look")] {
            let sent = lines(&desk, opening, closing).await;
            let (status, told) = send(&desk, &path, &sent).await;
            assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{path}: {opening}{closing}");
            let beside = told.split(&format!("id=\"lines-{field}-wrong\">")).nth(1).unwrap();
            assert!(beside.split('<').next().unwrap().contains(why), "{why}: {told}");
            assert!(!told.contains("They are not kept yet"), "the mail below has no such line");
        }
    }
    // Staff mail has no such lines, and no form for them.
    let (_, route) = desk.page(&format!("{TEXTS}/technician-route/en")).await;
    assert!(!route.contains("Your own lines"), "{route}");
    let sent = lines(&desk, "Drive well.", "").await;
    let (status, told) = send(&desk, &format!("{TEXTS}/technician-route/en"), &sent).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(told.contains("Only mail to households"), "{told}");
}

#[tokio::test]
async fn a_sample_goes_to_who_asks_marked_as_one_and_not_without_end() {
    let desk = Desk::open().await;
    let (_, page) = desk.page(REMINDER).await;
    assert!(page.contains("No mail server is configured"), "the folder is said: {page}");
    let token = value(&page, "form_token").to_owned();
    let own = desk.read("/api/v1/accounts?limit=500").await;
    let address = own["items"][0]["email"].as_str().unwrap().to_owned();
    let fields = |sample: &str| [("form_token", token.clone()), ("sample", sample.to_owned())];
    for language in Language::ALL {
        for sample in samples::all(&samples::branch(), *language).unwrap() {
            let path = format!("{TEXTS}/{}/{language}/send", sample.kind);
            let (status, told) = send(&desk, &path, &fields(sample.name)).await;
            assert_eq!(status, StatusCode::SEE_OTHER, "{path}: {told}");
        }
    }
    let entry = last_audit(&desk).await;
    assert_eq!(
        (&entry["action"], &entry["after"]),
        (&json!("send sample"), &json!({ "sample": "office-digest", "language": "es" }))
    );
    let sent = desk.read("/api/v1/notices?kind=sample&limit=500").await;
    let sent = sent["items"].as_array().unwrap();
    assert_eq!(sent.len(), 20);
    for mail in sent {
        let subject = mail["subject"].as_str().unwrap();
        let mark = if mail["language"] == "es" { "Muestra: " } else { "Sample: " };
        assert!(subject.starts_with(mark), "{subject}");
        assert_eq!((&mail["recipient"], &mail["state"]), (&json!(address), &json!("waiting")));
    }
    let (_, page) = desk.page(REMINDER).await;
    assert!(page.contains("Waits for its turn"), "{page}");
    let (status, told) = send(&desk, &format!("{REMINDER}/send"), &fields("reminder")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(told.contains("20 samples went to"), "{told}");
    let other = format!("{TEXTS}/{}/en/send", NoticeKind::DayBefore);
    let (status, _) = send(&desk, &other, &fields("reminder")).await;
    assert_eq!(status, StatusCode::NOT_FOUND, "a sample of another kind");
    let (status, _) = desk.send(&other, &[("sample", "day-before")]).await;
    assert_eq!(status, StatusCode::FORBIDDEN, "without the session's token");
}

#[tokio::test]
async fn a_second_press_of_the_button_sends_no_second_sample() {
    let desk = Desk::open().await;
    let (_, page) = desk.page(REMINDER).await;
    let token = value(&page, "form_token").to_owned();
    let fields = [("form_token", token), ("sample", "reminder".to_owned())];
    // A minute may end between two presses, but not between all three.
    let mut answers = Vec::new();
    for _ in 0..3 {
        answers.push(send(&desk, &format!("{REMINDER}/send"), &fields).await);
    }
    let refused = answers.iter().find(|(status, _)| *status != StatusCode::SEE_OTHER).unwrap();
    assert_eq!(refused.0, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(refused.1.contains("in this minute already"), "{}", refused.1);
}
