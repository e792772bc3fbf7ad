//! What must hold whatever was done.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use super::World;
use crate::season_loop::text_of;

impl World {
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
        let lived: BTreeMap<i64, &Value> =
            parts.iter().map(|part| (part["id"].as_i64().unwrap(), part)).collect();
        for reading in self.office.all("/api/v1/readings?limit=500").await {
            let part = lived[&reading["component_id"].as_i64().unwrap()];
            let day = reading["taken_on"].as_str().unwrap();
            assert!(part["installed_earliest"].as_str().is_none_or(|first| first <= day), "{part}");
            assert!(part["ended_on"].as_str().is_none_or(|last| day <= last), "{part} {reading}");
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

    /// Nobody stands at a home whose machines he is not trained for.
    async fn all_are_trained_for_where_they_go(&self) {
        let units = self.office.all("/api/v1/units?limit=500").await;
        let technicians = self.office.all("/api/v1/technicians").await;
        let trained: BTreeMap<i64, BTreeSet<&str>> = technicians
            .iter()
            .map(|it| {
                let skills = it["skills"].as_array().unwrap();
                let skills = skills.iter().map(|skill| skill.as_str().unwrap()).collect();
                (it["id"].as_i64().unwrap(), skills)
            })
            .collect();
        for visit in self.visits().await {
            let stands = ["placed", "announced", "agreed"].iter().any(|s| visit["state"] == *s);
            for unit in units.iter().filter(|unit| stands && unit["site_id"] == visit["site_id"]) {
                let wanted = if unit["kind"] == "packaged-unit" { "large" } else { "heat-pump" };
                let technician = visit["technician_id"].as_i64().unwrap();
                assert!(trained[&technician].contains(wanted), "{visit} at {unit}");
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
        let answers = self.office.all("/api/v1/answers?limit=500").await.len();
        let by_links = audit.iter().filter(|entry| entry["action"] == "answer by a link").count();
        assert_eq!(by_links, answers, "what households say is in the audit too");
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

    pub(super) async fn all_holds(&self) {
        self.one_part_in_a_position().await;
        self.one_place_for_a_technician().await;
        self.all_are_trained_for_where_they_go().await;
        self.one_notice_for_an_event().await;
        self.every_change_is_told().await;
    }
}
