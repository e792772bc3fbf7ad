//! A file imported beside the requests: followed, stopped, refused with its rows, cut off by a power
//! failure. What it keeps and that it has ended are one thing.

use harness::{Answer, Client, Daemon, Setup, eventually};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use reqwest::Method;
use serde_json::{Value, json};

use crate::lifecycle::empty;

const PATH: &str = "/api/v1/imports?kind=technicians";

async fn ready(database: DatabaseKind) -> (Setup, TestDatabase, Daemon, Client, String) {
    let (setup, database) = empty(database);
    setup.add_branch().await;
    let token = setup.add_account("office", &[]).await;
    let daemon = setup.start().await;
    let office = daemon.client(Some(&token));
    (setup, database, daemon, office, token)
}

/// Enough rows for a debug build to be at work while somebody looks.
fn technicians(rows: usize) -> String {
    let lines = (1..=rows).map(|n| format!("T-{n},Ann Example,standard,07:30-16:00\n"));
    format!("technician,name,skills,monday\n{}", lines.collect::<String>())
}

async fn send(office: &Client, path: &str, file: String, key: Option<&str>) -> Answer {
    let mut request = office.request(Method::POST, path).header("Content-Type", "text/csv");
    request = request.header("Prefer", "respond-async, wait=5");
    if let Some(key) = key {
        request = request.header("Idempotency-Key", key);
    }
    office.send(request.body(file)).await
}

/// Sends a file; gives the import.
async fn begin(office: &Client, path: &str, file: String) -> Value {
    let answer = send(office, path, file, None).await;
    let import = answer.json(202);
    assert_eq!(answer.header("location").unwrap(), place(&import), "{import}");
    assert_eq!(answer.header("preference-applied").unwrap(), "respond-async");
    import
}

fn place(import: &Value) -> String {
    format!("/api/v1/imports/{}", import["id"])
}

async fn ended(office: &Client, import: &Value) -> Value {
    eventually("the import ends", async || {
        let now = office.get(&place(import)).await.json(200);
        assert!((0.0..=1.0).contains(&now["progress"].as_f64().unwrap()), "{now}");
        let goes_on = now["standing"] == "running" || now["standing"] == "stopping";
        (!goes_on).then_some(now)
    })
    .await
}

#[tokio::test]
async fn a_file_goes_in_beside_the_requests_and_the_import_says_what_it_did() {
    for database in TestDatabase::KINDS {
        let (_setup, _database, daemon, office, _) = ready(database).await;
        let first = send(&office, PATH, technicians(40), Some("\"once\"")).await.json(202);
        let again = send(&office, PATH, technicians(40), Some("\"once\"")).await;
        assert_eq!(again.json(202)["id"], first["id"], "one key, one import");
        assert_eq!(again.header("location").unwrap(), place(&first));

        let run = format!("/api/v1/runs/{}", first["id"]);
        let events = office.get(&format!("{run}/events")).await;
        assert_eq!(events.header("content-type").unwrap(), "text/event-stream");
        let told = events.text();
        let last = told.trim_end().rsplit("\n\n").next().unwrap();
        assert!(last.starts_with("event: ended\ndata: {"), "{told}");
        assert!(last.contains("\"standing\":\"succeeded\""), "{told}");

        let import = ended(&office, &first).await;
        let figures = |report: &Value| {
            ["rows", "inserted", "changed", "unchanged"].map(|name| report[name].clone())
        };
        assert_eq!(figures(&import["reports"][0]), [40, 40, 0, 0].map(Value::from), "{import}");
        assert_eq!((&import["progress"], &import["reason"]), (&json!(1.0), &Value::Null));
        assert_eq!(office.all("/api/v1/technicians?limit=500").await.len(), 40);
        // The audit says what was kept, as it does of an import that somebody waited for.
        let audit = office.all("/api/v1/audit?subject_kind=branch").await;
        let kept: Vec<&Value> = audit.iter().filter(|row| row["action"] == "import").collect();
        assert_eq!(kept.len(), 1, "{audit:?}");
        assert_eq!(kept[0]["after"], import["reports"][0], "{kept:?}");
        // The run is listed with what went in; another kind of run is no import.
        let runs = office.all("/api/v1/runs?kind=import").await;
        assert_eq!(runs[0]["inputs"]["bytes"], technicians(40).len(), "{runs:?}");
        office.get("/api/v1/imports/999999").await.problem(404);

        let path = format!("{PATH}&dry_run=true");
        let tried = ended(&office, &begin(&office, &path, technicians(41)).await).await;
        assert_eq!(figures(&tried["reports"][0]), [41, 1, 0, 40].map(Value::from), "{tried}");
        assert_eq!(tried["reports"][0]["dry_run"], true);
        assert_eq!(office.all("/api/v1/technicians?limit=500").await.len(), 40, "nothing kept");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn bad_rows_are_told_by_the_import_and_none_of_the_file_is_kept() {
    for database in TestDatabase::KINDS {
        let (_setup, _database, daemon, office, _) = ready(database).await;
        let bad =
            technicians(9).replace("T-4,Ann Example,standard", "T-4,Ann Example,wizardry").replace(
                "T-7,Ann Example,standard,07:30-16:00",
                "T-7,Ann Example,standard,16:00-07:30",
            );
        let import = ended(&office, &begin(&office, PATH, bad.clone()).await).await;
        assert_eq!((&import["standing"], &import["reports"]), (&json!("failed"), &json!([])));
        let findings = import["findings"].as_array().unwrap();
        assert_eq!((findings.len(), &import["findings_total"]), (2, &json!(2)), "{import}");
        assert_eq!((&findings[0]["row"], &findings[0]["line"]), (&json!(5), &json!(5)));
        assert_eq!(findings[0]["column"], "skills");
        assert_eq!(findings[0]["value"], "wizardry");
        assert!(findings[0]["expected"].as_str().unwrap().contains("standard"), "{import}");
        assert_eq!((&findings[1]["row"], &findings[1]["column"]), (&json!(8), &json!("monday")));
        // The same words as when somebody waits for the answer.
        let waited = office.post_bytes(PATH, "text/csv", bad).await.problem(422);
        assert_eq!(import["reason"], waited["detail"]);
        let headless = ended(&office, &begin(&office, PATH, "x,y\n1,2\n".to_owned()).await).await;
        assert_eq!(headless["standing"], "failed");
        assert!(headless["reason"].as_str().unwrap().contains("technician, name"), "{headless}");
        assert!(office.all("/api/v1/technicians").await.is_empty(), "{database:?}");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_stopped_import_keeps_nothing_and_the_next_may_begin() {
    for database in TestDatabase::KINDS {
        let (_setup, _database, daemon, office, _) = ready(database).await;
        let import = begin(&office, PATH, technicians(20_000)).await;
        let second = send(&office, PATH, technicians(1), None).await.problem(409);
        assert!(second["detail"].as_str().unwrap().contains("has not ended"), "{second}");
        // Told while the rows are on their way into a transaction that nobody else sees.
        eventually("some of it is done", async || {
            let now = office.get(&place(&import)).await.json(200);
            (now["progress"].as_f64().unwrap() > 0.0).then_some(())
        })
        .await;
        let stop = format!("/api/v1/runs/{}/stop", import["id"]);
        office.post(&stop, &json!({})).await.json(202);
        let stopped = ended(&office, &import).await;
        assert_eq!(stopped["standing"], "stopped", "{database:?} {stopped}");
        assert!(stopped["reason"].as_str().unwrap().contains("nothing"), "{stopped}");
        office.post(&stop, &json!({})).await.problem(409);
        assert!(office.all("/api/v1/technicians").await.is_empty(), "{database:?}");
        let next = ended(&office, &begin(&office, PATH, technicians(3)).await).await;
        assert_eq!(next["standing"], "succeeded", "{next}");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn an_import_cut_off_by_a_power_failure_leaves_nothing_and_says_so_after_the_restart() {
    for database in TestDatabase::KINDS {
        let (mut setup, _database, daemon, office, token) = ready(database).await;
        let import = begin(&office, PATH, technicians(20_000)).await;
        eventually("some of it is done", async || {
            let now = office.get(&place(&import)).await.json(200);
            (now["progress"].as_f64().unwrap() > 0.0).then_some(())
        })
        .await;
        daemon.kill().await;
        // Some minutes later: a process that is only slow is not taken for dead at once.
        setup.at("2031-01-01 12:00:00");
        let daemon = setup.start().await;
        let office = daemon.client(Some(&token));
        let lost = office.get(&place(&import)).await.json(200);
        assert_eq!((&lost["standing"], &lost["reports"]), (&json!("lost"), &json!([])), "{lost}");
        assert!(lost["reason"].as_str().unwrap().contains("send it again"), "{lost}");
        assert!(office.all("/api/v1/technicians").await.is_empty(), "{database:?}");
        let again = ended(&office, &begin(&office, PATH, technicians(3)).await).await;
        assert_eq!(again["reports"][0]["inserted"], 3, "{again}");
        assert!(daemon.stop().await);
    }
}
