//! Whatever the office, technicians and households do, in whatever order, and wherever the power goes:
//! a position holds one part at a time, a technician is in one place at a time, one event makes one
//! notice, and every change has its entry in the audit.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use harness::{Answer, Client, Daemon};
use hotspell_notices::receiver::Fault;
use hotspell_test_support::{DatabaseKind, TestDatabase};
use proptest::prelude::*;
use proptest::sample::Index;
use proptest::test_runner::{Config, TestRng, TestRunner};
use reqwest::Method;
use serde_json::{Value, json};

use crate::season_loop::{Season, link_in, plan_and_adopt, score, season_base, text_of};

/// Sequences on each database, always the same ones. Raise it for a longer search.
const CASES: u32 = 3;

/// One thing that somebody does.
#[derive(Debug, Clone)]
enum Step {
    /// The office has what is due written and delivered.
    Notify,
    /// The mail server misbehaves at the next messages.
    MailFaults(Vec<Fault>),
    /// The office puts a visit elsewhere.
    Place { visit: Index, day: u8, technician: i64, hour: u8 },
    /// The office takes a visit off.
    Drop { visit: Index },
    /// The office writes down that a household agreed by telephone.
    Agree { visit: Index },
    /// Nothing cools at a home; the office takes the best way, if there is one.
    Call { home: Index },
    /// A technician is away for a day; the repair is adopted.
    Sick { technician: i64, day: u8 },
    /// The office plans again and adopts.
    Plan { seed: u8 },
    /// A technician sends in what was found at a visit.
    Result { visit: Index, part: Index, key: u8, replaced: bool, complete: bool },
    /// The office swaps a part by itself.
    Replace { part: Index, key: u8 },
    /// A household answers by the link of its newest mail.
    Answer { mail: Index, with: Reply },
    /// The power goes while a request is under way, and comes back.
    PowerCut { during: Under, after_milliseconds: u8 },
}

#[derive(Debug, Clone, Copy)]
enum Reply {
    Yes,
    Another,
    Call,
}

/// What is under way when the power goes.
#[derive(Debug, Clone, Copy)]
enum Under {
    Nothing,
    Delivery,
    Composition,
    Adoption,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let index = any::<Index>;
    let technician = 1..=2_i64;
    let faults = prop::sample::select(vec![
        Fault::Accept,
        Fault::BusyAtMail,
        Fault::RefuseRecipient,
        Fault::BusyAfterMessage,
        Fault::LoseAnswer,
        Fault::DropDuringMessage,
    ]);
    let reply = prop::sample::select(vec![Reply::Yes, Reply::Another, Reply::Call]);
    let under = prop::sample::select(vec![
        Under::Nothing,
        Under::Delivery,
        Under::Composition,
        Under::Adoption,
    ]);
    let step = prop_oneof![
        3 => Just(Step::Notify),
        1 => prop::collection::vec(faults, 1..4).prop_map(Step::MailFaults),
        3 => (index(), 0..40_u8, technician.clone(), 8..14_u8).prop_map(
            |(visit, day, technician, hour)| Step::Place { visit, day, technician, hour }),
        1 => index().prop_map(|visit| Step::Drop { visit }),
        1 => index().prop_map(|visit| Step::Agree { visit }),
        2 => index().prop_map(|home| Step::Call { home }),
        1 => (technician, 0..20_u8).prop_map(|(technician, day)| Step::Sick { technician, day }),
        1 => any::<u8>().prop_map(|seed| Step::Plan { seed }),
        4 => (index(), index(), 0..6_u8, any::<bool>(), any::<bool>()).prop_map(
            |(visit, part, key, replaced, complete)|
                Step::Result { visit, part, key, replaced, complete }),
        1 => (index(), 0..6_u8).prop_map(|(part, key)| Step::Replace { part, key }),
        4 => (index(), reply).prop_map(|(mail, with)| Step::Answer { mail, with }),
        2 => (under, 0..80_u8).prop_map(
            |(during, after_milliseconds)| Step::PowerCut { during, after_milliseconds }),
    ];
    prop::collection::vec(step, 15..25)
}

/// The branch in the course of the steps.
struct World {
    season: Season,
    daemon: Option<Daemon>,
    office: Client,
    technician: Client,
    /// Calls of accounts that were acknowledged and change something.
    acknowledged: usize,
    power_cuts: u32,
}

/// What somebody is told: never that the service failed.
fn checked(answer: Answer) -> Answer {
    assert!(answer.status < 500, "{}: {}", answer.status, answer.text());
    if answer.status >= 400 && answer.header("Content-Type") == Some("application/problem+json") {
        let problem: Value = serde_json::from_slice(&answer.bytes).unwrap();
        assert!(problem["detail"].as_str().is_some_and(|text| text.len() > 10), "{problem}");
    }
    answer
}

fn day_of(number: u8) -> String {
    let first: chrono::NaiveDate = "2025-02-18".parse().unwrap();
    (first + chrono::Days::new(u64::from(number))).to_string()
}

impl World {
    async fn begin(kind: DatabaseKind) -> Self {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let technician = season.technician(&daemon);
        Self { season, daemon: Some(daemon), office, technician, acknowledged: 0, power_cuts: 0 }
    }

    async fn post(&mut self, path: &str, body: &Value) -> Answer {
        let answer = checked(self.office.post(path, body).await);
        self.acknowledged += usize::from(answer.status < 300);
        answer
    }

    async fn visits(&self) -> Vec<Value> {
        self.office.all("/api/v1/visits?limit=500").await
    }

    async fn any_visit(&self, index: &Index) -> Value {
        let all = self.visits().await;
        index.get(&all).clone()
    }

    async fn any_part(&self, index: &Index) -> Value {
        let all = self.office.all("/api/v1/components?in_service=true&limit=500").await;
        index.get(&all).clone()
    }

    async fn change(&mut self, visit: &Value, body: Value) {
        let path = format!("/api/v1/visits/{}/state-changes", visit["id"]);
        self.post(&path, &body).await;
    }

    async fn adopt(&mut self, draft: Answer, member: &str) {
        if draft.status == 201 {
            let plan = draft.json(201)[member].clone();
            self.post(&format!("/api/v1/plans/{plan}/adoption"), &json!({})).await;
        }
    }

    async fn take(&mut self, step: &Step) {
        match step {
            Step::Notify => {
                self.post("/api/v1/notices/composition", &json!({})).await;
                self.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await;
            }
            Step::MailFaults(faults) => self.season.receiver.plan(faults.clone()),
            Step::Place { visit, day, technician, hour } => {
                let visit = self.any_visit(visit).await;
                let body = json!({ "state": "placed", "day": day_of(*day),
                    "technician_id": technician, "starts": format!("{hour:02}:00:00"),
                    "ends": format!("{:02}:00:00", hour + 2), "why": "asked on the telephone" });
                self.change(&visit, body).await;
            }
            Step::Drop { visit } => {
                let visit = self.any_visit(visit).await;
                self.change(&visit, json!({ "state": "dropped", "why": "not wanted" })).await;
            }
            Step::Agree { visit } => {
                let visit = self.any_visit(visit).await;
                let body = json!({ "state": "agreed", "day": visit["day"],
                    "technician_id": visit["technician_id"], "starts": visit["starts"],
                    "ends": visit["ends"] });
                self.change(&visit, body).await;
            }
            Step::Call { home } => self.call(home).await,
            Step::Sick { technician, day } => {
                let sick = json!({ "events": [{ "kind": "technician-absent",
                    "technician_id": technician, "first_day": day_of(*day),
                    "last_day": day_of(*day) }] });
                let draft = self.post("/api/v1/repairs", &sick).await;
                self.adopt(draft, "plan_id").await;
            }
            Step::Plan { seed } => {
                let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-04-15",
                    "seed": seed, "iterations_per_visit": 5 });
                let draft = self.post("/api/v1/plans", &stretch).await;
                self.adopt(draft, "id").await;
            }
            Step::Result { .. } | Step::Replace { .. } => self.work(step).await,
            Step::Answer { mail, with } => self.answer(mail, *with).await,
            Step::PowerCut { during, after_milliseconds } => {
                self.power_cut(*during, *after_milliseconds).await;
            }
        }
    }

    async fn call(&mut self, home: &Index) {
        let sites = self.office.all("/api/v1/sites?limit=500").await;
        let call = json!({ "site_id": home.get(&sites)["id"], "words": "nothing cools" });
        let call = self.post("/api/v1/no-cool-calls", &call).await.json(201);
        if let Some(way) = call["ways"].as_array().and_then(|ways| ways.first()) {
            let place = json!({ "day": way["day"], "technician_id": way["technician_id"] });
            let path = format!("/api/v1/no-cool-calls/{}/acceptance", call["id"]);
            self.post(&path, &place).await;
        }
    }

    /// The first technician sends in a result, or tries to: the visit may be a colleague's.
    async fn work(&mut self, step: &Step) {
        match step {
            Step::Result { visit, part, key, replaced, complete } => {
                let visit = self.any_visit(visit).await;
                let site =
                    format!("/api/v1/components?site_id={}&in_service=true", visit["site_id"]);
                let parts = self.office.all(&site).await;
                let part = &part.get(&parts)["id"];
                let swap = json!([{ "component_id": part, "end_kind": "failed" }]);
                let result = json!({
                    "key": format!("phone-{key}"), "day": "2025-02-17",
                    "readings": [{ "component_id": part, "microfarads": 30.0 + f64::from(*key) }],
                    "replacements": if *replaced { swap } else { json!([]) },
                    "complete": complete
                });
                let path = format!("/api/v1/visits/{}/results", visit["id"]);
                let answer = checked(self.technician.post(&path, &result).await);
                let new = answer.status == 201 && answer.json(201)["new"] == true;
                self.acknowledged += usize::from(new);
            }
            Step::Replace { part, key } => {
                let part = self.any_part(part).await;
                let swap = json!({ "ended_on": "2025-02-17", "end_kind": "replaced-before-failing",
                    "key": format!("new-{key}") });
                self.post(&format!("/api/v1/components/{}/replacements", part["id"]), &swap).await;
            }
            other => panic!("no work: {other:?}"),
        }
    }

    async fn answer(&mut self, mail: &Index, with: Reply) {
        let all = self.season.receiver.received();
        let begins = format!("{}/a/", season_base());
        let asked: Vec<_> =
            all.into_iter().filter(|mail| text_of(mail).contains(&begins)).collect();
        if asked.is_empty() {
            return;
        }
        let link = link_in(mail.get(&asked), &begins);
        let path = link.strip_prefix(&season_base()).unwrap();
        let household = self.daemon.as_ref().unwrap().client(None);
        let page = checked(household.get(path).await).text();
        match with {
            Reply::Call => {
                checked(household.post_form(path, "answer=call&words=after+five").await);
            }
            Reply::Yes => {
                let day = page.split("name=\"day\" value=\"").nth(1).and_then(|d| d.get(..10));
                let body = format!("answer=yes&day={}", day.unwrap_or("2025-03-03"));
                checked(household.post_form(path, &body).await);
            }
            Reply::Another => {
                let offers = checked(household.post_form(path, "answer=other").await).text();
                let hold = offers.split("value=\"slot-").nth(1).and_then(|r| r.split('"').next());
                if let Some(hold) = hold {
                    checked(household.post_form(path, &format!("answer=slot-{hold}")).await);
                }
            }
        }
    }

    /// Cuts the power under a request, and starts again ten minutes later, when claims have run out.
    async fn power_cut(&mut self, during: Under, after_milliseconds: u8) {
        let path = match during {
            Under::Nothing => None,
            Under::Delivery => Some("/api/v1/notices/delivery".to_owned()),
            Under::Composition => Some("/api/v1/notices/composition".to_owned()),
            Under::Adoption => {
                let stretch = json!({ "first_day": "2025-02-18", "last_day": "2025-04-15",
                    "seed": 1, "iterations_per_visit": 1 });
                let draft = self.post("/api/v1/plans", &stretch).await;
                (draft.status == 201)
                    .then(|| format!("/api/v1/plans/{}/adoption", draft.json(201)["id"]))
            }
        };
        let under_way = path.map(|path| {
            let request = self.office.request(Method::POST, &path).json(&json!({}));
            tokio::spawn(async move { request.send().await.is_ok() })
        });
        tokio::time::sleep(Duration::from_millis(u64::from(after_milliseconds))).await;
        self.daemon.take().unwrap().kill().await;
        if let Some(under_way) = under_way {
            under_way.await.unwrap();
        }
        self.power_cuts += 1;
        let minutes = 10 * self.power_cuts;
        self.season.at(&format!("2025-02-17 {:02}:{:02}:00", 17 + minutes / 60, minutes % 60));
        let (daemon, office) = self.season.start().await;
        self.technician = self.season.technician(&daemon);
        (self.daemon, self.office) = (Some(daemon), office);
    }

    /// A position holds one part at a time.
    async fn one_part_in_a_position(&self) {
        let parts = self.office.all("/api/v1/components?limit=500").await;
        let mut held: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
        for part in &parts {
            let from = part["installed_earliest"].as_str().unwrap_or("").to_owned();
            let until = part["ended_on"].as_str().unwrap_or("9999-12-31").to_owned();
            let position = format!("{} {}", part["unit_id"], part["position"]);
            held.entry(position).or_default().push((from, until));
        }
        for (position, mut stretches) in held {
            stretches.sort();
            assert!(stretches.is_sorted_by(|a, b| a.1 <= b.0), "{position}: {stretches:?}");
            let open = stretches.iter().filter(|(_, until)| until == "9999-12-31").count();
            assert_eq!(open, 1, "{position}: {stretches:?}");
        }
    }

    /// A technician is in one place at a time, and where the visits say.
    async fn one_place_for_a_technician(&self) {
        let routes = self.office.all("/api/v1/routes?state=current&limit=500").await;
        let mut days = BTreeSet::new();
        let mut stands: BTreeMap<i64, (Value, Value)> = BTreeMap::new();
        for route in &routes {
            let (day, technician) = (&route["day"], &route["technician_id"]);
            assert!(days.insert(format!("{day} {technician}")), "two routes: {route}");
            let stops = route["stops"].as_array().unwrap();
            let time = |stop: &Value, name: &str| stop[name].as_i64().unwrap();
            for pair in stops.windows(2) {
                let (leave, arrival) =
                    (time(&pair[0], "leave_seconds"), time(&pair[1], "arrival_seconds"));
                assert!(leave <= arrival, "in two places at once: {route}");
            }
            for stop in stops {
                let visit = stop["visit_id"].as_i64().unwrap();
                let before = stands.insert(visit, (day.clone(), technician.clone()));
                assert!(before.is_none(), "visit {visit} is on two routes: {route}");
            }
        }
        for visit in self.visits().await {
            let placed = ["placed", "announced", "agreed"].iter().any(|s| visit["state"] == *s);
            let stands = stands.get(&visit["id"].as_i64().unwrap());
            if placed {
                let says = (visit["day"].clone(), visit["technician_id"].clone());
                assert_eq!(stands, Some(&says), "{visit}");
            } else if visit["state"] != "done" {
                assert_eq!(stands, None, "{visit} is on a route all the same");
            }
        }
    }

    /// One event and person make one notice; what came twice came under the same Message-ID.
    async fn one_notice_for_an_event(&self) {
        let notices = self.office.all("/api/v1/notices?limit=500").await;
        let text = |notice: &Value, name: &str| notice[name].as_str().unwrap().to_owned();
        let events: BTreeSet<_> =
            notices.iter().map(|n| (text(n, "event_key"), text(n, "recipient"))).collect();
        // The Message-ID of a mail begins with the number of its notice.
        let ids: BTreeMap<String, &Value> =
            notices.iter().map(|notice| (format!("notice-{}.", notice["id"]), notice)).collect();
        assert_eq!(events.len(), notices.len());
        let mut came: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        for mail in self.season.receiver.received() {
            let id = mail.header("Message-ID").unwrap();
            let number = id.trim_start_matches('<').split_inclusive('.').next().unwrap();
            let notice = ids.get(number).unwrap_or_else(|| panic!("{id} is of no notice"));
            assert_eq!(mail.to, [text(notice, "recipient")]);
            came.entry(id).or_default().insert(text_of(&mail));
        }
        for (id, texts) in &came {
            assert_eq!(texts.len(), 1, "{id} says two things: {texts:?}");
        }
        for notice in notices.iter().filter(|notice| notice["state"] == "delivered") {
            let begins = format!("<notice-{}.", notice["id"]);
            let under: Vec<_> = came.keys().filter(|id| id.starts_with(&begins)).collect();
            assert_eq!(under.len(), 1, "{notice} came under {under:?}");
        }
    }

    /// Every change is told of: by whom, from where to where.
    async fn every_change_is_told(&self) {
        let audit = self.office.all("/api/v1/audit?limit=500").await;
        let by_accounts = audit.iter().filter(|entry| !entry["account_id"].is_null()).count();
        assert!(by_accounts >= self.acknowledged, "{by_accounts} of {}", self.acknowledged);
        let mut newest: BTreeMap<i64, i64> = BTreeMap::new();
        let (mut after, mut last) = (0, None);
        while last != Some(after) {
            last = Some(after);
            let path = format!("/api/v1/changes?after={after}&limit=500");
            let page = self.office.get(&path).await.json(200);
            for change in page.as_array().unwrap() {
                let id = change["id"].as_i64().unwrap();
                assert!(id > after, "{change}");
                after = id;
                if change["resource"] == "visit" {
                    let visit = change["resource_id"].as_i64().unwrap();
                    newest.insert(visit, change["version"].as_i64().unwrap());
                }
            }
        }
        for visit in self.visits().await {
            let id = visit["id"].as_i64().unwrap();
            assert_eq!(newest.get(&id).copied(), visit["version"].as_i64(), "{visit}");
            let events = self.office.all(&format!("/api/v1/visits/{id}/events?limit=500")).await;
            assert!(events.iter().all(|event| event["who"] != ""), "{events:?}");
            assert!(events[0]["from_state"].is_null(), "{events:?}");
            assert!(
                events.windows(2).all(|pair| pair[0]["to_state"] == pair[1]["from_state"]),
                "{events:?}"
            );
            let last = events.last().unwrap();
            assert_eq!((&last["to_state"], &last["day_after"]), (&visit["state"], &visit["day"]));
        }
    }

    async fn holds(&self) {
        self.one_part_in_a_position().await;
        self.one_place_for_a_technician().await;
        self.one_notice_for_an_event().await;
        self.every_change_is_told().await;
    }
}

/// Plays one sequence.
async fn play(kind: DatabaseKind, steps: &[Step]) {
    let mut world = World::begin(kind).await;
    for step in steps {
        world.take(step).await;
        if matches!(step, Step::PowerCut { .. }) {
            world.holds().await;
        }
    }
    world.holds().await;
    assert!(world.daemon.take().unwrap().stop().await);
}

#[test]
fn whatever_the_three_do_and_wherever_the_power_goes_what_must_hold_holds() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    for kind in TestDatabase::KINDS {
        let config = Config {
            cases: CASES,
            max_shrink_iters: 6,
            failure_persistence: None,
            ..Config::default()
        };
        let rng = TestRng::deterministic_rng(config.rng_algorithm);
        let mut runner = TestRunner::new_with_rng(config, rng);
        let outcome = runner.run(&steps(), |steps| {
            let played = std::panic::AssertUnwindSafe(|| runtime.block_on(play(kind, &steps)));
            std::panic::catch_unwind(played).map_err(|panic| {
                let message = panic.downcast_ref::<String>().cloned();
                let message = message.unwrap_or_else(|| "a test's assumption failed".to_owned());
                TestCaseError::fail(message)
            })
        });
        if let Err(error) = outcome {
            panic!("{kind:?}: {error}");
        }
    }
}
