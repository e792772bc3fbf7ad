//! The year of one household, from import to renewal: a slot that it declines, a technician who falls
//! sick, a day when nothing cools, a twin that fails with its sister, and an agreement that goes on.

use chrono::{Days, NaiveDate};
use harness::{Client, Daemon};
use hotspell_notices::receiver::Received;
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

use crate::season_loop::{
    Season, files, give_weather, id_by_key, link_in, record, season_base, text_of, upload,
};

/// The household: number of its home, and where it reads its mail.
const HOME: usize = 1;
const ADDRESS: &str = "home-1@example.com";

/// The branch of `season_loop`. The household speaks Spanish, is owed a capacitor check in June beside the
/// tune-up of spring, and its agreement ends with July.
fn the_years_files() -> Vec<(&'static str, String)> {
    let mut given = files();
    for (name, text) in &mut given {
        if *name == "sites" {
            *text = text.replace("contact_consent_how\n", "contact_consent_how,language\n");
            *text = text.replace(",agreement form\n", ",agreement form,en\n");
            let english = format!("{ADDRESS},yes,2020-01-05,agreement form,en");
            assert!(text.contains(&english));
            *text = text.replace(&english, &english.replace(",en", ",es"));
        }
        if *name == "agreements" {
            *text = text.replace(
                "tune-up@02-15..04-15",
                "tune-up@02-15..04-15; capacitor-check@06-09..06-30",
            );
            *text = text.replace("A-1,S-1,2020-01-05,,", "A-1,S-1,2024-08-01,2025-07-31,");
        }
    }
    given
}

/// The branch in the course of the year, and what the story must remember.
struct Year {
    kind: DatabaseKind,
    season: Season,
    daemon: Option<Daemon>,
    office: Client,
    site: i64,
    /// Mails that the household has read.
    read: usize,
}

impl Year {
    async fn begin(kind: DatabaseKind) -> Self {
        let season = Season::begin_with(kind, the_years_files()).await;
        let (daemon, office) = season.start().await;
        let site = id_by_key(&office, "/api/v1/sites", &format!("S-{HOME}")).await;
        Self { kind, season, daemon: Some(daemon), office, site, read: 0 }
    }

    /// Lets the daemon end well and start again at another instant.
    async fn at(&mut self, instant: &str) {
        assert!(self.daemon.take().unwrap().stop().await, "{:?}", self.kind);
        self.season.at(instant);
        let (daemon, office) = self.season.start().await;
        (self.daemon, self.office) = (Some(daemon), office);
    }

    fn anybody(&self) -> Client {
        self.daemon.as_ref().unwrap().client(None)
    }

    /// The household's visit of a kind that is neither done nor dropped.
    async fn open_visit(&self, kind: &str) -> Value {
        let path = format!("/api/v1/visits?site_id={}&kind={kind}&limit=500", self.site);
        let all = self.office.all(&path).await;
        let open =
            |visit: &&Value| !["done", "dropped", "missed"].iter().any(|s| visit["state"] == *s);
        let found: Vec<&Value> = all.iter().filter(open).collect();
        assert_eq!(found.len(), 1, "{:?}: {all:?}", self.kind);
        found[0].clone()
    }

    async fn visit(&self, id: &Value) -> Value {
        self.office.get(&format!("/api/v1/visits/{id}")).await.json(200)
    }

    /// Scores, composes a plan of a stretch of days and adopts it.
    async fn plan(&self, first: &str, last: &str) {
        self.office.post("/api/v1/scoring-runs", &json!({})).await.json(201);
        let stretch = json!({ "first_day": first, "last_day": last, "seed": 7,
            "iterations_per_visit": 50 });
        let draft = self.office.post("/api/v1/plans", &stretch).await.json(201);
        let adoption = format!("/api/v1/plans/{}/adoption", draft["id"]);
        self.office.post(&adoption, &json!({})).await.json(200);
    }

    /// Writes what is due and delivers it; says what was written.
    async fn notify(&self) -> Value {
        let written = self.office.post("/api/v1/notices/composition", &json!({})).await.json(200);
        self.deliver().await;
        written
    }

    async fn deliver(&self) {
        let all = json!({ "limit": 1000 });
        let round = self.office.post("/api/v1/notices/delivery", &all).await.json(200);
        assert_eq!((&round["again"], &round["refused"]), (&json!(0), &json!(0)), "{round}");
    }

    /// The one new mail to the household.
    fn new_mail(&mut self) -> Received {
        let mut mails = self.season.mail_to(ADDRESS);
        let subjects: Vec<_> = mails.iter().map(|mail| mail.header("Subject")).collect();
        self.read += 1;
        assert_eq!(mails.len(), self.read, "{:?}: {subjects:?}", self.kind);
        mails.pop().unwrap()
    }

    /// The path behind a link of the newest mail.
    fn link(&self, mail: &Received, purpose: &str) -> String {
        let link = link_in(mail, &format!("{}/{purpose}/", season_base()));
        link.strip_prefix(&season_base()).unwrap().to_owned()
    }

    /// The route that holds a visit, in force.
    async fn route_of(&self, visit: &Value) -> Value {
        let day = visit["day"].as_str().unwrap_or_else(|| panic!("{visit} has a day"));
        let technician = &visit["technician_id"];
        let path = format!("/api/v1/routes?day={day}&technician_id={technician}&state=current");
        let route = self.office.all(&path).await.remove(0);
        let stops = route["stops"].as_array().unwrap();
        assert!(stops.iter().any(|stop| stop["visit_id"] == visit["id"]), "{route}");
        route
    }

    async fn part(&self, key: &str) -> i64 {
        id_by_key(&self.office, "/api/v1/components", key).await
    }

    async fn risk_of(&self, part: i64) -> Value {
        self.office.all(&format!("/api/v1/scores?component_id={part}")).await.remove(0)
    }

    /// February: the base is scored, the spring is planned, the household is reminded and says no to
    /// the day. It chooses one of three others by the link in its mail.
    async fn declines_a_slot(&mut self) -> Value {
        give_weather(&self.office, record()).await;
        self.plan("2025-03-10", "2025-04-15").await;
        let placed = self.open_visit("tune-up").await;
        assert_eq!(placed["state"], "placed");
        let day: NaiveDate = placed["day"].as_str().unwrap().parse().unwrap();
        // The reminder goes two weeks before.
        let reminded = day - Days::new(14);
        self.at(&format!("{reminded} 17:00:00")).await;
        self.notify().await;
        let mail = self.new_mail();
        assert!(text_of(&mail).contains("Hola"), "{}", text_of(&mail));
        let link = self.link(&mail, "a");
        let household = self.anybody();
        assert_eq!(household.get(&link).await.status, 200);
        assert_eq!(
            self.visit(&placed["id"]).await["state"],
            "announced",
            "reading answers nothing"
        );
        let offers = household.post_form(&link, "answer=other").await.text();
        let holds: Vec<&str> = offers.split("value=\"").skip(1).collect();
        let holds: Vec<&str> = holds
            .iter()
            .filter_map(|rest| rest.split('"').next())
            .filter(|value| value.starts_with("slot-"))
            .collect();
        assert_eq!(holds.len(), 3, "{offers}");
        let chosen = household.post_form(&link, &format!("answer={}", holds[0])).await;
        assert_eq!(chosen.status, 303, "{}", chosen.text());
        self.deliver().await;
        let moved = self.visit(&placed["id"]).await;
        assert_eq!(moved["state"], "agreed");
        assert_ne!(moved["day"], placed["day"]);
        assert!(text_of(&self.new_mail()).contains("Como nos pidió"));
        self.route_of(&moved).await;
        moved
    }

    /// The technician of that day calls in sick: the repair is a difference first, then adopted; the
    /// household hears of it in the calendar event that it has, and agrees.
    async fn loses_its_technician(&mut self, agreed: &Value) -> Value {
        let sick = json!({ "events": [{ "kind": "technician-absent",
            "technician_id": agreed["technician_id"], "first_day": agreed["day"],
            "last_day": agreed["day"] }] });
        let repaired = self.office.post("/api/v1/repairs", &sick).await.json(201);
        let changes = repaired["changes"].as_array().unwrap();
        assert!(
            changes.iter().any(|change| change.to_string().contains(&format!("Home {HOME}"))),
            "{repaired}"
        );
        assert_eq!(self.visit(&agreed["id"]).await, *agreed, "a draft moves nothing");
        let adoption = format!("/api/v1/plans/{}/adoption", repaired["plan_id"]);
        let adopted = self.office.post(&adoption, &json!({})).await.json(200);
        assert!(adopted["told"].as_array().unwrap().contains(&agreed["id"]), "{adopted}");
        self.deliver().await;
        let moved = self.visit(&agreed["id"]).await;
        assert!(
            moved["day"] != agreed["day"] || moved["technician_id"] != agreed["technician_id"],
            "{moved}"
        );
        let mail = self.new_mail();
        assert!(text_of(&mail).contains("técnico"), "{}", text_of(&mail));
        if moved["state"] == "announced" {
            let day = moved["day"].as_str().unwrap();
            let link = self.link(&mail, "a");
            let yes = self.anybody().post_form(&link, &format!("answer=yes&day={day}")).await;
            assert_eq!(yes.status, 303, "{}", yes.text());
        }
        let moved = self.visit(&agreed["id"]).await;
        assert_eq!(moved["state"], "agreed");
        moved
    }

    /// The evening before, the technician reads tomorrow's route with its load list; the household is
    /// told that somebody comes.
    async fn the_evening_before(&mut self, visit: &Value) {
        let day: NaiveDate = visit["day"].as_str().unwrap().parse().unwrap();
        self.at(&format!("{} 17:30:00", day.pred_opt().unwrap())).await;
        let stretch = json!({ "first_day": day, "last_day": day });
        let lists = self.office.post("/api/v1/load-lists", &stretch).await.json(200);
        assert!(lists["written"].as_u64().unwrap() > 0, "{lists}");
        let route = self.route_of(visit).await;
        let mail = format!("/api/v1/routes/{}/mail", route["id"]);
        assert_eq!(self.office.post(&mail, &json!({})).await.json(200)["written"], true);
        assert_eq!(self.office.post(&mail, &json!({})).await.json(200)["written"], false, "once");
        assert!(self.notify().await["day_before"].as_u64().unwrap() > 0);
        let driver = if visit["technician_id"] == 1 { "ann" } else { "ben" };
        let route = self.season.mail_to(&format!("{driver}@example.com"));
        assert_eq!(route.len(), 1, "{:?}", self.kind);
        let text = text_of(&route[0]);
        for words in [&format!("{HOME} Example Street"), "45+5", "Power off at the disconnect"] {
            assert!(text.to_lowercase().contains(&words.to_lowercase()), "{words}: {text}");
        }
        let mail = self.new_mail();
        assert!(text_of(&mail).contains("mañana"), "{}", text_of(&mail));
    }

    /// A result of the first technician or the second, as the phone sends it.
    async fn send(&self, visit: &Value, day: &str, key: &str, found: Value) -> Value {
        let mut result = json!({ "key": key, "day": day, "technician_id": visit["technician_id"] });
        for (name, value) in found.as_object().unwrap() {
            result[name] = value.clone();
        }
        let path = format!("/api/v1/visits/{}/results", visit["id"]);
        self.office.post(&path, &result).await.json(201)
    }

    /// Spring: both capacitors still hold. The household reads what was found.
    async fn spring_visit(&mut self, visit: &Value) {
        let day = visit["day"].as_str().unwrap().to_owned();
        self.at(&format!("{day} 18:00:00")).await;
        let (a, b) = (self.part("K-1a").await, self.part("K-1b").await);
        let found = json!({ "complete": true, "readings": [
            { "component_id": a, "microfarads": 44.1 }, { "component_id": b, "microfarads": 44.4 }
        ] });
        let recorded = self.send(visit, &day, "spring", found.clone()).await;
        assert_eq!(recorded["visit"]["state"], "done", "{recorded}");
        let verdicts = recorded["verdicts"].as_array().unwrap();
        assert!(verdicts.iter().all(|v| v["verdict"] == "within-tolerance"), "{recorded}");
        // A phone that does not know whether it was heard sends again.
        assert_eq!(self.send(visit, &day, "spring", found).await["new"], false);
        self.deliver().await;
        let report = text_of(&self.new_mail());
        assert!(report.contains("44.1 µF"), "{report}");
    }

    /// June, the first hot week: nothing cools. The call is served today or tomorrow, with the part that
    /// is likely broken on the truck.
    async fn calls_when_nothing_cools(&mut self) -> Value {
        self.at("2025-06-02 17:00:00").await;
        upload(&self.office, 1, record()).await;
        self.plan("2025-06-09", "2025-06-30").await;
        self.at("2025-06-09 17:00:00").await;
        upload(&self.office, 1, record()).await;
        self.office.post("/api/v1/scoring-runs", &json!({})).await.json(201);
        let call = json!({ "site_id": self.site, "vulnerabilities": ["infant"],
            "words": "warm air since nine" });
        let call = self.office.post("/api/v1/no-cool-calls", &call).await.json(201);
        assert!(call["today_celsius"].as_f64().unwrap() > 38.0, "{call}");
        assert_eq!(call["likely_parts"][0]["rating"], "45+5 uF 440 V", "{call}");
        let way = &call["ways"][0];
        assert!(way.is_object(), "somebody can come: {call}");
        assert!(way["sentence"].as_str().unwrap().contains("min more on the road"), "{way}");
        let place = json!({ "day": way["day"], "technician_id": way["technician_id"] });
        let path = format!("/api/v1/no-cool-calls/{}/acceptance", call["id"]);
        let accepted = self.office.post(&path, &place).await.json(200);
        let visit = accepted["visit"].clone();
        assert_eq!((&visit["day"], &visit["starts"]), (&way["day"], &way["starts"]));
        let route = self.route_of(&visit).await;
        let list = format!("/api/v1/routes/{}/load-list", route["id"]);
        let list = self.office.get(&list).await.json(200);
        assert!(list["lines"].to_string().contains("45+5"), "{list}");
        visit
    }

    /// The technician finds one capacitor bulged; the sister's risk rises before he has put the tools
    /// away, he measures her too, and replaces both.
    async fn twins_fail_together(&mut self, visit: &Value) {
        let day = visit["day"].as_str().unwrap().to_owned();
        self.at(&format!("{day} 22:00:00")).await;
        let (a, b) = (self.part("K-1a").await, self.part("K-1b").await);
        let before = self.risk_of(b).await["p_season"].as_f64().unwrap();
        let found = |rating: &str| {
            json!({
                "readings": [{ "component_id": a, "microfarads": 12.0, "conditions": ["bulged"],
                    "taken_at": format!("{day}T21:00:00Z") }],
                "replacements": [{ "component_id": a, "end_kind": "failed", "rating": rating,
                    "taken_at": format!("{day}T21:10:00Z") }],
                "parts_used": [{ "class": "run-capacitor-dual", "rating": rating, "quantity": 1 }]
            })
        };
        let mut wrong = found("45+5 uF 370 V");
        wrong["key"] = json!("first");
        wrong["day"] = json!(day);
        let path = format!("/api/v1/visits/{}/results", visit["id"]);
        let technician = self.season.technician(self.daemon.as_ref().unwrap());
        if visit["technician_id"] == 1 {
            let refused = technician.post(&path, &wrong).await.problem(422);
            assert_eq!(refused["errors"][0]["pointer"], "/replacements/0/rating", "{refused}");
        } else {
            technician.post(&path, &wrong).await.problem(404);
        }
        let recorded = self.send(visit, &day, "first", found("45+5 uF 440 V")).await;
        assert_eq!(recorded["replaced"][0]["ended_id"], a, "{recorded}");
        let sister = self.risk_of(b).await;
        assert!(sister["p_season"].as_f64().unwrap() > before, "{sister}");
        assert!(sister["reasons"].to_string().contains("failed at this home"), "{sister}");

        let found = json!({
            "readings": [{ "component_id": b, "microfarads": 40.2,
                "taken_at": format!("{day}T21:20:00Z") }],
            "replacements": [{ "component_id": b, "end_kind": "replaced-before-failing",
                "rating": "45+5 uF 440 V", "taken_at": format!("{day}T21:35:00Z") }],
            "complete": true
        });
        let recorded = self.send(visit, &day, "second", found).await;
        assert_eq!(recorded["visit"]["state"], "done", "{recorded}");
        assert_eq!(recorded["verdicts"][0]["verdict"], "out", "{recorded}");
        // Both positions hold a new part, which begins at no heat age at all.
        for twin in ["a", "b"] {
            let unit = id_by_key(&self.office, "/api/v1/units", &format!("U-1{twin}")).await;
            let path = format!("/api/v1/components?unit_id={unit}&in_service=true");
            let parts = self.office.all(&path).await;
            assert_eq!((parts.len(), &parts[0]["installed_earliest"]), (1, &json!(day)));
            let score = self.risk_of(parts[0]["id"].as_i64().unwrap()).await;
            assert!(score["heat_age"].as_f64().unwrap() < 0.1, "{score}");
        }
        self.deliver().await;
        let report = text_of(&self.new_mail());
        assert!(report.contains("12 µF") && report.contains("40.2 µF"), "{report}");
        // With both parts new, the check of June has nothing left to find.
        let check = self.open_visit("capacitor-check").await;
        let drop = json!({ "state": "dropped", "why": "both capacitors are new" });
        let path = format!("/api/v1/visits/{}/state-changes", check["id"]);
        assert_eq!(self.office.post(&path, &drop).await.json(200)["state"], "dropped");
    }

    /// Six weeks before its end the agreement is told once; the household goes on by the link, the
    /// office renews, and the next spring is owed.
    async fn goes_on(&mut self) {
        self.at("2025-06-20 17:00:00").await;
        assert_eq!(self.notify().await["renewals"], 1);
        let mail = self.new_mail();
        assert!(text_of(&mail).contains("31 de julio de 2025"), "{}", text_of(&mail));
        let link = self.link(&mail, "renew");
        let page = self.anybody().get(&link).await.text();
        assert!(page.contains("lang=\"es\""), "{page}");
        let yes = self.anybody().post_form(&link, "answer=go-on").await;
        assert_eq!(yes.status, 303, "{}", yes.text());
        let answer = self.office.all("/api/v1/answers?limit=500").await.pop().unwrap();
        assert_eq!(answer["what"], "confirmed", "{answer}");
        let agreement = id_by_key(&self.office, "/api/v1/agreements", "A-1").await;
        let path = format!("/api/v1/agreements/{agreement}/renewal");
        let asked = json!({ "key": null, "last_day": null, "visits": null });
        let next = self.office.post(&path, &asked).await.json(201);
        assert_eq!(
            (&next["first_day"], &next["last_day"]),
            (&json!("2025-08-01"), &json!("2026-07-31"))
        );
        assert_eq!(self.notify().await["renewals"], 0, "told once");
        let spring = json!({ "first_day": "2026-02-16", "last_day": "2026-03-20", "seed": 7,
            "iterations_per_visit": 1 });
        self.office.post("/api/v1/plans", &spring).await.json(201);
        let owed = self.open_visit("tune-up").await;
        assert_eq!(
            (&owed["agreement_id"], &owed["within_first"], &owed["state"]),
            (&next["id"], &json!("2026-02-15"), &json!("owed"))
        );
    }

    /// The memory: the home's history tells the year in its order, every change of a visit has somebody's
    /// name and reason, and no message went out twice.
    async fn is_remembered(&mut self) {
        let path =
            format!("/api/v1/sites/{}/history?first_day=2025-02-01&last_day=2025-12-31", self.site);
        let history = self.office.get(&path).await.json(200);
        let items = history["items"].as_array().unwrap();
        let told = |what: &str| items.iter().filter(|item| item["what"] == what).count();
        assert_eq!((told("reading"), told("replacement"), told("result")), (4, 2, 3), "{history}");
        assert_eq!(told("agreement"), 2, "{history}");
        for visit in self.office.all(&format!("/api/v1/visits?site_id={}", self.site)).await {
            let path = format!("/api/v1/visits/{}/events?limit=500", visit["id"]);
            let events = self.office.all(&path).await;
            assert_eq!(events.last().unwrap()["to_state"], visit["state"], "{events:?}");
            assert!(events.iter().all(|event| event["who"] != "" && event["why"].is_string()));
        }
        let mut ids: Vec<_> =
            self.season.receiver.received().iter().map(|mail| mail.header("Message-ID")).collect();
        let all = ids.len();
        ids.sort();
        ids.dedup();
        assert_eq!(ids.len(), all, "{:?}: each message once", self.kind);
        let notices = self.office.all("/api/v1/notices?limit=500").await;
        assert_eq!(notices.len(), all, "and every one of them was delivered");
    }
}

#[tokio::test]
async fn a_year_of_one_household_from_import_to_renewal() {
    for kind in TestDatabase::KINDS {
        let mut year = Year::begin(kind).await;
        let agreed = year.declines_a_slot().await;
        let agreed = year.loses_its_technician(&agreed).await;
        year.the_evening_before(&agreed).await;
        year.spring_visit(&agreed).await;
        let call = year.calls_when_nothing_cools().await;
        year.twins_fail_together(&call).await;
        year.goes_on().await;
        year.is_remembered().await;
        assert!(year.daemon.take().unwrap().stop().await);
    }
}
