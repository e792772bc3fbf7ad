//! Lists in the order that is asked for: every list of the document, by each member it names, each
//! way, page by page.

use std::cmp::Ordering;
use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use harness::Client;
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

use crate::season_loop::{Season, plan_and_adopt, score};

/// A list of the document and the orders that it names.
struct List {
    path: String,
    sorts: Vec<String>,
}

impl List {
    /// Every one of the document, with the numbers of a world in the place of its parameters.
    fn all(document: &Value, numbers: &[(&str, i64)]) -> Vec<Self> {
        let paths = document["paths"].as_object().unwrap();
        let of = |(template, item): (&String, &Value)| {
            let parameters = item["get"]["parameters"].as_array()?;
            let has = |name| parameters.iter().any(|one| one["name"] == name);
            if !has("cursor") {
                return None;
            }
            let sort = parameters.iter().find(|one| one["name"] == "sort");
            let sort = sort.unwrap_or_else(|| panic!("{template} takes no sort"));
            let words = sort["schema"]["enum"].as_array().unwrap();
            let sorts = words.iter().map(|word| word.as_str().unwrap().to_owned()).collect();
            let path = numbers.iter().fold(template.clone(), |path, (name, number)| {
                path.replace(&format!("{{{name}}}"), &number.to_string())
            });
            assert!(!path.contains('{'), "{path}");
            Some(Self { path, sorts })
        };
        paths.iter().filter_map(of).collect()
    }

    /// The rows of all pages of so many rows.
    async fn rows(&self, office: &Client, sort: &str, limit: usize) -> Vec<Value> {
        let first = format!("{}?limit={limit}{sort}", self.path);
        let (mut rows, mut next) = (Vec::new(), Some(first.clone()));
        while let Some(path) = next {
            let page = office.get(&path).await.json(200);
            rows.extend(page["items"].as_array().unwrap().iter().cloned());
            next = page["next"].as_str().map(|cursor| format!("{first}&cursor={cursor}"));
        }
        rows
    }
}

/// What two rows are sorted by: numbers by size, instants by time, days and words as they stand.
fn compared(one: &Value, other: &Value) -> Ordering {
    let instant = |value: &Value| value.as_str()?.parse::<DateTime<Utc>>().ok();
    if let (Some(one), Some(other)) = (one.as_f64(), other.as_f64()) {
        return one.total_cmp(&other);
    }
    if let (Some(one), Some(other)) = (instant(one), instant(other)) {
        return one.cmp(&other);
    }
    one.as_str().unwrap().cmp(other.as_str().unwrap())
}

/// The number of a row; that of the part for a score.
fn number(row: &Value) -> i64 {
    let own = if row["p_season"].is_null() { &row["id"] } else { &row["component_id"] };
    own.as_i64().unwrap()
}

/// Whether the values are words, in whose order a database has its own mind.
fn are_words(values: &[&Value]) -> bool {
    values.iter().filter_map(|value| value.as_str()).any(|text| {
        text.parse::<DateTime<Utc>>().is_err() && text.parse::<chrono::NaiveDate>().is_err()
    })
}

/// The rows are those of the list, each once, in the order of the word.
fn check(kind: DatabaseKind, list: &List, sort: &str, rows: &[Value], all: &BTreeSet<i64>) {
    let at = format!("{kind:?}: {}?sort={sort}", list.path);
    let numbers: Vec<i64> = rows.iter().map(number).collect();
    assert_eq!(numbers.len(), all.len(), "{at}");
    assert_eq!(&numbers.iter().copied().collect::<BTreeSet<_>>(), all, "{at}");
    let (name, falling) = sort.strip_prefix('-').map_or((sort, false), |name| (name, true));
    let values: Vec<&Value> = rows.iter().map(|row| &row[name]).collect();
    let with = values.iter().take_while(|value| !value.is_null()).count();
    assert!(values[with..].iter().all(|value| value.is_null()), "{at}: some without a value first");
    // PostgreSQL sorts words by its locale; that the pages fit together was looked at above.
    if kind == DatabaseKind::Postgres && are_words(&values) {
        return;
    }
    for (pair, number) in values[..with].windows(2).zip(numbers.windows(2)) {
        let order = compared(pair[0], pair[1]);
        let order = if falling { order.reverse() } else { order };
        assert_ne!(order, Ordering::Greater, "{at}: {} before {}", pair[0], pair[1]);
        if order == Ordering::Equal {
            assert!(number[0] < number[1], "{at}: the same value, {number:?}");
        }
    }
}

#[tokio::test]
async fn every_list_goes_through_all_of_its_rows_once_in_each_of_its_orders() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let plans = office.get("/api/v1/plans?state=adopted").await.json(200);
        let placed = office.get("/api/v1/visits?state=placed&limit=1").await.json(200);
        let numbers = [
            ("account_id", 1),
            ("plan_id", plans["items"][0]["id"].as_i64().unwrap()),
            ("visit_id", placed["items"][0]["id"].as_i64().unwrap()),
        ];
        let document = office.get("/openapi.json").await.json(200);
        let lists = List::all(&document, &numbers);
        assert!(lists.len() >= 26, "{} lists", lists.len());
        let mut filled = 0;
        for list in &lists {
            let unsorted = list.rows(&office, "", 500).await;
            let all: BTreeSet<i64> = unsorted.iter().map(number).collect();
            assert_eq!(all.len(), unsorted.len(), "{}", list.path);
            filled += usize::from(all.len() > 1);
            // Several pages of each list, so that pages begin between rows of the same value.
            let limit = all.len().div_ceil(4).clamp(1, 500);
            for sort in &list.sorts {
                let rows = list.rows(&office, &format!("&sort={sort}"), limit).await;
                check(kind, list, sort, &rows, &all);
            }
        }
        assert!(filled >= 15, "only {filled} lists have rows to sort");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn rows_that_change_while_somebody_pages_leave_no_other_row_out() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        let list = "/api/v1/sites?sort=-updated_at&limit=20";
        let first = office.get(list).await.json(200);
        let mut seen: Vec<i64> = ids(&first);
        // The last row of the page becomes the newest of all.
        let path = format!("/api/v1/sites/{}", seen[19]);
        let stored = office.get(&path).await;
        let mut site = stored.json(200);
        for member in ["id", "version", "created_at", "updated_at"] {
            site.as_object_mut().unwrap().remove(member);
        }
        site["access_notes"] = json!("The bell is broken; knock.");
        let etag = office.get(&path).await.etag();
        let change = office.request(reqwest::Method::PUT, &path).json(&site);
        office.send(change.header("If-Match", etag)).await.json(200);
        let mut next = first["next"].as_str().map(str::to_owned);
        while let Some(cursor) = next {
            let page = office.get(&format!("{list}&cursor={cursor}")).await.json(200);
            seen.extend(ids(&page));
            next = page["next"].as_str().map(str::to_owned);
        }
        let every = office.get("/api/v1/sites?limit=500").await.json(200);
        seen.sort_unstable();
        assert_eq!(seen, ids(&every), "{kind:?}");
        assert!(daemon.stop().await);
    }
}

fn ids(page: &Value) -> Vec<i64> {
    page["items"].as_array().unwrap().iter().map(number).collect()
}

#[tokio::test]
async fn an_unknown_order_or_a_cursor_of_another_is_refused_with_what_would_do() {
    let season = Season::begin(DatabaseKind::Sqlite).await;
    let (daemon, office) = season.start().await;
    let unknown = office.get("/api/v1/sites?sort=colour").await.json(400);
    let said = unknown["detail"].as_str().unwrap();
    assert!(said.contains("`colour`") && said.contains("-name, city"), "{said}");
    let by_name = office.get("/api/v1/sites?sort=name&limit=1").await.json(200);
    let cursor = by_name["next"].as_str().unwrap();
    let other = office.get(&format!("/api/v1/sites?sort=city&cursor={cursor}")).await.json(422);
    assert!(other.to_string().contains("sort=name"), "{other}");
    assert!(daemon.stop().await);
}
