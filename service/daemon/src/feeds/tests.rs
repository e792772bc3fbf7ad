//! Feeds against a server on this machine that misbehaves.

use std::fmt::Write as _;
use std::io::{Read as _, Write as _};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use hotspell_domain::DateRange;
use hotspell_store::branches::{self, BranchFields, BranchRecord};
use hotspell_store::weather::{self as stored, NewStation, StationRecord, WeatherDay};
use hotspell_test_support::{DatabaseKind, TestDatabase, branch_fields};

use super::fetch::FeedError;
use super::{forecast, observations};
use crate::app::weather;
use crate::clock::Clock;
use crate::config::Config;
use crate::state::AppState;

const KEY: &str = "USW00023183";
const ZONE: chrono_tz::Tz = chrono_tz::America::New_York;

/// What the server does with one connection.
enum Reply {
    /// Sends this and closes.
    Send(Vec<u8>),
    /// Says nothing for so long, then closes.
    Silent(Duration),
}

/// A server that answers one connection after the other by a script; then it is gone.
struct Server {
    url: String,
    asked: Arc<Mutex<Vec<String>>>,
}

impl Server {
    fn with(replies: Vec<Reply>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let asked = Arc::new(Mutex::new(Vec::new()));
        let heard = Arc::clone(&asked);
        std::thread::spawn(move || {
            for reply in replies {
                let (mut stream, _) = listener.accept().unwrap();
                let (mut head, mut byte) = (Vec::new(), [0_u8; 1]);
                while !head.ends_with(b"\r\n\r\n") && stream.read(&mut byte).unwrap_or(0) == 1 {
                    head.push(byte[0]);
                }
                heard.lock().unwrap().push(String::from_utf8_lossy(&head).to_lowercase());
                match reply {
                    // The client may have gone by now.
                    Reply::Send(bytes) => drop(stream.write_all(&bytes)),
                    Reply::Silent(wait) => std::thread::sleep(wait),
                }
            }
        });
        Self { url, asked }
    }

    fn count(&self) -> usize {
        self.asked.lock().unwrap().len()
    }

    fn asked(&self, number: usize) -> String {
        self.asked.lock().unwrap().get(number).cloned().unwrap_or_default()
    }
}

fn answer(status: &str, headers: &str, body: &str) -> Reply {
    let length = body.len();
    Reply::Send(
        format!("HTTP/1.1 {status}\r\ncontent-length: {length}\r\nconnection: close\r\n{headers}\r\n{body}")
            .into_bytes(),
    )
}

#[derive(Debug)]
struct Fixed(DateTime<Utc>);

impl Clock for Fixed {
    fn now(&self) -> DateTime<Utc> {
        self.0
    }
}

struct Desk {
    state: AppState,
    station: StationRecord,
    today: NaiveDate,
    _database: TestDatabase,
}

/// A state whose weather comes from the address, on the given day.
fn desk(url: &str, today: &str) -> Desk {
    // Another test may have installed it already.
    drop(rustls::crypto::ring::default_provider().install_default());
    let database = TestDatabase::new(DatabaseKind::Sqlite);
    let mut config = Config::default();
    config.weather.observations_url = Some(format!("{url}/daily/"));
    config.weather.forecast_url = Some(url.to_owned());
    config.weather.timeout_s = 2;
    config.weather.size_limit_bytes = 400_000;
    config.weather.user_agent = "hotspell-test office@example.com".to_owned();
    let today: NaiveDate = today.parse().unwrap();
    let now = today.and_hms_opt(12, 0, 0).unwrap().and_utc();
    let state = AppState::new(database.store().clone(), Arc::new(Fixed(now)), config).unwrap();
    let station = NewStation {
        key: KEY.to_owned(),
        name: "PHOENIX AP".to_owned(),
        latitude_degrees: 33.4278,
        longitude_degrees: -112.003_80,
        elevation_metres: Some(337.4),
    };
    let station = state.store.write(|conn| stored::put_station(conn, &station, now)).unwrap();
    Desk { state, station, today, _database: database }
}

impl Desk {
    /// A new process on the same database, so much later.
    fn restart(&mut self, later: TimeDelta) {
        let now = self.state.now() + later;
        let config = Config::clone(&self.state.config);
        self.state = AppState::new(self.state.store.clone(), Arc::new(Fixed(now)), config).unwrap();
    }

    fn days(&self) -> Vec<WeatherDay> {
        let range = DateRange::new(NaiveDate::MIN, NaiveDate::MAX);
        let range = self
            .state
            .store
            .read(|conn| stored::stored_range(conn, self.station.id))
            .unwrap()
            .or(range)
            .unwrap();
        self.state.store.read(|conn| stored::days(conn, self.station.id, range)).unwrap()
    }

    async fn observe(&self) -> Result<Option<(usize, usize, usize)>, FeedError> {
        let kept = observations::fetch(&self.state, &self.station, self.today).await?;
        Ok(kept.map(|kept| (kept.days.inserted, kept.days.corrected, kept.days.unchanged)))
    }

    async fn foretell(&self) -> Result<Option<usize>, FeedError> {
        forecast::fetch(&self.state, &self.station, ZONE, self.today).await
    }
}

/// Twenty days of June 2024 in GHCN-Daily's by-station columns; `tenth` is added to the maximum of
/// 10 June, in tenths of a degree.
fn june(tenth: i32) -> String {
    let mut text = String::new();
    for day in 1..=20 {
        let high = 400 + (day * 7) % 11 + if day == 10 { tenth } else { 0 };
        let low = 260 + (day * 5) % 9;
        writeln!(text, "{KEY},202406{day:02},TMAX,{high},,,W,2400").unwrap();
        writeln!(text, "{KEY},202406{day:02},TMIN,{low},,,W,2400").unwrap();
    }
    text
}

#[actix_web::test]
async fn an_unchanged_file_is_not_sent_again_and_a_changed_day_is_a_correction() {
    let tag = "etag: \"a1\"\r\nlast-modified: Fri, 21 Jun 2024 08:00:00 GMT\r\n";
    let server = Server::with(vec![
        answer("200 OK", tag, &june(0)),
        answer("304 Not Modified", "", ""),
        answer("200 OK", "etag: \"a2\"\r\n", &june(6)),
        answer("304 Not Modified", "", ""),
    ]);
    let desk = desk(&server.url, "2024-06-21");
    assert_eq!(desk.observe().await.unwrap(), Some((20, 0, 0)));
    assert!(server.asked(0).starts_with("get /daily/usw00023183.csv http/1.1"));
    assert!(server.asked(0).contains("user-agent: hotspell-test office@example.com"));
    assert!(!server.asked(0).contains("if-none-match"));
    assert_eq!(desk.observe().await.unwrap(), None);
    assert!(server.asked(1).contains("if-none-match: \"a1\""));
    assert!(server.asked(1).contains("if-modified-since: fri, 21 jun 2024 08:00:00 gmt"));
    assert_eq!(desk.observe().await.unwrap(), Some((0, 1, 19)));
    let range = DateRange::new(desk.today - chrono::Days::new(30), desk.today).unwrap();
    let was = desk.state.store.read(|conn| stored::corrections(conn, desk.station.id, range));
    assert_eq!(was.unwrap().len(), 1);
    assert_eq!(desk.observe().await.unwrap(), None);
    assert!(server.asked(3).contains("if-none-match: \"a2\""));
    assert!(!server.asked(3).contains("if-modified-since"));
}

#[actix_web::test]
async fn after_a_restart_an_unchanged_file_is_still_not_sent_again() {
    let server = Server::with(vec![
        answer("200 OK", "etag: \"a1\"\r\n", &june(0)),
        answer("304 Not Modified", "", ""),
        answer("200 OK", "", &june(0)),
    ]);
    let mut desk = desk(&server.url, "2024-06-21");
    assert_eq!(desk.observe().await.unwrap(), Some((20, 0, 0)));
    desk.restart(TimeDelta::zero());
    assert_eq!(desk.observe().await.unwrap(), None);
    assert!(server.asked(1).contains("if-none-match: \"a1\""));
    // What is known of a station's file says nothing of another's at the same address.
    let other = NewStation { key: "OTHER".to_owned(), ..desk.station.station.clone() };
    let now = desk.state.now();
    let mut other = desk.state.store.write(|conn| stored::put_station(conn, &other, now)).unwrap();
    other.station.key = KEY.to_owned();
    desk.station = other;
    assert_eq!(desk.observe().await.unwrap(), Some((20, 0, 0)));
    assert!(!server.asked(2).contains("if-none-match"));
}

#[actix_web::test]
async fn a_source_that_asks_to_be_left_alone_is() {
    let server = Server::with(vec![
        answer("200 OK", "etag: \"a1\"\r\n", &june(0)),
        answer("503 Service Unavailable", "retry-after: 1800\r\n", ""),
        answer("429 Too Many Requests", "retry-after: Fri, 21 Jun 2024 13:31:00 GMT\r\n", ""),
        answer("503 Service Unavailable", "retry-after: 99999999\r\n", ""),
        answer("304 Not Modified", "", ""),
    ]);
    let mut desk = desk(&server.url, "2024-06-21");
    let minutes = TimeDelta::minutes;
    desk.observe().await.unwrap();
    assert!(matches!(desk.observe().await, Err(FeedError::Status { status: 503, .. })));
    desk.restart(minutes(29));
    let refused = desk.observe().await.unwrap_err();
    assert!(refused.to_string().ends_with("until 2024-06-21 12:30:00 UTC"), "{refused}");
    assert_eq!(server.count(), 2, "nobody was asked");
    desk.restart(minutes(2));
    assert!(matches!(desk.observe().await, Err(FeedError::Status { status: 429, .. })));
    desk.restart(minutes(59));
    assert!(matches!(desk.observe().await, Err(FeedError::AskedToWait { .. })));
    desk.restart(minutes(2));
    assert!(matches!(desk.observe().await, Err(FeedError::Status { status: 503, .. })));
    // Three years are not believed: at most a day.
    desk.restart(minutes(24 * 60 - 1));
    assert!(matches!(desk.observe().await, Err(FeedError::AskedToWait { .. })));
    desk.restart(minutes(2));
    assert_eq!(desk.observe().await.unwrap(), None);
    assert!(server.asked(4).contains("if-none-match: \"a1\""), "the file in hand is still known");
}

#[actix_web::test]
async fn what_does_not_come_in_whole_changes_nothing_and_is_asked_for_again() {
    let whole = june(0);
    let (half, _) = whole.split_at(whole.len() / 2 + 3);
    let cut_length =
        format!("HTTP/1.1 200 OK\r\netag: \"cut\"\r\ncontent-length: 9999\r\n\r\n{half}");
    // No length: the end of the connection is the end of the file, wherever it comes.
    let cut_silently =
        format!("HTTP/1.1 200 OK\r\netag: \"cut\"\r\nconnection: close\r\n\r\n{half}");
    let server = Server::with(vec![
        answer("200 OK", "etag: \"good\"\r\n", &whole),
        answer("503 Service Unavailable", "", "later"),
        Reply::Send(cut_length.into_bytes()),
        Reply::Send(cut_silently.into_bytes()),
        Reply::Silent(Duration::from_secs(4)),
        answer("200 OK", "etag: \"page\"\r\n", "<html>Sign in to the network</html>\n"),
        answer("200 OK", "", &"x".repeat(400_001)),
        answer("302 Found", "location: http://elsewhere.test/\r\n", ""),
        answer("304 Not Modified", "", ""),
    ]);
    let desk = desk(&server.url, "2024-06-21");
    assert_eq!(desk.observe().await.unwrap(), Some((20, 0, 0)));
    let before = desk.days();
    assert!(matches!(desk.observe().await, Err(FeedError::Status { status: 503, .. })));
    assert!(matches!(desk.observe().await, Err(FeedError::Broken { .. })));
    assert!(matches!(desk.observe().await, Err(FeedError::Unreadable { .. })));
    assert!(matches!(desk.observe().await, Err(FeedError::Slow { timeout_s: 2, .. })));
    let page = desk.observe().await.unwrap_err();
    assert!(matches!(page, FeedError::Unreadable { .. }), "{page}");
    assert!(page.to_string().contains("/daily/USW00023183.csv"), "{page}");
    assert!(matches!(desk.observe().await, Err(FeedError::TooLarge { limit_bytes: 400_000, .. })));
    assert!(matches!(desk.observe().await, Err(FeedError::Status { status: 302, .. })));
    assert_eq!(desk.days(), before);
    assert_eq!(desk.observe().await.unwrap(), None);
    // Only the file that was stored is named in the question.
    for number in 1..=8 {
        assert!(server.asked(number).contains("if-none-match: \"good\""), "{number}");
    }
    // The script is at its end: nobody answers.
    assert!(matches!(desk.observe().await, Err(FeedError::Broken { .. })));
}

/// A real document of api.weather.gov, kept for the weather room's tests.
fn gridpoint() -> String {
    let path = "../weather/tests/data/nws_gridpoint_TAE_58_65.json";
    std::fs::read_to_string(path).unwrap()
}

fn issued(document: &str) -> DateTime<Utc> {
    let read: serde_json::Value = serde_json::from_str(document).unwrap();
    read["properties"]["updateTime"].as_str().unwrap().parse().unwrap()
}

const POINT: &str = r#"{"properties":{"gridId":"TAE","gridX":58,"gridY":65,
    "forecastGridData":"http://elsewhere.test/gridpoints/TAE/58,65"}}"#;

#[actix_web::test]
async fn the_forecast_of_the_stations_cell_is_stored_and_a_wrong_one_is_not() {
    let document = gridpoint();
    let at = issued(&document);
    let server = Server::with(vec![
        answer("200 OK", "", "{\"properties\":{}}"),
        answer("200 OK", "", POINT),
        answer("200 OK", "", "{\"title\":\"Unexpected Problem\"}"),
        answer("200 OK", "", document.split_at(document.len() / 2).0),
        answer("200 OK", "etag: \"f1\"\r\n", &document),
        answer("304 Not Modified", "", ""),
        answer("404 Not Found", "", "{}"),
        answer("500 Internal Server Error", "", "{}"),
    ]);
    let desk = desk(&server.url, &at.date_naive().to_string());
    assert!(matches!(desk.foretell().await, Err(FeedError::Unreadable { .. })));
    assert!(server.asked(0).starts_with("get /points/33.4278,-112.0038 http/1.1"));
    assert!(matches!(desk.foretell().await, Err(FeedError::Unreadable { .. })));
    assert!(server.asked(2).starts_with("get /gridpoints/tae/58,65 http/1.1"));
    assert!(matches!(desk.foretell().await, Err(FeedError::Unreadable { .. })));
    let late = at + TimeDelta::days(1);
    let newest = || {
        desk.state.store.read(|conn| stored::latest_forecast(conn, desk.station.id, late)).unwrap()
    };
    assert_eq!(newest(), None);
    let count = desk.foretell().await.unwrap().unwrap();
    assert!(count >= 5, "{count} days");
    let kept = newest().unwrap();
    assert_eq!(kept.issued_at, at);
    assert_eq!(kept.days.len(), count);
    assert!(kept.days.iter().all(|day| day.tmin_celsius <= day.tmax_celsius));
    assert_eq!(desk.foretell().await.unwrap(), None);
    assert!(server.asked(5).contains("if-none-match: \"f1\""));
    // A cell that is gone is looked up anew; the forecast in hand stays.
    assert!(matches!(desk.foretell().await, Err(FeedError::Status { status: 404, .. })));
    assert!(matches!(desk.foretell().await, Err(FeedError::Status { status: 500, .. })));
    assert!(server.asked(7).starts_with("get /points/"));
    assert_eq!(newest().unwrap(), kept);
}

/// A branch of the station.
fn branch(desk: &Desk) -> BranchRecord {
    let fields = BranchFields {
        time_zone: ZONE,
        station_id: Some(desk.station.id),
        ..branch_fields("main")
    };
    desk.state.store.write(|conn| branches::insert(conn, &fields, desk.state.now())).unwrap()
}

#[actix_web::test]
async fn one_source_that_fails_does_not_keep_the_other_from_being_stored() {
    let document = gridpoint();
    let server = Server::with(vec![
        answer("502 Bad Gateway", "", ""),
        answer("200 OK", "", POINT),
        answer("200 OK", "", &document),
    ]);
    let desk = desk(&server.url, &issued(&document).date_naive().to_string());
    let branch = branch(&desk);
    let error = super::fetch_weather(&desk.state, &branch, desk.today).await.unwrap_err();
    let said = error.to_string();
    assert!(said.contains("answered 502") && said.contains("days of forecast new"), "{said}");
    let days = weather::forecast(&desk.state, &branch, desk.today).unwrap();
    assert!(days.len() >= 5);
    assert!(days.iter().all(|day| day.date >= desk.today));
    // Before it was issued nobody knew it, and when it is old it is left out.
    let other = |days: i64| desk.today + TimeDelta::days(days);
    assert_eq!(weather::forecast(&desk.state, &branch, other(-3)).unwrap(), []);
    assert_eq!(weather::forecast(&desk.state, &branch, other(4)).unwrap(), []);
}

#[actix_web::test]
async fn an_old_record_is_called_stale() {
    let server = Server::with(vec![answer("200 OK", "", &june(0))]);
    let desk = desk(&server.url, "2024-06-21");
    desk.observe().await.unwrap();
    let record = weather::record(&desk.state, &branch(&desk)).unwrap();
    let on = |day: &str| weather::staleness(&desk.state, &record, day.parse().unwrap());
    // The record ends on 20 June; five days may be missing.
    assert_eq!(on("2024-06-26"), None);
    let said = on("2024-06-27").unwrap();
    assert!(said.contains("Jun 20, 2024") && said.contains("6 days"), "{said}");
}

#[actix_web::test]
async fn a_key_that_is_no_name_never_becomes_part_of_an_address() {
    let mut desk = desk("http://127.0.0.1:9", "2024-06-21");
    desk.station.station.key = "../other".to_owned();
    let refused = desk.observe().await;
    assert!(matches!(refused, Err(FeedError::StationKey { .. })));
}

#[actix_web::test]
async fn the_same_findings_are_told_once() {
    let mut first = june(0);
    writeln!(first, "{KEY},20240621,TMAX,410,,X,W,2400").unwrap();
    writeln!(first, "{KEY},20240621,TMIN,260,,,W,2400").unwrap();
    let again = first.clone();
    let server = Server::with(vec![answer("200 OK", "", &first), answer("200 OK", "", &again)]);
    let desk = desk(&server.url, "2024-06-25");
    let count = || {
        desk.state.store.read(|conn| stored::findings(conn, desk.station.id, 500)).unwrap().len()
    };
    desk.observe().await.unwrap();
    let told = count();
    assert!(told > 0);
    desk.observe().await.unwrap();
    assert_eq!(count(), told);
}
