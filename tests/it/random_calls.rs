//! Whatever the office, technicians and households do, in whatever order, and wherever the power goes:
//! a position holds one part at a time, a technician is in one place at a time, one event makes one
//! notice, nobody stands where he is not trained for, and every change has its entry in the audit.

mod holds;
mod steps;

use std::time::Duration;

use harness::{Answer, Client, Daemon};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use proptest::prelude::TestCaseError;
use proptest::sample::Index;
use proptest::test_runner::{Config, TestRng, TestRunner};
use reqwest::Method;
use serde_json::{Value, json};

use self::steps::{Reply, Round, Said, Step, Under, steps};
use crate::season_loop::{
    HOMES, Season, files, link_in, plan_and_adopt, score, season_base, text_of,
};

/// Sequences on each database, always the same ones. Raise it for a longer search.
const CASES: u32 = 3;
const BULK_VISITS: &str = "/api/v1/bulk/visit-state-changes";

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

/// The season's files, but every fourth home has a machine that only the first technician is trained for.
fn files_of_two_trades() -> Vec<(&'static str, String)> {
    let mut files = files();
    let trained = "T-2,Ben Example,ben@example.com,standard;heat-pump;large,";
    for (name, text) in &mut files {
        match *name {
            "technicians" => {
                assert!(text.contains(trained));
                *text = text.replace(trained, &trained.replace(";large", ""));
            }
            "units" => {
                for home in (0..HOMES).step_by(4) {
                    let machine = format!("U-{home}a,S-{home},heat-pump,");
                    assert!(text.contains(&machine));
                    *text = text.replace(&machine, &machine.replace("heat-pump", "packaged-unit"));
                }
            }
            _ => {}
        }
    }
    files
}

fn day_of(number: u8) -> String {
    let first: chrono::NaiveDate = "2025-02-18".parse().unwrap();
    (first + chrono::Days::new(u64::from(number))).to_string()
}

impl World {
    async fn begin(kind: DatabaseKind) -> Self {
        let season = Season::begin_with(kind, files_of_two_trades()).await;
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
            Step::Round(round) => {
                let body = self.calls_of(round).await;
                self.many(BULK_VISITS, &body, "/api/v1/visits").await;
            }
            Step::Readings { parts, key } => {
                let all = self.office.all("/api/v1/components?in_service=true&limit=500").await;
                let reading = |(place, part): (usize, &Index)| {
                    json!({ "key": format!("day-{key}-{place}"), "taken_on": "2025-02-17",
                        "component_id": part.get(&all)["id"], "microfarads": 44.0 })
                };
                let items: Vec<Value> = parts.iter().enumerate().map(reading).collect();
                let body = json!({ "items": items });
                self.many("/api/v1/bulk/readings", &body, "/api/v1/readings").await;
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

    /// What the households said, as one request.
    async fn calls_of(&self, round: &Round) -> Value {
        let all = self.visits().await;
        let item = |(place, (visit, said)): (usize, &(Index, Said))| {
            let (visit, hour) = (visit.get(&all), 8 + 2 * place);
            let change = match said {
                Said::Agreed => json!({ "state": "agreed", "day": visit["day"],
                    "technician_id": visit["technician_id"], "starts": visit["starts"],
                    "ends": visit["ends"] }),
                Said::NoVisit => json!({ "state": "dropped", "why": "not wanted" }),
                Said::OtherDay => json!({ "state": "placed", "day": day_of(round.day),
                    "technician_id": round.technician, "starts": format!("{hour:02}:00:00"),
                    "ends": format!("{:02}:00:00", hour + 2), "why": "asked on the telephone" }),
            };
            json!({ "visit_id": visit["id"], "change": change })
        };
        json!({ "items": round.said.iter().enumerate().map(item).collect::<Vec<_>>() })
    }

    /// Sends many rows at once: all of them are kept, or the list of records stays as it was.
    async fn many(&mut self, path: &str, body: &Value, list: &str) {
        let list = format!("{list}?limit=500");
        let before = self.office.all(&list).await;
        let rows = body["items"].as_array().unwrap().len();
        let answer = self.post(path, body).await;
        if answer.status == 200 {
            assert_eq!(answer.json(200)["items"].as_array().unwrap().len(), rows);
            self.acknowledged += rows - 1;
        } else {
            answer.problem(422);
            assert_eq!(self.office.all(&list).await, before, "a refused request keeps nothing");
        }
    }

    /// Three visits that are open, to be dropped together.
    async fn drops(&self) -> Value {
        let all = self.visits().await;
        let open =
            all.iter().filter(|visit| visit["state"] != "done" && visit["state"] != "dropped");
        let change = json!({ "state": "dropped", "why": "the street is closed" });
        let item = |visit: &Value| json!({ "visit_id": visit["id"], "change": change });
        json!({ "items": open.take(3).map(item).collect::<Vec<_>>() })
    }

    /// The power went while visits were dropped together: all were or none, and the same request again
    /// drops them once.
    async fn dropped_together(&mut self, key: &str, body: &Value) {
        let items = body["items"].as_array().unwrap();
        let mut dropped = Vec::new();
        for item in items {
            let path = format!("/api/v1/visits/{}", item["visit_id"]);
            dropped.push(self.office.get(&path).await.json(200)["state"] == "dropped");
        }
        assert!(dropped.iter().all(|it| *it == dropped[0]), "{dropped:?} of {body}");
        let request = self.office.request(Method::POST, BULK_VISITS).header("Idempotency-Key", key);
        let answer = checked(self.office.send(request.json(body)).await);
        if answer.status == 200 {
            self.acknowledged += items.len();
        } else {
            assert!(!dropped[0], "{}", answer.text());
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
        let (mut sent, key) = (json!({}), format!("\"round-{}\"", self.power_cuts));
        let path = match during {
            Under::Nothing => None,
            Under::Round => {
                sent = self.drops().await;
                let some = !sent["items"].as_array().unwrap().is_empty();
                some.then(|| BULK_VISITS.to_owned())
            }
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
        let is_under_way = path.is_some();
        let under_way = path.map(|path| {
            let request = self.office.request(Method::POST, &path).json(&sent);
            let request = match during {
                Under::Round => request.header("Idempotency-Key", &key),
                _ => request,
            };
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
        if matches!(during, Under::Round) && is_under_way {
            self.dropped_together(&key, &sent).await;
        }
    }
}

/// Plays one sequence.
async fn play(kind: DatabaseKind, steps: &[Step]) {
    let mut world = World::begin(kind).await;
    for step in steps {
        world.take(step).await;
        if matches!(step, Step::PowerCut { .. }) {
            world.all_holds().await;
        }
    }
    world.all_holds().await;
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
