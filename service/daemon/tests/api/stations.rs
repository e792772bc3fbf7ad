//! Several stations of one branch: each home has the heat of those near it, a run names them, and a
//! late correction touches only the homes where its station counts.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, Utc};
use hotspell_daemon::app::scoring::{self, ScoringSummary};
use hotspell_daemon::clock::Clock;
use hotspell_daemon::config::Config;
use hotspell_daemon::feeds;
use hotspell_daemon::jobs::driver;
use hotspell_daemon::state::AppState;
use hotspell_domain::ComponentId;
use hotspell_store::scores::{self, ScoreFilter};
use hotspell_store::words::{RunKind, StationId};
use hotspell_store::{Page, branches, runs};
use hotspell_weather::formats::ghcn_dly;
use reqwest::Method;
use serde_json::{Value, json};
use tempfile::TempDir;

use crate::support::{Service, example_with, problem};

#[derive(Debug)]
struct Fixed(DateTime<Utc>);

impl Clock for Fixed {
    fn now(&self) -> DateTime<Utc> {
        self.0
    }
}

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// Phoenix since 2005 (NOAA GHCN-Daily, U.S. public domain), so many degrees warmer, without the
/// days that `has` says no to, as a plain file; one day's maximum is `odd`.
fn record(warmer: f64, has: impl Fn(NaiveDate) -> bool, odd: Option<(NaiveDate, f64)>) -> String {
    let path =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../../seed/weather/ghcnd_USW00023183.dly");
    let file = std::io::BufReader::new(std::fs::File::open(path).unwrap());
    let mut text = "date,tmin_c,tmax_c\n".to_owned();
    for it in ghcn_dly::read(file, None).unwrap().days {
        if it.date < day("2005-01-01") || it.date >= day("2025-06-15") || !has(it.date) {
            continue;
        }
        let high = odd.filter(|(odd, _)| *odd == it.date).map_or(it.tmax_celsius, |(_, high)| high);
        writeln!(text, "{},{:.1},{:.1}", it.date, it.tmin_celsius + warmer, high + warmer).unwrap();
    }
    text
}

/// An office in the valley with a further station on the hill, and a home beside each.
struct Two {
    service: Service,
    state: AppState,
    folder: TempDir,
    valley: i64,
    hill: i64,
    /// Home, old part and young part, beside the valley's station.
    below: (i64, ComponentId, ComponentId),
    /// The same on the hill.
    above: (i64, ComponentId, ComponentId),
}

async fn station(service: &Service, key: &str, north: f64, metres: f64) -> i64 {
    let body = json!({
        "key": key, "name": key, "latitude_degrees": north, "longitude_degrees": -112.0,
        "elevation_metres": metres
    });
    service.make("/api/v1/weather-stations", &body).await["id"].as_i64().unwrap()
}

async fn home(service: &Service, key: &str, north: f64) -> (i64, ComponentId, ComponentId) {
    let id = |value: Value| value["id"].as_i64().unwrap();
    let place = json!({ "latitude_degrees": north, "longitude_degrees": -112.0 });
    let site = json!({ "key": key, "position": place, "elevation_metres": null });
    let site = id(service.make("/api/v1/sites", &example_with("SiteInput", site)).await);
    let unit = json!({ "key": key, "site_id": site, "exposure": "shade" });
    let unit = id(service.make("/api/v1/units", &example_with("UnitInput", unit)).await);
    let mut parts = Vec::new();
    for (name, installed) in [("old", "2012-05-06"), ("young", "2025-06-05")] {
        let part = json!({
            "key": format!("{key}-{name}"), "unit_id": unit, "position": name,
            "installed_earliest": installed, "installed_latest": installed,
            "observed_from": installed, "last_seen_good_on": installed
        });
        let part = example_with("ComponentInput", part);
        parts.push(ComponentId(id(service.make("/api/v1/components", &part).await)));
    }
    (site, parts[0], parts[1])
}

impl Two {
    async fn start() -> Self {
        let service = Service::start();
        let folder = tempfile::tempdir().unwrap();
        let mut config = Config::default();
        config.weather.folder = Some(folder.path().to_owned());
        let noon = Arc::new(Fixed("2025-06-15T18:00:00Z".parse().unwrap()));
        let state = AppState::new(service.state.store.clone(), noon, config).unwrap();
        let valley = station(&service, "VALLEY", 33.4, 340.0).await;
        let hill = station(&service, "HILL", 34.0, 1500.0).await;
        state
            .store
            .write(|conn| {
                let mut branch = branches::find(conn, service.branch)?;
                branch.fields.station_id = Some(StationId(valley));
                branches::update(conn, branch.id, branch.version, &branch.fields, state.now())
            })
            .unwrap();
        let below = home(&service, "S-below", 33.4).await;
        let above = home(&service, "S-above", 34.0).await;
        let two = Self { service, state, folder, valley, hill, below, above };
        two.put("VALLEY", &record(0.0, |_| true, None));
        // The hill's record begins late and has a hole.
        let hole = |it: NaiveDate| it != day("2025-05-20") && it >= day("2015-01-01");
        two.put("HILL", &record(-6.0, hole, None));
        two
    }

    fn put(&self, key: &str, text: &str) {
        std::fs::write(self.folder.path().join(format!("ghcnd_{key}.csv")), text).unwrap();
    }

    async fn name_the_hill(&self) {
        let path = format!("/api/v1/branches/{}/stations", self.service.branch.0);
        let body = json!({ "further_station_ids": [self.hill] });
        let request = self.service.request(Method::PUT, &path, &self.service.office);
        let named: Value = request.json(&body).send().await.unwrap().json().await.unwrap();
        let keys: Vec<&str> = named["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|it| it["key"].as_str().unwrap())
            .collect();
        assert_eq!(keys, ["VALLEY", "HILL"]);
    }

    async fn fetch(&self) -> String {
        let branch =
            self.state.store.read(|conn| branches::find(conn, self.service.branch)).unwrap();
        feeds::fetch_weather(&self.state, &branch, day("2025-06-15")).await.unwrap()
    }

    fn score(&self) -> ScoringSummary {
        scoring::score_branch(&self.state, self.service.branch, day("2025-06-15")).unwrap()
    }

    fn heat_age(&self, run: &ScoringSummary, part: ComponentId) -> f64 {
        let filter = ScoreFilter { run: Some(run.run), ..ScoreFilter::default() };
        let scores = self
            .state
            .store
            .read(|conn| scores::list(conn, self.service.branch, &filter, Page::everything()));
        let scores = scores.unwrap();
        scores.iter().find(|it| it.component_id == part).unwrap().heat_age
    }

    fn latest(&self) -> runs::RunRecord {
        let store = &self.state.store;
        store.read(|c| runs::latest(c, self.service.branch, RunKind::Scoring)).unwrap().unwrap()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn each_home_has_the_heat_of_the_stations_near_it_and_the_run_names_them() {
    let two = Two::start().await;
    two.fetch().await;
    let alone = two.score();
    let inputs = two.latest().inputs;
    assert_eq!(inputs["stations"], json!([{ "station": "VALLEY", "lent_days": 0 }]));
    assert_eq!(inputs["station_weights"], json!({}));

    two.name_the_hill().await;
    let said = two.fetch().await;
    assert!(said.contains("VALLEY: ") && said.contains("HILL: "), "{said}");
    let both = two.score();
    // Beside its own station nothing changes, to the last digit.
    let (valley_then, valley_now) =
        (two.heat_age(&alone, two.below.1), two.heat_age(&both, two.below.1));
    assert!(valley_then.total_cmp(&valley_now).is_eq(), "{valley_then} {valley_now}");
    // On the hill it is cooler, but its machines are chosen for that.
    let (before, after) = (two.heat_age(&alone, two.above.1), two.heat_age(&both, two.above.1));
    assert!(after < 0.9 * before && after > 0.3 * before, "{before} {after}");

    let inputs = two.latest().inputs;
    assert_eq!(inputs["stations"][0]["station"], "VALLEY");
    assert_eq!(inputs["stations"][1]["station"], "HILL");
    // 3,652 days before its record begins, and the hole.
    assert_eq!(inputs["stations"][1]["lent_days"], 3_653);
    assert_eq!(inputs["station_weights"], json!({ two.above.0.to_string(): [0.0, 1.0] }));
    assert!(both.assumptions.iter().any(|it| it.contains("HILL lacks 3653")), "{both:?}");
    let path = format!("/api/v1/sites/{}/station-weights", two.above.0);
    let weights: Value = two.service.get(&path).await.json().await.unwrap();
    assert_eq!(weights["items"][0]["weight"], 0.0);
    assert_eq!(weights["items"][1]["weight"], 1.0);
    assert!(weights["items"][0]["distance_metres"].as_f64().unwrap() > 60_000.0);
}

/// A home on the hill alone has what a branch with the hill's station has.
#[tokio::test(flavor = "multi_thread")]
async fn a_home_with_one_station_has_what_a_branch_of_that_station_has() {
    let two = Two::start().await;
    two.put("HILL", &record(-6.0, |_| true, None));
    two.name_the_hill().await;
    two.fetch().await;
    let weighed = two.heat_age(&two.score(), two.above.1);
    two.state
        .store
        .write(|conn| {
            hotspell_store::branch_stations::set(conn, two.service.branch, &[])?;
            let mut branch = branches::find(conn, two.service.branch)?;
            branch.fields.station_id = Some(StationId(two.hill));
            branches::update(conn, branch.id, branch.version, &branch.fields, two.state.now())
        })
        .unwrap();
    let own = two.heat_age(&two.score(), two.above.1);
    assert!((weighed - own).abs() < 1e-9 * own, "{weighed} {own}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_late_correction_scores_again_only_what_it_touches() {
    let two = Two::start().await;
    two.name_the_hill().await;
    two.fetch().await;
    let before = two.score();
    let branch = two.state.store.read(|conn| branches::find(conn, two.service.branch)).unwrap();
    driver::mark_done(&two.state, &branch).unwrap();
    let scored_in = |run: &runs::RunRecord| -> BTreeSet<ComponentId> {
        let filter = ScoreFilter { run: Some(run.id), ..ScoreFilter::default() };
        let list = two
            .state
            .store
            .read(|conn| scores::list(conn, two.service.branch, &filter, Page::everything()));
        list.unwrap().into_iter().map(|it| it.component_id).collect()
    };

    // The hill's first of June was five degrees hotter: only the home on the hill is scored again.
    let hole = |it: NaiveDate| it != day("2025-05-20") && it >= day("2015-01-01");
    let (odd, hot) = (day("2025-06-01"), 46.0);
    two.put("HILL", &record(-6.0, hole, Some((odd, hot))));
    two.fetch().await;
    let hill = two.latest();
    assert_ne!(hill.id, before.run);
    assert_eq!(scored_in(&hill), BTreeSet::from([two.above.1, two.above.2]));
    assert_eq!(hill.inputs["corrected"], json!({ "station": "HILL", "last_day": odd }));
    assert_eq!(hill.inputs["sites"], json!([two.above.0]));

    // The same file again corrects nothing and scores nothing.
    two.fetch().await;
    assert_eq!(two.latest().id, hill.id);

    // The valley's first of June: only the home below.
    two.put("VALLEY", &record(0.0, |_| true, Some((odd, hot))));
    two.fetch().await;
    let valley = two.latest();
    assert_eq!(scored_in(&valley), BTreeSet::from([two.below.1, two.below.2]));

    // A day on which the valley stands in for the hill touches both.
    let lent = day("2025-05-20");
    let text = record(0.0, |_| true, Some((odd, hot)));
    let line = text.lines().find(|line| line.starts_with(&lent.to_string())).unwrap();
    let text = text.replace(line, &format!("{lent},25.0,44.4"));
    two.put("VALLEY", &text);
    two.fetch().await;
    assert_eq!(scored_in(&two.latest()).len(), 4);
}

#[tokio::test(flavor = "multi_thread")]
async fn parts_put_in_after_the_corrected_day_are_not_touched() {
    let two = Two::start().await;
    two.name_the_hill().await;
    two.fetch().await;
    two.score();
    let again = |station: &str, last: &str| {
        let (branch, as_of) = (two.service.branch, day("2025-06-15"));
        scoring::score_after_correction(&two.state, branch, station, day(last), as_of).unwrap()
    };
    // Both homes have a part from 2012, none has an older one.
    assert_eq!(again("HILL", "2012-05-05"), None);
    assert_eq!(again("HILL", "2012-05-06").unwrap().components, 2);
    assert_eq!(again("NOWHERE", "2025-06-01"), None);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_list_of_stations_is_refused() {
    let two = Two::start().await;
    let path = format!("/api/v1/branches/{}/stations", two.service.branch.0);
    for (ids, pointer) in [
        (json!([two.valley]), "/further_station_ids/0"),
        (json!([two.hill, two.hill]), "/further_station_ids/1"),
        (json!([4711]), "/further_station_ids/0"),
    ] {
        let request = two.service.request(Method::PUT, &path, &two.service.office);
        let body = json!({ "further_station_ids": ids });
        let refused = problem(request.json(&body).send().await.unwrap(), 422).await;
        assert!(refused.to_string().contains(pointer), "{refused}");
    }
    let listed: Value = two.service.get(&path).await.json().await.unwrap();
    assert_eq!(listed["items"].as_array().unwrap().len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_finding_is_told_with_value_expected_range_and_what_was_done() {
    let two = Two::start().await;
    two.put("VALLEY", &record(0.0, |_| true, Some((day("2025-01-15"), 47.5))));
    two.fetch().await;
    let path = format!("/api/v1/weather-stations/{}/findings", two.valley);
    let found: Value = two.service.get(&path).await.json().await.unwrap();
    let [found] = found["items"].as_array().unwrap().as_slice() else { panic!("{found}") };
    assert_eq!(found["kind"], "outside_station_range");
    assert_eq!((&found["day"], &found["last_day"]), (&json!("2025-01-15"), &json!("2025-01-15")));
    assert_eq!((&found["value_celsius"], &found["remedy"]), (&json!(47.5), &json!("kept")));
    let highest = found["expected_celsius"]["highest"].as_f64().unwrap();
    assert!((30.0..47.5).contains(&highest), "{found}");

    // A file of one day is judged by the stored record, since it has no range of its own.
    let path = format!("/api/v1/weather-stations/{}/file", two.valley);
    let late = day("2025-01-15") + Days::new(1);
    let text = format!("date,tmin_c,tmax_c\n{late},-25.0,20.0\n");
    let request = two.service.request(Method::PUT, &path, &two.service.office);
    let request = request.header("Content-Type", "text/plain").body(text);
    let kept: Value = request.send().await.unwrap().json().await.unwrap();
    assert_eq!((&kept["corrected"], &kept["findings"]), (&json!(1), &json!(1)), "{kept}");
}
