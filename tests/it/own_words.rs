//! What the office words on its page stands in the mail that households get, and a sample of it reaches
//! whoever asks.

use harness::{Answer, Client, Daemon};
use hotspell_notices::receiver::Fault;
use hotspell_test_support::TestDatabase;
use mail_parser::MessageParser;
use reqwest::{Method, Url};
use serde_json::{Value, json};

use crate::season_loop::{Season, plan_and_adopt, score, text_of};

const TEXTS: &str = "/office/settings/notices";

/// Somebody who signed in on the pages.
pub(crate) struct Session {
    client: Client,
    cookie: String,
}

impl Session {
    pub(crate) async fn begin(daemon: &Daemon, token: &str) -> Self {
        let client = daemon.client(None);
        let answer = client.post_form("/sign-in", &format!("token={token}")).await;
        assert_eq!(answer.status, 303, "{}", answer.text());
        let cookie = answer.header("Set-Cookie").unwrap().split(';').next().unwrap().to_owned();
        Self { client, cookie }
    }

    pub(crate) async fn page(&self, path: &str) -> String {
        self.answer(path).await.text()
    }

    /// A page with the headers that it comes with.
    pub(crate) async fn answer(&self, path: &str) -> Answer {
        let answer = self.asked(path).await;
        assert_eq!(answer.status, 200, "{path}: {}", answer.text());
        answer
    }

    /// What the service answers, whatever it is.
    pub(crate) async fn asked(&self, path: &str) -> Answer {
        let request = self.client.request(Method::GET, path).header("Cookie", &self.cookie);
        self.client.send(request).await
    }

    /// Sends a form of a page with the hidden fields that the page shows.
    pub(crate) async fn send(&self, page: &str, path: &str, fields: &[(&str, &str)]) {
        let shown = self.page(page).await;
        let hidden = |name: &str| {
            let field = shown.split(&format!("name=\"{name}\" value=\"")).nth(1)?;
            field.split('"').next()
        };
        let mut all: Vec<(&str, &str)> = fields.to_vec();
        all.extend(
            ["form_token", "version"].iter().filter_map(|name| Some((*name, hidden(name)?))),
        );
        // A form is written as a query is (HTML, application/x-www-form-urlencoded).
        let form = Url::parse_with_params("http://form.test", &all).unwrap();
        let request = self.client.request(Method::POST, path).header("Cookie", &self.cookie);
        let request = request.header("Content-Type", "application/x-www-form-urlencoded");
        let answer = self.client.send(request.body(form.query().unwrap().to_owned())).await;
        assert_eq!(answer.status, 303, "{path}: {}", answer.text());
    }
}

async fn deliver(office: &Client) {
    office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
}

#[tokio::test]
async fn a_branchs_own_lines_stand_in_the_real_mail_of_their_kind_and_language() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        let session = Session::begin(&daemon, &season.office_token).await;
        let reminder = format!("{TEXTS}/reminder/en");
        let opening = "Thirty summers at your side, {name} <of {address}>.";
        let lines = [("opening", opening), ("closing", "Warmly, {branch}")];
        session.send(&reminder, &reminder, &lines).await;
        let spanish = format!("{TEXTS}/reminder/es");
        session.send(&spanish, &spanish, &[("opening", "Treinta veranos."), ("closing", "")]).await;
        score(&office).await;
        plan_and_adopt(&office).await;
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        deliver(&office).await;

        let written = office.all("/api/v1/notices?kind=reminder&limit=500").await;
        assert!(!written.is_empty(), "{kind:?}");
        let name = office.get("/api/v1/branches/1").await.json(200)["name"].clone();
        for notice in &written {
            let address = notice["recipient"].as_str().unwrap();
            let home = address.strip_prefix("home-").unwrap().split('@').next().unwrap();
            let mails = season.mail_to(address);
            assert_eq!(mails.len(), 1, "{kind:?}: {address}");
            let text = text_of(&mails[0]).replace("\r\n", "\n");
            let line = format!(
                "Thirty summers at your side, Person {home} <of {home} Example Street, Phoenix, AZ \
                 85001>."
            );
            assert!(text.contains(&format!("Hello Person {home},\n\n{line}\n\n")), "{text}");
            let foot = format!("\n\nWarmly, {}\n\n---\n", name.as_str().unwrap());
            assert!(text.contains(&foot), "{text}");
            assert!(!text.contains("Treinta"), "{text}");
            let mail = MessageParser::default().parse(&mails[0].data).unwrap();
            let html = mail.body_html(0).unwrap();
            assert!(html.contains(&format!("Person {home} &#60;of {home} Example")), "{html}");
        }
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_program_words_mail_as_the_page_does_and_every_change_is_told() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        let lines = "/api/v1/branches/1/notice-lines";
        let reminder = format!("{lines}/reminder/en");
        assert!(office.all(lines).await.is_empty());
        let read = office.get(&reminder).await;
        assert_eq!((read.etag(), &read.json(200)["opening"]), ("\"0\"".to_owned(), &Value::Null));
        let words = json!({ "opening": " Thirty summers at your side, {name}. ", "closing": "" });
        let kept = office.put(&reminder, "\"0\"", &words).await;
        assert_eq!(kept.etag(), "\"1\"");
        let kept = kept.json(200);
        let opening = "Thirty summers at your side, {name}.";
        assert_eq!((&kept["opening"], &kept["closing"]), (&json!(opening), &Value::Null));
        assert_eq!(office.all(lines).await, std::slice::from_ref(&kept), "{kind:?}");
        let session = Session::begin(&daemon, &season.office_token).await;
        let page = session.page(&format!("{TEXTS}/reminder/en")).await;
        assert!(page.contains("Thirty summers at your side, {name}."), "{page}");

        // Somebody else was faster; what cannot be filled in; mail to staff; another role.
        office.put(&reminder, "\"0\"", &words).await.problem(412);
        let wrong = json!({ "opening": null, "closing": "Dear {first_name}" });
        let refused = office.put(&reminder, "\"1\"", &wrong).await.problem(422);
        assert_eq!(refused["errors"][0]["pointer"], "/closing", "{refused}");
        let route = format!("{lines}/technician-route/en");
        let refused = office.put(&route, "\"0\"", &words).await.problem(404);
        assert!(refused["detail"].as_str().unwrap().contains("second-reminder"), "{refused}");
        office.get("/api/v1/branches/2/notice-lines/reminder/en").await.problem(404);
        let technician = season.technician(&daemon);
        technician.put(&reminder, "\"1\"", &words).await.problem(403);

        // A change on the page and one by the program are told in the same way.
        let fields = [("opening", "Until soon."), ("closing", "")];
        let form = format!("{TEXTS}/reminder/en");
        session.send(&form, &form, &fields).await;
        let nothing = json!({ "opening": null, "closing": null });
        let gone = office.put(&reminder, "\"2\"", &nothing).await.json(200);
        assert_eq!((&gone["opening"], &gone["version"]), (&Value::Null, &json!(3)));
        let audit = office.all("/api/v1/audit?subject_kind=notice-lines&limit=500").await;
        let told: Vec<(&Value, &Value)> = audit
            .iter()
            .map(|entry| (&entry["before"]["opening"], &entry["after"]["opening"]))
            .collect();
        let soon = json!("Until soon.");
        let null = Value::Null;
        let first = json!(opening);
        assert_eq!(told, [(&null, &first), (&first, &soon), (&soon, &null)], "{kind:?}");
        assert!(audit.iter().all(|entry| entry["subject_id"] == kept["id"]), "{audit:?}");
        let changes = office.get("/api/v1/changes?limit=500").await.json(200);
        let versions: Vec<&Value> = changes
            .as_array()
            .unwrap()
            .iter()
            .filter(|change| change["resource"] == "notice-lines")
            .map(|change| {
                assert_eq!(change["resource_id"], kept["id"]);
                &change["version"]
            })
            .collect();
        assert_eq!(versions, [1, 2, 3], "{kind:?}: {changes}");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_sample_reaches_who_asked_marked_as_one_and_a_refusal_is_told() {
    let season = Season::begin(hotspell_test_support::DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    let session = Session::begin(&daemon, &season.office_token).await;
    let page = format!("{TEXTS}/day-before/en");
    let own = "office@example.com";
    session.send(&page, &page, &[("opening", "We look forward to it."), ("closing", "")]).await;
    session.send(&page, &format!("{page}/send"), &[("sample", "day-before")]).await;
    assert!(session.page(&page).await.contains("Waits for its turn"));
    deliver(&office).await;
    let mails = season.mail_to(own);
    assert_eq!(mails.len(), 1);
    let mail = MessageParser::default().parse(&mails[0].data).unwrap();
    assert_eq!(mail.subject(), Some("Sample: Tomorrow: your cooling tune-up"));
    assert!(text_of(&mails[0]).contains("We look forward to it."), "{}", text_of(&mails[0]));
    let source = String::from_utf8_lossy(&mails[0].data).into_owned();
    assert!(!source.contains("text/calendar"), "no event for a real calendar: {source}");
    assert!(!source.contains("List-Unsubscribe"), "it is no mail to a household: {source}");
    assert!(session.page(&page).await.contains("The mail server took it."));

    season.receiver.always_for(own, Fault::RefuseRecipient);
    let page = format!("{TEXTS}/visit-report/es");
    session.send(&page, &format!("{page}/send"), &[("sample", "visit-report")]).await;
    deliver(&office).await;
    let told = session.page(&page).await;
    let refused = told.split("class=\"told bad\"").nth(1).expect("it is told as a failure");
    assert!(refused.contains("Muestra: ") && refused.contains("Refused: "), "{refused}");
    assert_eq!(season.mail_to(own).len(), 1);
    let sent: Vec<Value> = office.all("/api/v1/notices?kind=sample&limit=500").await;
    let states: Vec<&str> = sent.iter().map(|mail| mail["state"].as_str().unwrap()).collect();
    assert_eq!(states, ["delivered", "refused"]);
    assert!(daemon.stop().await);
}
