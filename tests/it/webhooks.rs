//! Other programs are told of every change: in order, signed, at least once, whatever fails, and a dead one
//! holds up nobody.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use harness::{Client, Daemon, Setup, eventually};
use hotspell_notices::channel::{webhook_key, webhook_signature};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// What a receiver does with one call.
#[derive(Debug, Clone, Copy)]
enum Fault {
    /// Answers with this status.
    Status(u16),
    /// Keeps the call and closes the connection without an answer.
    LoseAnswer,
    /// Keeps the call and never answers.
    Hang,
}

/// A call as it arrived.
#[derive(Debug, Clone)]
struct Call {
    id: String,
    timestamp: i64,
    signature: String,
    body: String,
}

impl Call {
    fn change(&self) -> Value {
        serde_json::from_str(&self.body).unwrap()
    }

    fn number(&self) -> i64 {
        assert_eq!(self.change()["id"].to_string(), self.id);
        self.id.parse().unwrap()
    }

    fn is_signed_with(&self, secret: &str) -> bool {
        let key = webhook_key(secret).unwrap();
        webhook_signature(&key, &self.id, self.timestamp, self.body.as_bytes()) == self.signature
    }
}

/// A program that is told of changes, and fails on command.
#[derive(Debug, Clone)]
struct Program {
    url: String,
    plan: Arc<Mutex<VecDeque<Fault>>>,
    calls: Arc<Mutex<Vec<Call>>>,
}

impl Program {
    async fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/changes?key=theirs", listener.local_addr().unwrap());
        let program = Self { url, plan: Arc::default(), calls: Arc::default() };
        let house = program.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let house = house.clone();
                // A daemon that is killed breaks off.
                tokio::spawn(async move { house.converse(stream).await.ok() });
            }
        });
        program
    }

    fn plan(&self, faults: impl IntoIterator<Item = Fault>) {
        self.plan.lock().unwrap().extend(faults);
    }

    fn calls(&self) -> Vec<Call> {
        self.calls.lock().unwrap().clone()
    }

    fn numbers(&self) -> Vec<i64> {
        self.calls().iter().map(Call::number).collect()
    }

    async fn converse(&self, stream: TcpStream) -> std::io::Result<()> {
        let mut wire = BufReader::new(stream);
        loop {
            let (mut length, mut call) = (
                0,
                Call {
                    id: String::new(),
                    timestamp: 0,
                    signature: String::new(),
                    body: String::new(),
                },
            );
            loop {
                let mut line = String::new();
                if wire.read_line(&mut line).await? == 0 {
                    return Ok(());
                }
                let Some((name, value)) = line.trim_end().split_once(": ") else {
                    if line.trim_end().is_empty() {
                        break;
                    }
                    continue;
                };
                match name.to_ascii_lowercase().as_str() {
                    "content-length" => length = value.parse().unwrap(),
                    "webhook-id" => value.clone_into(&mut call.id),
                    "webhook-timestamp" => call.timestamp = value.parse().unwrap(),
                    "webhook-signature" => value.clone_into(&mut call.signature),
                    _ => {}
                }
            }
            let mut body = vec![0; length];
            wire.read_exact(&mut body).await?;
            call.body = String::from_utf8(body).unwrap();
            self.calls.lock().unwrap().push(call);
            let fault = self.plan.lock().unwrap().pop_front();
            let status = match fault {
                None => 204,
                Some(Fault::Status(status)) => status,
                Some(Fault::LoseAnswer) => return Ok(()),
                Some(Fault::Hang) => std::future::pending().await,
            };
            let answer = format!("HTTP/1.1 {status} .\r\nContent-Length: 0\r\n\r\n");
            wire.get_mut().write_all(answer.as_bytes()).await?;
        }
    }
}

/// Eight in the morning of a winter's day in Phoenix.
const NOW: &str = "2025-02-17 15:00:00";

/// A branch with an office, whose clock and jobs are in the test's hand.
struct Office {
    setup: Setup,
    token: String,
    _database: TestDatabase,
}

impl Office {
    async fn begin(kind: DatabaseKind) -> Self {
        let database = TestDatabase::new(kind);
        let mut setup = Setup::new(Some(database.url()));
        setup
            .at(NOW)
            .set("jobs.enabled", "false")
            .set("webhooks.private_addresses", "true")
            .set("webhooks.attempts", "3");
        setup.add_branch().await;
        let token = setup.add_account("office", &[]).await;
        Self { setup, token, _database: database }
    }

    async fn start(&self) -> (Daemon, Client) {
        let daemon = self.setup.start().await;
        let office = daemon.client(Some(&self.token));
        (daemon, office)
    }
}

async fn subscribe(office: &Client, key: &str, program: &Program, resources: Value) -> Value {
    let body = json!({ "key": key, "url": program.url, "resources": resources });
    office.post("/api/v1/subscriptions", &body).await.json(201)
}

async fn stands(office: &Client, subscription: &Value) -> Value {
    office.get(&format!("/api/v1/subscriptions/{}", subscription["id"])).await.json(200)
}

async fn deliver(office: &Client, subscription: &Value) -> Value {
    let path = format!("/api/v1/subscriptions/{}/delivery", subscription["id"]);
    office.post(&path, &json!({})).await.json(200)
}

/// Makes changes: technicians, whose numbers are their keys.
async fn change(office: &Client, keys: impl IntoIterator<Item = u32>) {
    for key in keys {
        let body = json!({ "key": format!("T-{key}"), "name": "Ann Example", "language": "en",
            "skills": ["standard"] });
        office.post("/api/v1/technicians", &body).await.json(201);
    }
}

/// The numbers of technicians' changes in the feed.
async fn technicians(office: &Client) -> Vec<i64> {
    let changes = office.get("/api/v1/changes?limit=500").await.json(200);
    let of_technicians = |change: &&Value| change["resource"] == "technician";
    let rows = changes.as_array().unwrap().iter().filter(of_technicians);
    rows.map(|change| change["id"].as_i64().unwrap()).collect()
}

/// The numbers of the feed after a number.
async fn feed(office: &Client, after: &Value) -> Vec<i64> {
    let changes = office.get(&format!("/api/v1/changes?after={after}&limit=500")).await.json(200);
    changes.as_array().unwrap().iter().map(|change| change["id"].as_i64().unwrap()).collect()
}

#[tokio::test]
async fn a_program_is_told_of_every_change_once_in_order_and_signed_and_its_secret_is_shown_once() {
    for kind in TestDatabase::KINDS {
        let scene = Office::begin(kind).await;
        let (daemon, office) = scene.start().await;
        let (all, visits) = (Program::start().await, Program::start().await);
        let made = subscribe(&office, "all", &all, json!([])).await;
        let other = subscribe(&office, "visits", &visits, json!(["visit", "visit"])).await;
        let secret = made["secret"].as_str().unwrap().to_owned();
        let begun = made["stored"]["position"]["last_change"].clone();
        change(&office, 1..=3).await;

        let told = deliver(&office, &made).await;
        let feed_now = feed(&office, &begun).await;
        assert!(feed_now.len() >= 4, "itself, the other one, technicians: {feed_now:?}");
        assert_eq!(all.numbers(), feed_now, "{kind:?}");
        assert_eq!(told["position"]["last_change"], *feed_now.last().unwrap());
        for call in all.calls() {
            assert!(call.is_signed_with(&secret), "{call:?}");
            assert!(!call.is_signed_with(other["secret"].as_str().unwrap()), "{call:?}");
            assert_eq!(call.change()["branch_id"], 1);
        }
        // Again there is nothing to tell; who wants visits alone is told of none.
        deliver(&office, &made).await;
        assert_eq!(all.numbers(), feed_now);
        let passed = deliver(&office, &other).await;
        assert_eq!(visits.numbers(), Vec::<i64>::new());
        assert_eq!(passed["position"]["last_change"], *feed_now.last().unwrap(), "{passed}");
        assert_eq!(passed["resources"], json!(["visit"]));

        // Another secret signs from now on.
        let path = format!("/api/v1/subscriptions/{}/secret", made["id"]);
        let renewed = office.post(&path, &json!({})).await.json(200);
        let newer = renewed["secret"].as_str().unwrap().to_owned();
        change(&office, [4]).await;
        deliver(&office, &made).await;
        let last = all.calls().pop().unwrap();
        assert!(last.is_signed_with(&newer) && !last.is_signed_with(&secret), "{last:?}");

        // Neither secret nor the receiver's own key shows anywhere else.
        let mut seen = office.get("/api/v1/subscriptions").await.text();
        seen += &stands(&office, &made).await.to_string();
        seen += &office.get("/api/v1/audit?limit=500").await.text();
        seen += &daemon.log();
        for text in [&secret, &newer, &secret["whsec_".len()..].to_owned()] {
            assert!(!seen.contains(text.as_str()), "{kind:?}: a secret is shown");
        }
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_refusal_a_lost_answer_and_a_power_cut_neither_lose_nor_skip_a_change() {
    for kind in TestDatabase::KINDS {
        let mut scene = Office::begin(kind).await;
        let (daemon, office) = scene.start().await;
        let program = Program::start().await;
        let made = subscribe(&office, "all", &program, json!(["technician"])).await;
        change(&office, 1..=5).await;
        let feed = technicians(&office).await;
        assert!(feed.len() >= 5);

        program.plan([Fault::Status(204), Fault::Status(503)]);
        let stuck = deliver(&office, &made).await;
        assert_eq!(program.numbers(), feed[..2], "{kind:?}: it stops at the one not taken");
        assert_eq!(stuck["position"]["last_change"], feed[0]);
        assert_eq!(stuck["position"]["failures"], 1);
        let why = stuck["position"]["last_error"].as_str().unwrap();
        assert!(why.contains("503"), "{why}");
        let again = stuck["position"]["next_attempt_at"].as_str().unwrap();
        assert!(again > stuck["position"]["last_error_at"].as_str().unwrap(), "{stuck}");

        program.plan([Fault::LoseAnswer]);
        let lost = deliver(&office, &made).await;
        let why = lost["position"]["last_error"].as_str().unwrap();
        assert!(!why.contains("theirs"), "the address stays out of it: {why}");
        assert_eq!(program.numbers()[2..], feed[1..2], "under the same number");

        // The power goes while the program has a change and has not answered.
        program.plan([Fault::Status(200), Fault::Hang]);
        let path = format!("/api/v1/subscriptions/{}/delivery", made["id"]);
        let waiting = office.clone();
        let cut = tokio::spawn(async move {
            let request = waiting.request(reqwest::Method::POST, &path);
            request.json(&json!({})).send().await.is_err()
        });
        eventually("the call hangs", async || (program.calls().len() == 5).then_some(())).await;
        daemon.kill().await;
        assert!(cut.await.unwrap(), "nobody answered");
        // The dead worker's claim has run out; the job goes on by itself.
        scene.setup.at("2025-02-17 15:30:00").set("jobs.enabled", "true");
        let (daemon, office) = scene.start().await;
        eventually("the job tells the rest", async || {
            (program.calls().len() == feed.len() + 3).then_some(())
        })
        .await;
        let told = program.numbers();
        assert_eq!(
            told[3..5],
            feed[1..3],
            "{kind:?}: the second by hand, the third when the power goes"
        );
        assert_eq!(told[5..], feed[2..], "{kind:?}");
        let mut once = told.clone();
        once.dedup();
        assert_eq!(once, feed, "without duplicates it is the feed");
        let done = eventually("it is at the end", async || {
            let now = stands(&office, &made).await;
            (now["position"]["last_change"].as_i64() >= feed.last().copied()).then_some(now)
        })
        .await;
        assert_eq!(done["position"]["failures"], 0, "{done}");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_dead_program_is_given_up_and_shown_and_does_not_hold_up_the_others() {
    for kind in TestDatabase::KINDS {
        let mut scene = Office::begin(kind).await;
        let (daemon, office) = scene.start().await;
        let (dead, alive) = (Program::start().await, Program::start().await);
        let given_up = subscribe(&office, "dead", &dead, json!(["technician"])).await;
        subscribe(&office, "alive", &alive, json!(["technician"])).await;
        dead.plan([Fault::Hang, Fault::Status(410), Fault::Status(302)]);
        assert!(daemon.stop().await);

        // Three rounds of the job, each long enough after the one before.
        scene.setup.set("webhooks.timeout_s", "1").set("jobs.enabled", "true");
        let clocks = ["2025-02-17 16:00:00", "2025-02-17 17:00:00", "2025-02-17 18:00:00"];
        for (round, clock) in clocks.into_iter().enumerate() {
            scene.setup.set("jobs.enabled", "false");
            let (daemon, office) = scene.start().await;
            change(&office, [u32::try_from(round).unwrap()]).await;
            assert!(daemon.stop().await);
            scene.setup.at(clock).set("jobs.enabled", "true");
            let (daemon, office) = scene.start().await;
            eventually("the living one is told", async || {
                let all = technicians(&office).await;
                (alive.numbers() == all).then_some(())
            })
            .await;
            let failures = i64::try_from(round).unwrap() + 1;
            eventually("the dead one has failed again", async || {
                let now = stands(&office, &given_up).await;
                (now["position"]["failures"] == failures).then_some(())
            })
            .await;
            assert!(daemon.stop().await);
        }
        scene.setup.at("2025-02-19 15:00:00");
        let (daemon, office) = scene.start().await;
        let shown = stands(&office, &given_up).await;
        assert!(shown["position"]["given_up_at"].is_string(), "{kind:?}: {shown}");
        assert_eq!(dead.calls().len(), 3, "nobody calls it again");
        let first = dead.numbers();
        assert!(first.iter().all(|number| *number == first[0]), "always the first one: {first:?}");

        // The office mends it: it goes on from where it stood, and misses nothing.
        let path = format!("/api/v1/subscriptions/{}", given_up["id"]);
        let etag = office.get(&path).await.etag();
        let body = json!({ "key": "dead", "url": dead.url, "resources": ["technician"] });
        let mended = office.put(&path, &etag, &body).await.json(200);
        assert_eq!(mended["position"]["given_up_at"], Value::Null);
        deliver(&office, &given_up).await;
        assert_eq!(dead.numbers()[3..], alive.numbers(), "{kind:?}");
        // One that is not active is not told, and says so.
        let etag = office.get(&path).await.etag();
        let body = json!({ "key": "dead", "url": dead.url, "active": false });
        office.put(&path, &etag, &body).await.json(200);
        let refused = office.post(&format!("{path}/delivery"), &json!({})).await.problem(409);
        assert!(refused["detail"].as_str().unwrap().contains("is not active"), "{refused}");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn an_address_inside_the_house_is_refused_unless_the_settings_allow_it() {
    for kind in TestDatabase::KINDS {
        inside_is_refused(kind).await;
    }
}

async fn inside_is_refused(kind: DatabaseKind) {
    let mut scene = Office::begin(kind).await;
    let program = Program::start().await;
    let (daemon, office) = scene.start().await;
    let made = subscribe(&office, "inside", &program, json!([])).await;
    assert!(daemon.stop().await);
    scene.setup.set("webhooks.private_addresses", "false");
    let (daemon, office) = scene.start().await;
    let inside = [
        "http://127.0.0.1:9/",
        "https://127.0.0.1/",
        "https://[::1]/",
        "https://169.254.169.254/latest",
        "https://10.0.0.7/",
        "https://localhost/",
        "https://a:b@example.com/",
        "ftp://example.com/",
        "no address",
    ];
    for url in inside {
        let body = json!({ "key": "x", "url": url });
        let refused = office.post("/api/v1/subscriptions", &body).await.problem(422);
        assert_eq!(refused["errors"][0]["pointer"], "/url", "{url}: {refused}");
    }
    let body = json!({ "key": "outside", "url": "https://example.com/changes" });
    office.post("/api/v1/subscriptions", &body).await.json(201);
    // One from before is no longer called, and says why.
    let stuck = deliver(&office, &made).await;
    assert!(program.calls().is_empty());
    assert!(
        stuck["position"]["last_error"].as_str().unwrap().contains("expected https"),
        "{stuck}"
    );
    assert!(daemon.stop().await);
}
