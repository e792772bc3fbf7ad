//! The whole loop over HTTP with real mail: import, weather, score, plan, adopt, notices, a household's
//! answer, a technician's result, and the risk that it leaves behind.

use std::fmt::Write as _;
use std::path::Path;

use chrono::NaiveDate;
use harness::{Client, Daemon, Outcome, Setup, eventually};
use hotspell_notices::receiver::{Fault, Received, TestReceiver};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use reqwest::Method;
use serde_json::{Value, json};

/// Ten in the morning of a Monday in Phoenix, before the season; the station's record is known until then.
const NOW: &str = "2025-02-17 17:00:00";
pub(crate) const HOMES: usize = 24;

/// A branch with a station, two technicians and homes with twin machines, running under a clock of
/// 2025 and delivering to a real receiver.
pub(crate) struct Season {
    setup: Setup,
    /// Its files, or its database in the cluster, go when the test ends.
    pub(crate) database: TestDatabase,
    pub(crate) receiver: TestReceiver,
    pub(crate) office_token: String,
    technician_token: String,
}

impl Season {
    pub(crate) async fn begin(kind: DatabaseKind) -> Self {
        Self::begin_with(kind, files()).await
    }

    pub(crate) async fn begin_with(kind: DatabaseKind, files: Vec<(&'static str, String)>) -> Self {
        let database = TestDatabase::new(kind);
        let receiver = TestReceiver::start().await.unwrap();
        let mut setup = Setup::new(Some(database.url()));
        setup
            .at(NOW)
            // Each step is taken by hand, in its order.
            .set("jobs.enabled", "false")
            .set("mail.channel", "smtp")
            .set("mail.smtp_host", "127.0.0.1")
            .set("mail.smtp_port", &receiver.address().port().to_string())
            .set("mail.smtp_security", "none")
            .set("mail.per_minute", "6000");
        setup.add_branch().await;
        let office_token = setup.add_account("office", &[]).await;
        for (name, file) in files {
            let path = setup.write(&format!("{name}.csv"), file);
            setup.run(&["import", name, path.to_str().unwrap()]).await.success();
        }
        let technician_token = setup.add_account("technician", &["--technician", "T-1"]).await;
        Self { setup, database, receiver, office_token, technician_token }
    }

    pub(crate) async fn start(&self) -> (Daemon, Client) {
        let daemon = self.setup.start().await;
        let office = daemon.client(Some(&self.office_token));
        (daemon, office)
    }

    /// Sets something for the next start.
    pub(crate) fn set(&mut self, key: &str, value: &str) {
        self.setup.set(key, value);
    }

    /// A client of the first technician.
    pub(crate) fn technician(&self, daemon: &Daemon) -> Client {
        daemon.client(Some(&self.technician_token))
    }

    /// How a command of the same binary ends that is given something on its standard input.
    pub(crate) async fn pipe(&self, arguments: &[&str], input: &[u8]) -> Outcome {
        self.setup.run_with(arguments, input).await
    }

    /// What a command of the same binary prints.
    pub(crate) async fn command(&self, arguments: &[&str]) -> String {
        self.setup.run(arguments).await.success()
    }

    /// Lets the clock start at another instant at the next start.
    pub(crate) fn at(&mut self, instant: &str) {
        self.setup.at(instant);
    }

    pub(crate) fn mail_to(&self, recipient: &str) -> Vec<Received> {
        let all = self.receiver.received();
        all.into_iter().filter(|mail| mail.to.iter().any(|to| to == recipient)).collect()
    }
}

/// Daily weather of Phoenix since 1961 (NOAA GHCN-Daily, U.S. public domain).
pub(crate) fn record() -> Vec<u8> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../seed/weather/ghcnd_USW00023183.dly");
    std::fs::read(file).unwrap()
}

/// Uploads a station's file.
pub(crate) async fn upload(office: &Client, station: i64, record: Vec<u8>) -> Value {
    let path = format!("/api/v1/weather-stations/{station}/file");
    let request = office.request(Method::PUT, &path).header("Content-Type", "text/plain");
    office.send(request.body(record)).await.json(200)
}

/// Names the station, gives it the real record, and tells the branch.
pub(crate) async fn give_weather(office: &Client, record: Vec<u8>) {
    let station = json!({
        "key": "USW00023183", "name": "Phoenix Sky Harbor International Airport",
        "latitude_degrees": 33.4278, "longitude_degrees": -112.0037, "elevation_metres": 337.4
    });
    let station = office.post("/api/v1/weather-stations", &station).await.json(201);
    let kept = upload(office, station["id"].as_i64().unwrap(), record).await;
    assert!(kept["inserted"].as_u64().unwrap() > 20_000, "{kept}");

    let depot = json!({ "latitude_degrees": 33.44, "longitude_degrees": -112.02 });
    change_branch(office, json!({ "station_id": station["id"], "depot": depot })).await;
}

/// Changes some members of the branch and leaves the others as they are.
pub(crate) async fn change_branch(office: &Client, changes: Value) {
    let branch = office.get("/api/v1/branches/1").await;
    let (etag, stored) = (branch.etag(), branch.json(200));
    let input = office.get("/openapi.json").await.json(200);
    let input = &input["components"]["schemas"]["BranchInput"]["properties"];
    let mut changed = Value::Object(Default::default());
    for name in input.as_object().unwrap().keys() {
        changed[name] = changes.get(name).unwrap_or(&stored[name]).clone();
    }
    office.put("/api/v1/branches/1", &etag, &changed).await.json(200);
}

/// Files of a small branch. Every home has two machines of the same year with one capacitor each: twins.
pub(crate) fn files() -> Vec<(&'static str, String)> {
    let shift = "07:30-16:00,07:30-16:00,07:30-16:00,07:30-16:00,07:30-16:00";
    let technicians = format!(
        "technician,name,email,skills,monday,tuesday,wednesday,thursday,friday\n\
         T-1,Ann Example,ann@example.com,standard;heat-pump;large,{shift}\n\
         T-2,Ben Example,ben@example.com,standard;heat-pump;large,{shift}\n"
    );
    let mut sites = "site,name,address_1,city,region,postal_code,latitude,longitude,contact_name,\
        contact_email,contact_mail_consent,contact_consent_on,contact_consent_how\n"
        .to_owned();
    let mut agreements = "agreement,site,first_day,last_day,visits\n".to_owned();
    let mut units = "unit,site,kind,capacity_tons,installed_on,exposure\n".to_owned();
    let mut components =
        "component,unit,position,class,rating,installed_on,observed_from,ended_on,end_kind,replaced_by\n"
            .to_owned();
    for home in 0..HOMES {
        let (year, latitude) = (2008 + home % 12, 33.40 + 0.004 * home as f64);
        writeln!(
            sites,
            "S-{home},Home {home},{home} Example Street,Phoenix,AZ,85001,{latitude:.4},-112.05,\
             Person {home},home-{home}@example.com,yes,2020-01-05,agreement form"
        )
        .unwrap();
        writeln!(agreements, "A-{home},S-{home},2020-01-05,,tune-up@02-15..04-15").unwrap();
        for twin in ["a", "b"] {
            writeln!(units, "U-{home}{twin},S-{home},heat-pump,3.5,{year}-04-02,sun").unwrap();
            let part = format!("U-{home}{twin},outdoor,run-capacitor-dual,45+5 uF 440 V");
            // In every third home the first capacitor of one machine has failed before.
            if home.is_multiple_of(3) && twin == "a" && year < 2014 {
                writeln!(components, "K-{home}{twin}2,{part},2021-07-04,2021-07-04,,,").unwrap();
                writeln!(
                    components,
                    "K-{home}{twin},{part},{year}-04-02,2020-01-05,2021-07-04,failed,K-{home}{twin}2"
                )
                .unwrap();
            } else {
                writeln!(components, "K-{home}{twin},{part},{year}-04-02,2020-01-05,,,").unwrap();
            }
        }
    }
    vec![
        ("technicians", technicians),
        ("sites", sites),
        ("agreements", agreements),
        ("units", units),
        ("components", components),
    ]
}

async fn score_of(office: &Client, component: i64) -> f64 {
    let scores = office.all(&format!("/api/v1/scores?component_id={component}")).await;
    assert_eq!(scores.len(), 1, "one score in force for component {component}");
    scores[0]["p_season"].as_f64().unwrap()
}

pub(crate) async fn id_by_key(client: &Client, list: &str, key: &str) -> i64 {
    let items = client.all(&format!("{list}?limit=500")).await;
    let found = items.iter().find(|item| item["key"] == key);
    found.unwrap_or_else(|| panic!("no {key} in {list}"))["id"].as_i64().unwrap()
}

/// The text part of a mail, decoded.
pub(crate) fn text_of(mail: &Received) -> String {
    let message = mail_parser::MessageParser::default().parse(&mail.data).unwrap();
    message.body_text(0).unwrap().into_owned()
}

fn answer_link(mail: &Received, base: &str) -> String {
    link_in(mail, &format!("{base}/a/"))
}

/// The first link in a mail that begins so.
pub(crate) fn link_in(mail: &Received, begins: &str) -> String {
    let text = text_of(mail);
    let start = text.find(begins).unwrap_or_else(|| panic!("no link in {text}"));
    let link = text[start..].split(|letter: char| letter.is_whitespace() || letter == '>').next();
    link.unwrap().trim_end_matches(['.', ')']).to_owned()
}

/// Weather to heat age to risk: every part that works has a score with reasons.
pub(crate) async fn score(office: &Client) {
    give_weather(office, record()).await;
    let run = office.post("/api/v1/scoring-runs", &json!({})).await.json(201);
    assert_eq!(run["as_of"], "2025-02-17", "{run}");
    assert_eq!(run["components"], 2 * HOMES, "{run}");
    let scores = office.all("/api/v1/scores?limit=500").await;
    assert_eq!(scores.len(), 2 * HOMES);
    for score in &scores {
        let p = score["p_season"].as_f64().unwrap();
        assert!(p > 0.0 && p < 1.0, "{score}");
        assert!(score["heat_age"].as_f64().unwrap() > 0.0, "{score}");
        assert!(!score["reasons"].as_array().unwrap().is_empty(), "{score}");
    }
}

/// Composes a plan of the next weeks and adopts it.
pub(crate) async fn plan_and_adopt(office: &Client) -> Value {
    let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-04-15", "seed": 7,
        "iterations_per_visit": 50 });
    let draft = office.post("/api/v1/plans", &stretch).await.json(201);
    let adoption = format!("/api/v1/plans/{}/adoption", draft["id"]);
    let adopted = office.post(&adoption, &json!({})).await.json(200);
    assert!(adopted["placed"].as_u64().unwrap() >= HOMES as u64 - 1, "{adopted}");
    adopted
}

#[tokio::test]
async fn the_loop_closes_from_import_to_the_risk_that_a_finding_leaves() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;

        // Visits that agreements owe are placed; the riskier half comes earlier.
        plan_and_adopt(&office).await;
        let visits = office.all("/api/v1/visits?limit=500").await;
        let placed: Vec<_> = visits.iter().filter(|visit| visit["state"] == "placed").collect();
        assert!(placed.len() >= HOMES - 1, "{kind:?}: {} placed", placed.len());
        for visit in &placed {
            let day: NaiveDate = visit["day"].as_str().unwrap().parse().unwrap();
            assert!(day.to_string().as_str() >= "2025-02-18", "{visit}");
            assert!(visit["technician_id"].is_i64(), "{visit}");
        }

        // Reminders leave by SMTP, one for each home visited in the next two weeks.
        let written = office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        assert!(written["reminders"].as_u64().unwrap() > 0, "{written}");
        office.post("/api/v1/notices/delivery", &json!({})).await.json(200);
        let mail = season.receiver.received();
        let reminded = eventually("a household's reminder arrives", async || {
            let all = season.receiver.received();
            all.into_iter().find(|mail| mail.to[0].starts_with("home-"))
        })
        .await;
        assert!(mail.iter().all(|mail| mail.header("Message-ID").is_some()));

        // Reading the link changes nothing; the button does.
        let link = answer_link(&reminded, &season_base());
        let home = reminded.to[0].trim_start_matches("home-").trim_end_matches("@example.com");
        let home: usize = home.parse().unwrap();
        let site = id_by_key(&office, "/api/v1/sites", &format!("S-{home}")).await;
        let announced = office.all(&format!("/api/v1/visits?site_id={site}")).await.remove(0);
        assert_eq!(announced["state"], "announced", "{announced}");
        let household = daemon.client(None);
        let path = link.strip_prefix(&season_base()).unwrap();
        let page = household.get(path).await;
        assert_eq!(page.status, 200, "{}", page.text());
        let still = office.all(&format!("/api/v1/visits?site_id={site}")).await.remove(0);
        assert_eq!(still["state"], "announced", "reading changes nothing");
        let day = announced["day"].as_str().unwrap();
        let answer = household.post_form(path, &format!("answer=yes&day={day}")).await;
        assert!([200, 303].contains(&answer.status), "{}", answer.text());
        let agreed = office.all(&format!("/api/v1/visits?site_id={site}")).await.remove(0);
        assert_eq!(agreed["state"], "agreed");

        finding_raises_the_sister(&office, home, &agreed).await;
        assert!(daemon.stop().await);
    }
}

/// A technician finds one of two twins failed: the sister's risk rises at once.
async fn finding_raises_the_sister(office: &Client, home: usize, visit: &Value) {
    let living = |twin: &str| {
        let year = 2008 + home % 12;
        let second = home.is_multiple_of(3) && twin == "a" && year < 2014;
        format!("K-{home}{twin}{}", if second { "2" } else { "" })
    };
    let failed = id_by_key(office, "/api/v1/components", &living("a")).await;
    let sister = id_by_key(office, "/api/v1/components", &living("b")).await;
    let before = score_of(office, sister).await;
    let technician = visit["technician_id"].as_i64().unwrap();
    let result = json!({
        "key": format!("result-{home}"), "day": "2025-02-17", "technician_id": technician,
        "readings": [{ "component_id": failed, "microfarads": 12.0, "conditions": ["bulged"] }],
        "replacements": [{ "component_id": failed, "end_kind": "failed" }],
        "complete": true
    });
    let path = format!("/api/v1/visits/{}/results", visit["id"]);
    let recorded = office.post(&path, &result).await.json(201);
    assert_eq!(recorded["new"], true, "{recorded}");
    assert_eq!(recorded["visit"]["state"], "done", "{recorded}");
    let after = score_of(office, sister).await;
    assert!(after > before * 1.02, "the sister's risk rose from {before} to only {after}");
    let scores = office.all(&format!("/api/v1/scores?component_id={sister}")).await;
    let why = scores[0]["reasons"].to_string();
    assert!(why.contains("failed at this home"), "the reason says so: {why}");
    // The same submission again, as a phone in a driveway sends it, counts once.
    let again = office.post(&path, &result).await.json(201);
    assert_eq!(again["new"], false);
    assert!((score_of(office, sister).await - after).abs() < 1e-12);
}

/// The record without any value of one day: in GHCN-Daily's fixed columns -9999 is missing
/// (readme.txt, section III).
pub(crate) fn record_without(year: i32, month: u32, day: usize) -> Vec<u8> {
    let line_begins = format!("USW00023183{year}{month:02}");
    let text = String::from_utf8(record()).unwrap();
    let lines = text.lines().map(|line| {
        let mut line = line.to_owned();
        if line.starts_with(&line_begins) {
            let at = 21 + 8 * (day - 1);
            line.replace_range(at..at + 5, "-9999");
        }
        line + "\n"
    });
    lines.collect::<String>().into_bytes()
}

#[tokio::test]
async fn what_the_record_does_not_say_is_stated_in_the_result() {
    for kind in TestDatabase::KINDS {
        let mut files = files();
        let (sites, components) = (1, 4);
        assert_eq!((files[sites].0, files[components].0), ("sites", "components"));
        files[sites].1 = files[sites].1.replace("33.4280,-112.05", ",");
        let known = "K-5b,U-5b,outdoor,run-capacitor-dual,45+5 uF 440 V,2013-04-02,";
        let unknown = known.replace("2013-04-02", "");
        assert!(files[components].1.contains(known), "{}", files[components].1);
        files[components].1 = files[components].1.replace(known, &unknown);
        let season = Season::begin_with(kind, files).await;
        let (daemon, office) = season.start().await;
        give_weather(&office, record_without(2024, 3, 10)).await;

        let run = office.post("/api/v1/scoring-runs", &json!({})).await.json(201);
        let assumptions = run["assumptions"].to_string();
        assert!(assumptions.contains("weather 2024-03-10 to 2024-03-10"), "{run}");
        assert!(assumptions.contains("1 parts in service have no install day"), "{run}");
        // The part that may be older is known less well than its twin of the same home.
        let width = async |key: &str| {
            let id = id_by_key(&office, "/api/v1/components", key).await;
            let score = office.all(&format!("/api/v1/scores?component_id={id}")).await.remove(0);
            score["p_season_high"].as_f64().unwrap() / score["p_season_low"].as_f64().unwrap()
        };
        let (unknown, known) = (width("K-5b").await, width("K-5a").await);
        assert!(unknown > known, "{unknown} and {known}");

        let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-04-15", "seed": 7,
            "iterations_per_visit": 50 });
        let draft = office.post("/api/v1/plans", &stretch).await.json(201);
        let unplaced = office.all(&format!("/api/v1/plans/{}/unplaced", draft["id"])).await;
        let reasons = json!(unplaced).to_string();
        assert!(reasons.contains("Home 7 has no position"), "{reasons}");
        assert!(daemon.stop().await);
    }
}

/// Where mail says that people reach the service.
pub(crate) fn season_base() -> String {
    hotspell_daemon::config::Config::default().server.public_url
}

#[tokio::test]
async fn a_power_cut_during_delivery_loses_no_mail_and_repeats_it_only_under_its_own_id() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        // The receiver keeps the first messages and never answers: their senders cannot know.
        season.receiver.plan([Fault::HangAfterMessage, Fault::HangAfterMessage]);
        office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        let notices = office.all("/api/v1/notices?limit=500").await;
        let expected = notices.len();
        let sending = office.clone();
        let delivery = tokio::spawn(async move {
            // The daemon dies before it can answer.
            let request = sending.request(Method::POST, "/api/v1/notices/delivery");
            drop(reqwest::Client::new().execute(request.json(&json!({})).build().unwrap()).await);
        });
        eventually("the first messages arrived", async || {
            (season.receiver.received().len() >= 2).then_some(())
        })
        .await;
        daemon.kill().await;
        delivery.await.unwrap();

        // Ten minutes later: the dead process's claims have run out.
        let mut later = Season { setup: season.setup, ..season };
        later.setup.at("2025-02-17 17:10:00");
        let (_daemon, office) = later.start().await;
        let ids = eventually("every notice is delivered", async || {
            office.post("/api/v1/notices/delivery", &json!({})).await.json(200);
            let received = later.receiver.received();
            let ids: Vec<String> =
                received.iter().map(|mail| mail.header("Message-ID").unwrap()).collect();
            let mut distinct = ids.clone();
            distinct.sort();
            distinct.dedup();
            (distinct.len() == expected).then_some(ids)
        })
        .await;
        // At least once: only what was under way when the power went may have come twice.
        let repeated = ids.len() - expected;
        assert!(repeated <= 16, "{kind:?}: {repeated} of {expected} came twice");
        let home = later.mail_to("home-0@example.com");
        for mail in &home {
            assert_eq!(mail.header("Message-ID"), home[0].header("Message-ID"), "{kind:?}");
        }
    }
}
