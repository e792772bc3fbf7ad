//! Many rows at once: after a round of telephone calls, after a day of measuring, at the turn of the
//! year. All of them or none, and every row that is wrong is named.

use harness::{Client, Daemon, Setup};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use reqwest::Method;
use serde_json::{Value, json};

use crate::lifecycle::{empty, example};

/// A branch with homes, parts and visits, all by the numbers 1 to 4.
struct Branch {
    _setup: Setup,
    _database: TestDatabase,
    daemon: Daemon,
    office: Client,
    technician: Client,
}

async fn branch(kind: DatabaseKind) -> Branch {
    let (setup, database) = empty(kind);
    setup.add_branch().await;
    let token = setup.add_account("office", &[]).await;
    let daemon = setup.start().await;
    let office = daemon.client(Some(&token));
    let file = |header: &str, row: &str| {
        let rows = (1..=4).map(|n| row.replace('#', &n.to_string()) + "\n");
        format!("{header}\n{}", rows.collect::<String>())
    };
    for (kind, header, row) in [
        ("technicians", "technician,name,skills", "T-#,Ann Example,heat-pump"),
        (
            "sites",
            "site,name,address_1,city,region,postal_code",
            "S-#,Home #,# Example Street,Phoenix,AZ,85001",
        ),
        (
            "agreements",
            "agreement,site,first_day,last_day,visits",
            "A-#,S-#,2024-01-01,2024-12-31,tune-up@02-01..05-15",
        ),
        ("units", "unit,site,kind", "U-#,S-#,heat-pump"),
        (
            "components",
            "component,unit,position,class,rating",
            "K-#,U-#,outdoor-capacitor,run-capacitor-dual,45+5 uF 440 V",
        ),
    ] {
        let path = format!("/api/v1/imports?kind={kind}");
        office.post_bytes(&path, "text/csv", file(header, row)).await.json(200);
    }
    for site in 1..=4 {
        let visit = example(&office, "VisitInput", json!({ "site_id": site })).await;
        office.post("/api/v1/visits", &visit).await.json(201);
    }
    let token = setup.add_account("technician", &["--technician", "T-1"]).await;
    let technician = daemon.client(Some(&token));
    Branch { _setup: setup, _database: database, daemon, office, technician }
}

/// A visit's place; hours apart, since one technician does one at a time.
fn placed(visit: i64, state: &str) -> Value {
    json!({ "visit_id": visit, "change": {
        "state": state, "day": "2030-06-03", "technician_id": visit,
        "starts": "09:00:00", "ends": "11:00:00", "why": "told by telephone"
    } })
}

fn pointers(problem: &Value) -> Vec<&str> {
    let errors = problem["errors"].as_array().unwrap();
    errors.iter().map(|error| error["pointer"].as_str().unwrap()).collect()
}

async fn audited(office: &Client, action: &str, kind: &str) -> usize {
    let rows = office.all(&format!("/api/v1/audit?subject_kind={kind}&limit=500")).await;
    rows.iter().filter(|row| row["action"] == action).count()
}

#[tokio::test]
async fn a_days_visits_are_agreed_and_dropped_together_or_not_at_all() {
    const PATH: &str = "/api/v1/bulk/visit-state-changes";
    for kind in TestDatabase::KINDS {
        let branch = branch(kind).await;
        let office = &branch.office;
        let items: Vec<Value> = (1..=4).map(|visit| placed(visit, "placed")).collect();
        let all = office.post(PATH, &json!({ "items": items })).await.json(200);
        let states: Vec<&Value> =
            all["items"].as_array().unwrap().iter().map(|visit| &visit["state"]).collect();
        assert_eq!(states, ["placed"; 4], "{all}");
        assert_eq!(audited(office, "move", "visit").await, 4);

        // Three are right and one of each mistake: nothing changes, each is named.
        let mut items: Vec<Value> = (1..=4).map(|visit| placed(visit, "agreed")).collect();
        items[0]["version"] = json!(1);
        items[2]["change"]["technician_id"] = json!(99);
        items[3]["change"] = json!({ "state": "dropped" });
        items.push(placed(999, "agreed"));
        let refused = office.post(PATH, &json!({ "items": items })).await.problem(422);
        let expected = [
            "/items/0/version",
            "/items/2/change/technician_id",
            "/items/3/change/why",
            "/items/4/visit_id",
        ];
        assert_eq!(pointers(&refused), expected, "{kind:?} {refused}");
        assert!(refused["detail"].as_str().unwrap().starts_with("4 of 5 rows"), "{refused}");
        let visits = office.all("/api/v1/visits").await;
        assert!(visits.iter().all(|visit| visit["state"] == "placed"), "{visits:?}");
        assert_eq!(audited(office, "move", "visit").await, 4, "a refused row leaves no trace");

        // After the calls: two agree, one is dropped; once, however often it is sent.
        let items = [
            placed(1, "agreed"),
            placed(2, "agreed"),
            json!({ "visit_id": 3, "change": { "state": "dropped", "why": "the house was sold" } }),
        ];
        let body = json!({ "items": items });
        for replayed in [None, Some("true")] {
            let request = office.request(Method::POST, PATH).header("Idempotency-Key", "\"calls\"");
            let answer = office.send(request.json(&body)).await;
            assert_eq!(answer.header("idempotency-replayed"), replayed);
            let said = answer.json(200);
            assert_eq!(said["items"][2]["state"], "dropped", "{said}");
        }
        assert_eq!(audited(office, "move", "visit").await, 7);
        let events = office.all("/api/v1/visits/1/events").await;
        assert_eq!(events.last().unwrap()["why"], "told by telephone");
        // What is final stays so, and the single call says the same.
        let again = json!({ "items": [placed(3, "agreed")] });
        let refused = office.post(PATH, &again).await.problem(422);
        assert_eq!(pointers(&refused), ["/items/0/change"]);
        let single = again["items"][0]["change"].clone();
        let single = office.post("/api/v1/visits/3/state-changes", &single).await.problem(409);
        assert_eq!(refused["errors"][0]["detail"], single["detail"]);

        let twice = json!({ "items": [placed(1, "agreed"), placed(1, "agreed")] });
        let refused = office.post(PATH, &twice).await.problem(422);
        assert_eq!(pointers(&refused), ["/items/1/visit_id"]);
        for number in [0, 201] {
            let many: Vec<Value> = (0..number).map(|visit| placed(visit, "agreed")).collect();
            let refused = office.post(PATH, &json!({ "items": many })).await.problem(422);
            assert_eq!(pointers(&refused), ["/items"]);
            assert!(refused["errors"][0]["detail"].as_str().unwrap().contains("1 to 200"));
        }
        branch.technician.post(PATH, &body).await.problem(403);
        assert!(branch.daemon.stop().await);
    }
}

fn reading(key: &str, component: i64, microfarads: f64) -> Value {
    json!({ "key": key, "component_id": component, "taken_on": "2024-05-06",
        "microfarads": microfarads })
}

#[tokio::test]
async fn readings_of_many_parts_come_in_together_and_each_key_counts_once() {
    const PATH: &str = "/api/v1/bulk/readings";
    for kind in TestDatabase::KINDS {
        let branch = branch(kind).await;
        let office = &branch.office;
        let items: Vec<Value> =
            (1..=4).map(|part| reading(&format!("R-{part}"), part, 43.0)).collect();
        let all = office.post(PATH, &json!({ "items": items })).await.json(200);
        let keys: Vec<&Value> =
            all["items"].as_array().unwrap().iter().map(|reading| &reading["key"]).collect();
        assert_eq!(keys, ["R-1", "R-2", "R-3", "R-4"]);
        assert_eq!(audited(office, "create", "reading").await, 4);

        // A stored key, a part that is not there, an impossible section, and a right one between them:
        // on both databases the rows after a taken key are still looked at.
        let mut single_coil = reading("R-7", 2, 40.0);
        single_coil["volts"] = json!(240.0);
        let items = [
            reading("R-5", 1, 42.0),
            reading("R-1", 1, 42.0),
            reading("R-6", 404, 42.0),
            single_coil,
        ];
        let refused = office.post(PATH, &json!({ "items": items })).await.problem(422);
        let expected = ["/items/1", "/items/2/component_id", "/items/3/amperes"];
        assert_eq!(pointers(&refused), expected, "{kind:?} {refused}");
        assert_eq!(office.all("/api/v1/readings").await.len(), 4, "none was kept");
        let malformed = json!({ "items": [reading("R-8", 1, 42.0), { "key": "R-9" }] });
        let refused = office.post(PATH, &malformed).await.problem(422);
        assert_eq!(pointers(&refused), ["/items/1"], "{refused}");
        let twice = json!({ "items": [reading("R-8", 1, 42.0), reading(" R-8", 2, 42.0)] });
        let refused = office.post(PATH, &twice).await.problem(422);
        assert_eq!(pointers(&refused), ["/items/1/key"]);

        // A technician sends those of the own homes alone; none of them is here.
        let own = json!({ "items": [reading("R-10", 1, 42.0)] });
        let refused = branch.technician.post(PATH, &own).await.problem(422);
        assert_eq!(pointers(&refused), ["/items/0/component_id"], "{refused}");
        let thousand: Vec<Value> =
            (0..1_000).map(|n| reading(&format!("M-{n}"), 1 + n % 4, 43.0)).collect();
        let all = office.post(PATH, &json!({ "items": thousand })).await.json(200);
        assert_eq!(all["items"].as_array().unwrap().len(), 1_000);
        assert!(branch.daemon.stop().await);
    }
}

#[tokio::test]
async fn agreements_are_renewed_together_at_the_turn_of_the_year() {
    const PATH: &str = "/api/v1/bulk/renewals";
    for kind in TestDatabase::KINDS {
        let branch = branch(kind).await;
        let office = &branch.office;
        let wrong = json!({ "items": [
            { "agreement_id": 1 },
            { "agreement_id": 2, "renewal": { "last_day": "2024-06-30" } },
            { "agreement_id": 404 },
        ] });
        let refused = office.post(PATH, &wrong).await.problem(422);
        let expected = ["/items/1/renewal/last_day", "/items/2/agreement_id"];
        assert_eq!(pointers(&refused), expected, "{kind:?} {refused}");
        assert_eq!(office.all("/api/v1/agreements").await.len(), 4);

        let right = json!({ "items": [
            { "agreement_id": 1 },
            { "agreement_id": 2, "renewal": { "last_day": "2025-06-30" } },
            { "agreement_id": 3, "renewal": null },
        ] });
        let all = office.post(PATH, &right).await.json(200);
        let terms: Vec<(&str, &str)> = all["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|it| (it["key"].as_str().unwrap(), it["last_day"].as_str().unwrap()))
            .collect();
        let expected = [
            ("A-1/2025-01-01", "2025-12-31"),
            ("A-2/2025-01-01", "2025-06-30"),
            ("A-3/2025-01-01", "2025-12-31"),
        ];
        assert_eq!(terms, expected);
        assert_eq!(audited(office, "renew", "agreement").await, 3);
        // What is renewed already is refused, and with it the one that is not.
        let again = json!({ "items": [{ "agreement_id": 4 }, { "agreement_id": 1 }] });
        let refused = office.post(PATH, &again).await.problem(422);
        assert_eq!(pointers(&refused), ["/items/1/renewal"]);
        assert_eq!(office.all("/api/v1/agreements").await.len(), 7);
        assert!(branch.daemon.stop().await);
    }
}
