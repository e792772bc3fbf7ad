//! A routing engine on this machine that answers, fails in part, is slow or wrong.

use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use hotspell_domain::BranchId;
use hotspell_planning::travel::{GreatCircle, TravelTimes as _};
use hotspell_store::branches;
use hotspell_test_support::{DatabaseKind, TestDatabase, branch_fields};
use serde_json::{Value, json};

use super::{TravelReport, Travelled, travel};
use crate::clock::Clock;
use crate::config::{Config, SlowerHours};
use crate::state::AppState;

/// What the engine does with a question, by its number from 0.
type Manner = dyn Fn(usize, Table) -> Reply + Send + Sync;

enum Reply {
    Send(&'static str, String),
    Silent(Duration),
}

/// A question as it came in.
struct Table {
    spots: Vec<(f64, f64)>,
    origins: Vec<usize>,
    destinations: Vec<usize>,
}

impl Table {
    fn of(target: &str) -> Self {
        let (path, query) = target.split_once('?').unwrap();
        let spots = path.strip_prefix("/roads/table/v1/driving/").unwrap();
        let spot = |text: &str| {
            let (east, north) = text.split_once(',').unwrap();
            (east.parse().unwrap(), north.parse().unwrap())
        };
        let numbers = |name: &str| {
            let list = query.split('&').find_map(|part| part.strip_prefix(name)).unwrap();
            list.split(';').map(|number| number.parse().unwrap()).collect()
        };
        assert!(query.contains("annotations=duration"));
        Self {
            spots: spots.split(';').map(spot).collect(),
            origins: numbers("sources="),
            destinations: numbers("destinations="),
        }
    }

    /// Seconds as our engine's roads go: a second each thousandth of a degree east, two north.
    fn durations(&self) -> Vec<Vec<Value>> {
        let cell = |from: usize, to: usize| {
            let (a, b) = (self.spots[from], self.spots[to]);
            json!(((a.0 - b.0).abs() * 1000.0 + (a.1 - b.1).abs() * 2000.0).round())
        };
        self.origins
            .iter()
            .map(|&from| self.destinations.iter().map(|&to| cell(from, to)).collect())
            .collect()
    }
}

fn good(table: &Table) -> Reply {
    let body = json!({ "code": "Ok", "durations": table.durations(), "sources": [] });
    Reply::Send("200 OK", body.to_string())
}

struct Engine {
    url: String,
    asked: Arc<Mutex<Vec<(usize, usize)>>>,
}

impl Engine {
    fn that(manner: impl Fn(usize, Table) -> Reply + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/roads/", listener.local_addr().unwrap());
        let asked = Arc::new(Mutex::new(Vec::new()));
        let (heard, manner): (_, Arc<Manner>) = (Arc::clone(&asked), Arc::new(manner));
        let number = Arc::new(AtomicUsize::new(0));
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let (heard, manner, number) =
                    (Arc::clone(&heard), Arc::clone(&manner), Arc::clone(&number));
                std::thread::spawn(move || {
                    serve(stream.unwrap(), &heard, manner.as_ref(), &number);
                });
            }
        });
        Self { url, asked }
    }

    /// Origins and destinations of each question.
    fn asked(&self) -> Vec<(usize, usize)> {
        self.asked.lock().unwrap().clone()
    }
}

fn serve(
    mut stream: TcpStream,
    heard: &Mutex<Vec<(usize, usize)>>,
    manner: &Manner,
    number: &AtomicUsize,
) {
    let (mut head, mut byte) = (Vec::new(), [0_u8; 1]);
    while !head.ends_with(b"\r\n\r\n") && stream.read(&mut byte).unwrap_or(0) == 1 {
        head.push(byte[0]);
    }
    let head = String::from_utf8(head).unwrap();
    assert!(head.to_lowercase().contains("user-agent: hotspell-test"), "{head}");
    let table = Table::of(head.split_whitespace().nth(1).unwrap());
    heard.lock().unwrap().push((table.origins.len(), table.destinations.len()));
    match manner(number.fetch_add(1, Ordering::Relaxed), table) {
        // The client may have gone by now.
        Reply::Send(status, body) => drop(write!(
            stream,
            "HTTP/1.1 {status}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}",
            body.len()
        )),
        Reply::Silent(wait) => std::thread::sleep(wait),
    }
}

#[derive(Debug)]
struct Movable(Mutex<DateTime<Utc>>);

impl Clock for Movable {
    fn now(&self) -> DateTime<Utc> {
        *self.0.lock().unwrap()
    }
}

struct Desk {
    state: AppState,
    branch: BranchId,
    clock: Arc<Movable>,
    _database: TestDatabase,
}

fn desk(url: Option<&str>) -> Desk {
    // Another test may have installed it already.
    drop(rustls::crypto::ring::default_provider().install_default());
    let database = TestDatabase::new(DatabaseKind::Sqlite);
    let mut config = Config::default();
    config.routing.url = url.map(str::to_owned);
    config.routing.places_per_question = 6;
    config.routing.timeout_s = 1;
    config.routing.keep_days = 30;
    config.routing.user_agent = "hotspell-test office@example.com".to_owned();
    let clock = Arc::new(Movable(Mutex::new("2026-03-02T06:00:00Z".parse().unwrap())));
    let state =
        AppState::new(database.store().clone(), Arc::clone(&clock) as Arc<dyn Clock>, config)
            .unwrap();
    let now = state.now();
    let branch =
        state.store.write(|conn| branches::insert(conn, &branch_fields("main"), now)).unwrap().id;
    Desk { state, branch, clock, _database: database }
}

impl Desk {
    fn travel(&self, places: &[(f64, f64)]) -> Travelled {
        travel(&self.state, self.branch, places.to_vec()).unwrap()
    }

    fn estimate(&self, places: &[(f64, f64)]) -> GreatCircle {
        let settings = &self.state.config.planning;
        GreatCircle {
            positions_deg: places.to_vec(),
            detour: settings.detour,
            speed_m_per_s: settings.speed_m_per_s,
            door_s: 120,
        }
    }
}

/// Places a few kilometres apart.
fn places(count: usize) -> Vec<(f64, f64)> {
    (0..count).map(|i| (33.4 + 0.01 * (i % 3) as f64, -112.0 - 0.02 * i as f64)).collect()
}

#[test]
fn the_engine_is_asked_once_for_each_trip_and_again_when_its_answer_is_old() {
    let engine = Engine::that(|_, table| {
        assert!(table.spots.len() <= 6);
        good(&table)
    });
    let desk = desk(Some(&engine.url));
    let seven = places(7);
    let first = desk.travel(&seven);
    assert_eq!(first.report.source, "routing-engine");
    assert_eq!((first.report.trips, first.report.fetched, first.report.estimated), (42, 42, 0));
    assert_eq!(first.report.problems, [""; 0]);
    // 0.04 degrees east and 0.02 north, by the engine's roads, and two minutes at the door.
    assert_eq!(first.times.seconds(0, 2), 40 + 40 + 120);
    assert_eq!(engine.asked().len(), 8);
    let again = desk.travel(&seven);
    assert_eq!((again.report.kept, again.report.fetched), (42, 0));
    assert_eq!(again.times, first.times);
    assert_eq!(engine.asked().len(), 8);

    // A new home: only trips from and to it.
    let more = desk.travel(&places(8));
    assert_eq!((more.report.kept, more.report.fetched), (42, 14));
    let trips: usize = engine.asked()[8..].iter().map(|(from, to)| from * to).sum();
    assert!(trips < 2 * 14, "{:?}", engine.asked());

    *desk.clock.0.lock().unwrap() += TimeDelta::days(31);
    let late = desk.travel(&seven);
    assert_eq!((late.report.kept, late.report.fetched), (0, 42));
}

#[test]
fn trips_that_the_engine_does_not_give_are_estimated_and_the_report_says_so() {
    let engine = Engine::that(|number, table| match number {
        0 => Reply::Send("503 Service Unavailable", "later".to_owned()),
        1 => Reply::Send("200 OK", "<html>Sign in to the network</html>".to_owned()),
        2 => Reply::Send("400 Bad Request", r#"{"code":"TooBig","message":"Too many"}"#.to_owned()),
        _ => good(&table),
    });
    let desk = desk(Some(&engine.url));
    let places = places(7);
    // Three failures in a row would be the end of it; here they are spread by the others under way.
    let travelled = desk.travel(&places);
    let TravelReport { fetched, estimated, failed_questions, problems, .. } = travelled.report;
    assert_eq!(fetched + estimated, 42);
    assert!(estimated > 0 && failed_questions >= 3, "{problems:?}");
    let all = problems.join("\n");
    for words in ["answered 503", "cannot be used", "answered 400 (TooBig Too many)"] {
        assert!(all.contains(words), "{all}");
    }
    let estimate = desk.estimate(&places);
    let by_estimate = (0..7)
        .flat_map(|from| (0..7).map(move |to| (from, to)))
        .filter(|&(from, to)| from != to)
        .filter(|&(from, to)| travelled.times.seconds(from, to) == estimate.seconds(from, to))
        .count();
    assert!(by_estimate >= estimated);
    // What failed is asked for again next time, and only that.
    let again = desk.travel(&places);
    assert_eq!(
        (again.report.kept, again.report.fetched, again.report.estimated),
        (fetched, estimated, 0)
    );
}

#[test]
fn a_place_without_a_road_is_estimated_and_not_asked_for_each_night() {
    let engine = Engine::that(|_, table| {
        let mut durations = table.durations();
        for (row, &from) in durations.iter_mut().zip(&table.origins) {
            for (cell, &to) in row.iter_mut().zip(&table.destinations) {
                let island = |spot: usize| (table.spots[spot].0 + 112.0).abs() < 1e-6;
                if island(from) != island(to) {
                    *cell = Value::Null;
                }
            }
        }
        Reply::Send("200 OK", json!({ "code": "Ok", "durations": durations }).to_string())
    });
    let desk = desk(Some(&engine.url));
    let places = places(5);
    let report = desk.travel(&places).report;
    assert_eq!((report.fetched, report.estimated, report.without_road), (12, 8, 8));
    let asked = engine.asked().len();
    let again = desk.travel(&places);
    assert_eq!(engine.asked().len(), asked);
    assert_eq!(again.report.without_road, 8);
    assert_eq!(again.times.seconds(0, 3), desk.estimate(&places).seconds(0, 3));
}

#[test]
fn an_engine_that_is_silent_or_wrong_is_left_alone_after_a_few_questions() {
    let silent = Engine::that(|_, _| Reply::Silent(Duration::from_secs(3)));
    let wrong = Engine::that(|_, table| {
        let mut durations = table.durations();
        durations.pop();
        Reply::Send("200 OK", json!({ "code": "Ok", "durations": durations }).to_string())
    });
    let negative = Engine::that(|_, table| {
        let row = vec![json!(-5.0); table.destinations.len()];
        let durations = vec![row; table.origins.len()];
        Reply::Send("200 OK", json!({ "code": "Ok", "durations": durations }).to_string())
    });
    for (engine, words) in
        [(silent, "within 1 s"), (wrong, "its table is not"), (negative, "a trip of -5 s")]
    {
        let desk = desk(Some(&engine.url));
        let places = places(30);
        let travelled = desk.travel(&places);
        let report = &travelled.report;
        assert_eq!((report.fetched, report.estimated), (0, 870));
        assert!(engine.asked().len() <= 7, "{:?}", engine.asked());
        assert_eq!(report.failed_questions, 100);
        assert!(report.problems.iter().any(|problem| problem.contains(words)), "{report:?}");
        assert!(report.problems.iter().any(|problem| problem.contains("not asked")), "{report:?}");
        let estimate = desk.estimate(&places);
        for to in 1..30 {
            assert_eq!(travelled.times.seconds(0, to), estimate.seconds(0, to));
        }
    }
}

#[test]
fn without_an_engine_nobody_is_asked() {
    let desk = desk(None);
    let report = desk.travel(&places(4)).report;
    assert_eq!(report.source, "great-circle");
    assert_eq!((report.trips, report.estimated, report.failed_questions), (12, 12, 0));
}

#[test]
fn slower_hours_hold_from_their_time_on_and_not_before() {
    let mut settings = Config::default().planning;
    assert_eq!(super::day_profile(&settings), Ok(None));
    let hours = |from: &str, percent| SlowerHours { from: from.parse().unwrap(), percent };
    settings.slower_hours = vec![hours("07:00:00", 150), hours("09:00:00", 100)];
    let profile = super::day_profile(&settings).unwrap().unwrap();
    assert_eq!(profile.arrival(5 * 3600, 600), 5 * 3600 + 600);
    assert_eq!(profile.arrival(10 * 3600, 600), 10 * 3600 + 600);
    let rush = profile.arrival(7 * 3600 + 1800, 600) - (7 * 3600 + 1800);
    assert!((899..=901).contains(&rush), "{rush}");
}
