//! What technicians send in about a visit: merged whatever the order of arrival, counted once, with what
//! follows from it.

use harness::{Client, Setup};
use hotspell_test_support::{DatabaseKind, TestDatabase};
use serde_json::{Value, json};

use crate::lifecycle::empty;
use crate::season_loop::id_by_key;

const FILES: [(&str, &str); 5] = [
    (
        "technicians",
        "technician,name,skills,monday\nT-1,Ann Example,heat-pump,07:30-16:00\n\
         T-2,Ben Example,heat-pump,07:30-16:00\n",
    ),
    (
        "sites",
        "site,name,address_1,city,region,postal_code\nS-1,Example,1 Example Street,Phoenix,AZ,85001\n",
    ),
    ("agreements", "agreement,site,first_day,visits\nA-1,S-1,2024-01-05,tune-up@02-01..06-30\n"),
    ("units", "unit,site,kind\nU-1,S-1,heat-pump\n"),
    (
        "components",
        "component,unit,position,class,rating,installed_on\n\
         K-1,U-1,outdoor,run-capacitor-dual,45+5 uF 370/440 V,2016-04-02\n",
    ),
];

pub(crate) struct Home {
    _setup: Setup,
    _database: TestDatabase,
    pub(crate) daemon: harness::Daemon,
    pub(crate) office: Client,
    pub(crate) technician: Client,
    visit: i64,
    pub(crate) part: i64,
}

/// One home with one capacitor and a visit of T-1 on 3 June 2026, under a clock of 10 June.
pub(crate) async fn home(kind: DatabaseKind) -> Home {
    let (mut setup, database) = empty(kind);
    setup.at("2026-06-10 17:00:00").set("photos.size_limit_bytes", "1000");
    setup.add_branch().await;
    let office = setup.add_account("office", &[]).await;
    for (name, text) in FILES {
        let path = setup.write("file.csv", text);
        setup.run(&["import", name, path.to_str().unwrap()]).await.success();
    }
    let technician = setup.add_account("technician", &["--technician", "T-1"]).await;
    let daemon = setup.start().await;
    let (office, technician) = (daemon.client(Some(&office)), daemon.client(Some(&technician)));
    let site = id_by_key(&office, "/api/v1/sites", "S-1").await;
    let part = id_by_key(&office, "/api/v1/components", "K-1").await;
    let visit = json!({
        "site_id": site, "kind": "no-cool-call", "within_first": "2026-06-03",
        "within_last": "2026-06-05", "duration_seconds": 3600, "priority": 0, "reason": null
    });
    let visit = crate::lifecycle::example(&office, "VisitInput", visit).await;
    let visit = office.post("/api/v1/visits", &visit).await.json(201)["id"].as_i64().unwrap();
    let place = json!({ "technician_id": 1, "day": "2026-06-03", "state": "placed", "why": null });
    let place = crate::lifecycle::example(&office, "StateChangeInput", place).await;
    office.post(&format!("/api/v1/visits/{visit}/state-changes"), &place).await.json(200);
    Home { _setup: setup, _database: database, daemon, office, technician, visit, part }
}

impl Home {
    pub(crate) async fn send(&self, client: &Client, result: &Value) -> harness::Answer {
        client.post(&format!("/api/v1/visits/{}/results", self.visit), result).await
    }

    /// Everything that pages and the risk go by, without numbers that depend on the order of arrival.
    async fn state(&self) -> Value {
        let parts = self.office.all("/api/v1/components?site_id=1").await;
        let key = |id: &Value| {
            parts.iter().find(|part| part["id"] == *id).map(|part| part["key"].clone())
        };
        let mut shown: Vec<Value> = parts
            .iter()
            .map(|part| {
                json!({
                    "key": part["key"], "rating": part["rating"], "batch": part["batch"],
                    "installed": part["installed_earliest"], "ended": part["ended_on"],
                    "how": part["end_kind"], "good": part["last_seen_good_on"],
                    "next": key(&part["replaced_by_id"]),
                })
            })
            .collect();
        shown.sort_by_key(|part| part["key"].to_string());
        let readings = self.office.all("/api/v1/readings?site_id=1").await;
        let mut taken: Vec<Value> = readings
            .iter()
            .map(|reading| {
                json!({
                    "key": reading["key"], "of": key(&reading["component_id"]),
                    "on": reading["taken_on"], "at": reading["taken_at"],
                    "section": reading["section"], "microfarads": reading["microfarads"],
                })
            })
            .collect();
        taken.sort_by_key(|reading| reading["key"].to_string());
        let results = self.office.all(&format!("/api/v1/visits/{}/results", self.visit)).await;
        let visit = self.office.get(&format!("/api/v1/visits/{}", self.visit)).await.json(200);
        let returns = self.office.all("/api/v1/visits?kind=return-visit").await;
        json!({
            "parts": shown, "readings": taken, "sent": results.len(), "visit": visit["state"],
            "returns": returns.len(), "return by": returns[0]["within_last"],
        })
    }
}

fn reading(part: i64, section: &str, microfarads: f64, at: &str) -> Value {
    json!({
        "component_id": part, "section": section, "microfarads": microfarads, "volts": null,
        "amperes": null, "conditions": [], "note": null, "taken_at": at
    })
}

fn replacement(part: i64, end: &str, rating: &str, batch: &str, at: &str) -> Value {
    json!({
        "component_id": part, "end_kind": end, "rating": rating, "batch": batch,
        "rating_override": null, "taken_at": at
    })
}

/// Three phones: the first swaps the part on 3 June; the second, which was there too, says so a little
/// later and better; the third works on 5 June with a list from before the swap.
pub(crate) fn submissions(part: i64) -> [Value; 3] {
    let result = |key: &str, day: &str, readings: Value, replacements: Value, complete: bool| {
        json!({
            "key": key, "day": day, "technician_id": 1, "readings": readings,
            "replacements": replacements, "complete": complete, "parts_used": [],
            "follow_up": { "reason": "clean the coil", "by": "2026-06-20" }, "note": null
        })
    };
    [
        result(
            "first",
            "2026-06-03",
            json!([reading(part, "main", 31.0, "2026-06-03T16:50:00Z")]),
            json!([replacement(part, "failed", "45+5 uF 440 V", "A", "2026-06-03T17:00:00Z")]),
            false,
        ),
        result(
            "second",
            "2026-06-03",
            json!([reading(part, "fan", 4.8, "2026-06-03T17:10:00Z")]),
            json!([replacement(
                part,
                "replaced-before-failing",
                "45+5.0 uF 370/440 V",
                "B",
                "2026-06-03T17:20:00Z"
            )]),
            true,
        ),
        result(
            "third",
            "2026-06-05",
            json!([reading(part, "main", 45.1, "2026-06-05T18:00:00Z")]),
            json!([replacement(
                part,
                "replaced-before-failing",
                "45+5 uF 440 V",
                "C",
                "2026-06-05T18:30:00Z"
            )]),
            false,
        ),
    ]
}

#[tokio::test]
async fn phones_that_report_in_any_order_leave_the_same_state() {
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]]
        .map(|order| (DatabaseKind::Sqlite, order));
    let other = [[0, 1, 2], [2, 1, 0]].map(|order| (DatabaseKind::Postgres, order));
    let mut states: Vec<Value> = Vec::new();
    for (kind, order) in orders.into_iter().chain(other) {
        let home = home(kind).await;
        let sent = submissions(home.part);
        for index in order {
            home.send(&home.technician, &sent[index]).await.json(201);
        }
        // The same again changes nothing.
        let again = home.send(&home.technician, &sent[order[0]]).await.json(201);
        assert_eq!(again["new"], false);
        states.push(home.state().await);
        assert_eq!(states.first(), states.last(), "{kind:?} {order:?}");
        assert!(home.daemon.stop().await);
    }
    let state = &states[0];
    let parts = state["parts"].as_array().unwrap();
    assert_eq!(parts.len(), 3, "{state}");
    assert_eq!(
        (&parts[0]["key"], &parts[0]["ended"], &parts[0]["how"], &parts[0]["next"]),
        (
            &json!("K-1"),
            &json!("2026-06-03"),
            &json!("replaced-before-failing"),
            &json!("second/0")
        ),
        "the later word on one replacement counts"
    );
    let middle = &parts[1];
    assert_eq!((&middle["batch"], &middle["rating"]), (&json!("B"), &json!("45+5 uF 370/440 V")));
    assert_eq!(
        (&middle["installed"], &middle["ended"]),
        (&json!("2026-06-03"), &json!("2026-06-05"))
    );
    assert_eq!(middle["good"], "2026-06-05", "what was read two days later was the new part");
    assert_eq!((&parts[2]["key"], &parts[2]["ended"]), (&json!("third/0"), &Value::Null));
    let of: Vec<&Value> =
        state["readings"].as_array().unwrap().iter().map(|reading| &reading["of"]).collect();
    assert_eq!(of, ["K-1", "K-1", "second/0"]);
    assert_eq!((&state["sent"], &state["visit"]), (&json!(3), &json!("done")));
    assert_eq!((&state["returns"], &state["return by"]), (&json!(1), &json!("2026-06-20")));
}

/// Says by hand that the first part was seen good on a day.
async fn seen_good(home: &Home, day: &str) {
    let path = format!("/api/v1/components/{}", home.part);
    let read = home.office.get(&path).await;
    let (etag, mut part) = (read.etag(), read.json(200));
    for member in ["id", "version", "created_at", "updated_at", "branch_id", "replaced_by_id"] {
        part.as_object_mut().unwrap().remove(member);
    }
    part["last_seen_good_on"] = json!(day);
    home.office.put(&path, &etag, &part).await.json(200);
}

#[tokio::test]
async fn a_late_report_of_an_earlier_day_leaves_each_part_the_days_on_which_it_was_seen_good() {
    for kind in TestDatabase::KINDS {
        let mut states = Vec::new();
        for order in [["swap", "read"], ["read", "swap"]] {
            let home = home(kind).await;
            seen_good(&home, "2026-05-20").await;
            let [mut swap, _, mut read] = submissions(home.part);
            swap["readings"] = json!([]);
            read["replacements"] = json!([]);
            for sent in order {
                let result = if sent == "swap" { &swap } else { &read };
                home.send(&home.technician, result).await.json(201);
            }
            states.push(home.state().await);
            assert!(home.daemon.stop().await);
        }
        assert_eq!(states[0], states[1], "{kind:?}: whichever came first");
        let good = |part: usize| &states[0]["parts"][part]["good"];
        assert_eq!((good(0), good(1)), (&json!("2026-05-20"), &json!("2026-06-05")), "{kind:?}");

        // What was said without a reading is divided in the same way; what was taken back is not.
        let home = home(kind).await;
        for day in ["2026-05-20", "2026-06-08", "2026-06-01", "2026-06-04"] {
            seen_good(&home, day).await;
        }
        let [mut swap, ..] = submissions(home.part);
        swap["readings"] = json!([]);
        home.send(&home.technician, &swap).await.json(201);
        let parts = home.state().await["parts"].clone();
        let good = [&parts[0]["good"], &parts[1]["good"]];
        assert_eq!(good, ["2026-06-01", "2026-06-04"], "{kind:?}: {parts}");
        assert!(home.daemon.stop().await);
    }
}

#[tokio::test]
async fn a_wrong_rating_is_refused_and_only_the_office_takes_it_all_the_same() {
    for kind in TestDatabase::KINDS {
        let home = home(kind).await;
        let mut result = submissions(home.part)[0].clone();
        result["replacements"][0]["rating"] = json!("40+5 uF 440 V");
        let refused = home.send(&home.technician, &result).await.problem(422);
        assert_eq!(refused["errors"][0]["pointer"], "/replacements/0/rating", "{refused}");
        assert!(
            refused["errors"][0]["detail"].as_str().unwrap().contains("must be the same"),
            "{refused}"
        );
        result["replacements"][0]["rating_override"] = json!("motor was changed too");
        home.send(&home.technician, &result).await.problem(422);
        assert!(home.office.all("/api/v1/readings").await.is_empty(), "nothing of it was kept");
        result["parts_used"] =
            json!([{ "class": "run-capacitor-dual", "rating": "40+5 uF 440 V", "quantity": 1 }]);
        let taken = home.send(&home.office, &result).await.json(201);
        assert_eq!(taken["replaced"].as_array().unwrap().len(), 1, "{taken}");
        let visit = taken["follow_up_visit_id"].as_i64().unwrap();
        let wanted = home.office.get(&format!("/api/v1/visits/{visit}")).await.json(200);
        assert_eq!((&wanted["state"], &wanted["kind"]), (&json!("owed"), &json!("return-visit")));
        assert_eq!(wanted["reason"], "clean the coil");
        let sent = home.office.all(&format!("/api/v1/visits/{}/results", home.visit)).await;
        assert_eq!(sent[0]["payload"]["parts_used"][0]["quantity"], 1, "{sent:?}");
        assert_eq!(
            sent[0]["payload"]["replacements"][0]["office_override"],
            "motor was changed too"
        );
        assert!(home.daemon.stop().await);
    }
}

/// The smallest pictures that begin as such.
const PNG: &[u8] = b"\x89PNG\r\n\x1A\n a picture";
const JPEG: &[u8] = b"\xFF\xD8\xFF\xE0 another one";

#[tokio::test]
async fn a_picture_is_kept_once_and_seen_by_those_whom_the_visit_concerns() {
    for kind in TestDatabase::KINDS {
        let home = home(kind).await;
        let photos = format!("/api/v1/visits/{}/photos", home.visit);
        let noted = format!("{photos}?note=before%20the%20work");
        let first = home.technician.post_bytes(&noted, "image/png", PNG).await.json(201);
        assert_eq!(
            (&first["media_type"], &first["note"]),
            (&json!("image/png"), &json!("before the work"))
        );
        // What the sender calls it does not count, what it is does; the same again is the same.
        let again = home.office.post_bytes(&photos, "image/jpeg", PNG).await.json(200);
        assert_eq!(again, first);
        let second =
            home.office.post_bytes(&photos, "application/octet-stream", JPEG).await.json(201);
        assert_eq!(
            (&second["media_type"], &second["technician_id"]),
            (&json!("image/jpeg"), &Value::Null)
        );
        for (body, status) in [
            (b"<svg onload='alert(1)'/>".to_vec(), 422),
            (Vec::new(), 422),
            ([PNG, &[0; 1000]].concat(), 413),
        ] {
            home.technician.post_bytes(&photos, "image/png", body).await.problem(status);
        }
        assert_eq!(home.technician.all(&photos).await, [first.clone(), second]);
        let picture = home.technician.get(&format!("{photos}/{}", first["id"])).await;
        assert_eq!(
            (picture.bytes.as_slice(), picture.header("Content-Type")),
            (PNG, Some("image/png"))
        );
        assert_eq!(picture.header("X-Content-Type-Options"), Some("nosniff"));
        assert_eq!(picture.etag(), format!("\"{}\"", first["digest"].as_str().unwrap()));
        other_peoples_eyes(&home, &photos, &first).await;
        assert!(home.daemon.stop().await);
    }
}

/// Another technician sees nothing of it; the household sees its own visit's.
async fn other_peoples_eyes(home: &Home, photos: &str, photo: &Value) {
    let account = async |role: &str, email: &str, member: &str, id: i64| {
        let mut account = json!({ "role": role, "email": email, "password": null });
        account[member] = json!(id);
        let account = crate::lifecycle::example(&home.office, "AccountInput", account).await;
        let id = home.office.post("/api/v1/accounts", &account).await.json(201)["id"].clone();
        let token = json!({ "label": "test", "scope": "api", "expires_at": null });
        let tokens = format!("/api/v1/accounts/{id}/tokens");
        let token = home.office.post(&tokens, &token).await.json(201)["token"].clone();
        home.daemon.client(token.as_str())
    };
    let contact = json!({ "key": "C-1", "site_id": 1 });
    let contact = crate::lifecycle::example(&home.office, "ContactInput", contact).await;
    let contact = home.office.post("/api/v1/contacts", &contact).await.json(201)["id"].as_i64();
    let other = account("technician", "other@example.com", "technician_id", 2).await;
    let household = account("homeowner", "home@example.com", "contact_id", contact.unwrap()).await;
    let picture = format!("{photos}/{}", photo["id"]);
    for path in [photos, &picture] {
        other.get(path).await.problem(404);
        assert_eq!(household.get(path).await.status, 200, "{path}");
    }
    other.post_bytes(photos, "image/png", PNG).await.problem(404);
    household.post_bytes(photos, "image/png", PNG).await.problem(403);
    home.daemon.client(None).get(&picture).await.problem(401);
}
