//! The audit as a file: all of it, or that of a stretch of time.

use harness::Client;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::exports::{FILES, add_second_branch, import};
use crate::lifecycle::empty;

const PATH: &str = "/api/v1/audit/export";
/// More entries than are read at once.
const READINGS: usize = 620;

/// The rows of an answer with a CSV file, read by an independent reader: name and value of each cell.
async fn rows(office: &Client, path: &str) -> Vec<Vec<(String, String)>> {
    let answer = office.get(path).await;
    assert_eq!(answer.status, 200, "{}", answer.text());
    assert!(answer.header("Content-Type").unwrap().starts_with("text/csv"), "{path}");
    let name = answer.header("Content-Disposition").unwrap();
    assert_eq!(name, "attachment; filename=\"audit.csv\"");
    let text = answer.text();
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let headers = reader.headers().unwrap().clone();
    let named = |row: csv::StringRecord| {
        headers.iter().map(str::to_owned).zip(row.iter().map(str::to_owned)).collect()
    };
    reader.records().map(|row| named(row.unwrap())).collect()
}

/// An entry of the list as the file writes it.
fn cells(entry: &Value, names: &[Value]) -> Vec<(String, String)> {
    let account = names.iter().find(|account| account["id"] == entry["account_id"]);
    let cell = |name: &str| match name {
        "account_name" => account.map_or_else(String::new, |it| {
            // The one that a spreadsheet would take for a formula.
            it["name"].as_str().unwrap().replace("@desk", "'@desk")
        }),
        name => match &entry[name] {
            Value::Null => String::new(),
            Value::String(text) => text.clone(),
            value => value.to_string(),
        },
    };
    let names = "id at account_id account_name action subject_kind subject_id before after";
    names.split(' ').map(|name| (name.to_owned(), cell(name))).collect()
}

#[tokio::test]
async fn everything_that_somebody_changed_is_taken_out_as_one_file() {
    for kind in TestDatabase::KINDS {
        let (setup, _database) = empty(kind);
        setup.add_branch().await;
        let elsewhere = add_second_branch(&setup).await;
        let account = "account add --role office --email desk@example.com --branch test --name";
        let account: Vec<&str> = account.split(' ').chain(["@desk, \"first\""]).collect();
        let token = setup.run(&account).await.success().trim().to_owned();
        let file = setup.write("in.csv", FILES[0].1);
        let arguments = ["import", FILES[0].0, file.to_str().unwrap(), "--branch", "test"];
        setup.run(&[&arguments[..], &["--dry-run"]].concat()).await.success();
        setup.run(&arguments).await.success();
        let daemon = setup.start().await;
        let (office, elsewhere) = (daemon.client(Some(&token)), daemon.client(Some(&elsewhere)));
        for (kind, text) in FILES {
            import(&office, kind, text).await;
            import(&elsewhere, kind, text).await;
        }
        let reading = |n: usize| {
            json!({
                "key": format!("M-{n}"), "component_id": 2, "section": "main",
                "taken_on": "2024-06-01", "microfarads": 7.4, "note": "said:\n\"warm\", ñandú"
            })
        };
        let items: Vec<Value> = (0..READINGS).map(reading).collect();
        office.post("/api/v1/bulk/readings", &json!({ "items": items })).await.json(200);

        let (entries, names) =
            (office.all("/api/v1/audit?limit=500").await, office.all("/api/v1/accounts").await);
        assert!(entries.len() > READINGS, "{kind:?}");
        let expected: Vec<_> = entries.iter().map(|entry| cells(entry, &names)).collect();
        let all = rows(&office, PATH).await;
        assert_eq!(all.len(), expected.len(), "{kind:?}");
        for (row, expected) in all.iter().zip(&expected) {
            assert_eq!(row, expected, "{kind:?}");
        }
        assert!(all.iter().any(|row| row[3].1 == "'@desk, \"first\""), "{:?}", all[0]);

        // Who imports on the command line is no account, but leaves a trace; who only looks leaves none.
        let by_command = "import on the command line";
        let by_command: Vec<_> = all.iter().filter(|row| row[4].1 == by_command).collect();
        assert_eq!(by_command.len(), 1, "{kind:?}: {by_command:?}");
        assert_eq!((&*by_command[0][2].1, &*by_command[0][5].1), ("", "branch"));
        assert!(by_command[0][8].1.contains("\"kind\":\"technicians\""), "{by_command:?}");

        // From the second moment on, up to the last: as the list gives it.
        let at = |entry: &Value| entry["at"].as_str().unwrap().to_owned();
        let mut moments: Vec<String> = entries.iter().map(at).collect();
        moments.dedup();
        let stretch = format!("?from={}&until={}", moments[1], moments[moments.len() - 1]);
        let listed = office.all(&format!("/api/v1/audit{stretch}&limit=500")).await;
        let expected: Vec<_> = listed.iter().map(|entry| cells(entry, &names)).collect();
        assert!(!expected.is_empty() && expected.len() < all.len() - READINGS);
        assert_eq!(rows(&office, &format!("{PATH}{stretch}")).await, expected, "{kind:?}");
        // A time before anybody worked here is a header alone.
        for never in ["0001-01-01", "1999-01-01"] {
            let never = format!("{PATH}?until={never}T00:00:00Z");
            assert_eq!(rows(&office, &never).await, Vec::<Vec<_>>::new(), "{kind:?}");
        }
        office.get(&format!("{PATH}?until=-200000-01-01T00:00:00Z")).await.problem(400);

        let turned = format!("{PATH}?from=2024-02-01T00:00:00Z&until=2024-01-01T00:00:00Z");
        let refused = office.get(&turned).await.problem(422);
        assert_eq!(refused["errors"][0]["pointer"], "/until", "{refused}");
        let refused = office.get(&format!("{PATH}?from=yesterday")).await.problem(400);
        let told = refused["detail"].as_str().unwrap();
        assert!(told.contains("from=yesterday") && told.contains("expected an instant"), "{told}");
        assert!(daemon.stop().await);
    }
}
