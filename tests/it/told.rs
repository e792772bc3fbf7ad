//! Changes reach those whom they touch, once, and nobody else: slots that move or are lost, a technician
//! who runs late, what was found, an agreement that ends.

use std::collections::{BTreeMap, BTreeSet};

use harness::Client;
use hotspell_notices::receiver::Received;
use hotspell_test_support::TestDatabase;
use mail_parser::{MimeHeaders as _, PartType};
use serde_json::{Value, json};

use crate::season_loop::{
    HOMES, Season, files, link_in, plan_and_adopt, score, season_base, text_of,
};

type Visits = BTreeMap<i64, Value>;

async fn visits(office: &Client) -> Visits {
    let all = office.all("/api/v1/visits?limit=500").await;
    all.into_iter().map(|visit| (visit["id"].as_i64().unwrap(), visit)).collect()
}

/// Writes what is due and delivers it.
async fn notify(office: &Client) -> Value {
    let written = office.post("/api/v1/notices/composition", &json!({})).await.json(200);
    deliver(office).await;
    written
}

async fn deliver(office: &Client) {
    office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
}

/// The recipients of every mail of a kind, by visit.
async fn of_kind(office: &Client, kind: &str) -> Vec<Value> {
    office.all(&format!("/api/v1/notices?kind={kind}&limit=500")).await
}

/// The calendar part of a mail, unfolded (RFC 5545, section 3.1).
pub(crate) fn calendar_of(mail: &Received) -> String {
    let message = mail_parser::MessageParser::default().parse(&mail.data).unwrap();
    let part = message.parts.iter().find(|part| part.is_content_type("text", "calendar")).unwrap();
    let PartType::Text(text) = &part.body else { panic!("a calendar part is text") };
    text.replace("\r\n ", "")
}

fn line_of<'t>(calendar: &'t str, name: &str) -> &'t str {
    let line = calendar.lines().find(|line| line.split([':', ';']).next() == Some(name));
    line.unwrap_or_else(|| panic!("no {name} in {calendar}"))
}

fn sequence_of(calendar: &str) -> u64 {
    line_of(calendar, "SEQUENCE").trim_start_matches("SEQUENCE:").parse().unwrap()
}

fn place(visit: &Value) -> [Value; 4] {
    ["day", "starts", "ends", "technician_id"].map(|name| visit[name].clone())
}

/// The technician-day on which most households were told: day, technician, visits.
fn most_told(visits: &Visits) -> (String, i64, BTreeSet<i64>) {
    let mut days: BTreeMap<(String, i64), BTreeSet<i64>> = BTreeMap::new();
    for (id, visit) in visits.iter().filter(|(_, visit)| visit["state"] == "announced") {
        let day = visit["day"].as_str().unwrap().to_owned();
        days.entry((day, visit["technician_id"].as_i64().unwrap())).or_default().insert(*id);
    }
    let ((day, technician), ids) = days.into_iter().max_by_key(|(_, v)| v.len()).unwrap();
    (day, technician, ids)
}

async fn home_of(office: &Client, visit: &Value) -> String {
    let site = office.get(&format!("/api/v1/sites/{}", visit["site_id"])).await.json(200);
    let home = site["key"].as_str().unwrap().trim_start_matches("S-").to_owned();
    format!("home-{home}@example.com")
}

#[tokio::test]
async fn a_day_without_technicians_is_told_to_the_households_that_lose_their_slot_and_to_nobody_else()
 {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        notify(&office).await;
        let announced = visits(&office).await;
        let (day, _, lose) = most_told(&announced);
        // One of those who lose their slot had said yes.
        let yes = &announced[lose.first().unwrap()];
        let address = home_of(&office, yes).await;
        let reminder = season.mail_to(&address).remove(0);
        let link = link_in(&reminder, &format!("{}/a/", season_base()));
        let path = link.strip_prefix(&season_base()).unwrap();
        daemon.client(None).post_form(path, &format!("answer=yes&day={day}")).await;
        let before = visits(&office).await;
        assert_eq!(before[lose.first().unwrap()]["state"], "agreed");

        // Both technicians: nobody can step in, so the day's visits need another time.
        let absent = |id: i64| {
            json!({ "kind": "technician-absent", "technician_id": id,
            "first_day": day, "last_day": day })
        };
        let sick = json!({ "events": [absent(1), absent(2)] });
        let repaired = office.post("/api/v1/repairs", &sick).await.json(201);
        assert!(of_kind(&office, "slot-changed").await.is_empty(), "a draft tells nobody");
        let adoption = format!("/api/v1/plans/{}/adoption", repaired["plan_id"]);
        let adopted = office.post(&adoption, &json!({})).await.json(200);
        deliver(&office).await;

        let after = visits(&office).await;
        let knew = |visit: &&i64| before[*visit]["state"] != "placed";
        let touched: BTreeSet<i64> = after
            .keys()
            .filter(knew)
            .filter(|id| place(&after[id]) != place(&before[id]))
            .copied()
            .collect();
        let told: BTreeSet<i64> =
            adopted["told"].as_array().unwrap().iter().map(|id| id.as_i64().unwrap()).collect();
        assert!(told.is_superset(&lose), "{kind:?}: {told:?} and {lose:?}");
        assert_eq!(told, touched, "{kind:?}");
        assert_eq!(adopted["by_phone"], json!([]));
        let notices = of_kind(&office, "slot-changed").await;
        let written: BTreeSet<i64> =
            notices.iter().map(|notice| notice["visit_id"].as_i64().unwrap()).collect();
        assert_eq!((written, notices.len()), (touched, told.len()), "one each");

        // A calendar event that moves is the same event, in a later revision.
        let window = |visit: &Value| ["day", "starts", "ends"].map(|name| visit[name].clone());
        let elsewhen = |id: &&i64| window(&after[id]) != window(&before[id]);
        let other = &after[told.iter().find(elsewhen).expect("somebody gets another time")];
        let mails = season.mail_to(&home_of(&office, other).await);
        assert_eq!(mails.len(), 2, "{kind:?}");
        let (old, new) = (calendar_of(&mails[0]), calendar_of(&mails[1]));
        assert_eq!(line_of(&old, "UID"), line_of(&new, "UID"));
        assert_eq!(line_of(&new, "METHOD"), "METHOD:REQUEST");
        assert!(sequence_of(&new) > sequence_of(&old), "{old} {new}");
        assert_ne!(line_of(&new, "DTSTART"), line_of(&old, "DTSTART"));
        assert_eq!(other["state"], "announced", "{other}");

        // The one who had said yes is asked anew, unless only another person comes.
        let moved = &after[lose.first().unwrap()];
        let asked = window(moved) != window(&before[lose.first().unwrap()]);
        let stands = if asked { "announced" } else { "agreed" };
        assert_eq!(moved["state"], stands, "{moved}");
        let mails = season.mail_to(&address);
        assert!(text_of(&mails[1]).contains("Your technician cannot come"), "{:?}", mails[1]);
        let path = format!("/api/v1/visits/{}/events?limit=500", moved["id"]);
        let events = office.all(&path).await;
        let story: Vec<&str> =
            events.iter().map(|event| event["to_state"].as_str().unwrap()).collect();
        assert_eq!(story, ["owed", "placed", "announced", "agreed", "placed", stands]);
        assert!(events.iter().all(|event| event["who"] != "" && event["why"].is_string()));
        // The morning after nobody is reminded of what was just told.
        notify(&office).await;
        let mails = season.mail_to(&address);
        let subjects: Vec<_> = mails.iter().map(|mail| mail.header("Subject")).collect();
        assert_eq!(mails.len(), 2, "{moved}: {subjects:?}");
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn what_the_office_moves_or_drops_is_told_and_what_is_not_allowed_is_refused_with_what_is() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        notify(&office).await;
        let all = visits(&office).await;
        let mut told = all.values().filter(|visit| visit["state"] == "announced");
        let (moved, dropped) = (told.next().unwrap(), told.next().unwrap());
        let change = async |visit: &Value, body: Value| {
            office.post(&format!("/api/v1/visits/{}/state-changes", visit["id"]), &body).await
        };

        let to = json!({ "state": "placed", "day": "2025-03-12", "technician_id": 1,
            "starts": "13:00:00", "ends": "15:00:00", "why": "asked on the telephone",
            "told_as": "household-asked" });
        let now = change(moved, to.clone()).await.json(200);
        assert_eq!((&now["state"], &now["day"]), (&json!("announced"), &json!("2025-03-12")));
        // The same slot again tells nobody.
        let again = change(moved, to).await.json(200);
        assert_eq!(again["state"], "placed");
        assert_eq!(of_kind(&office, "slot-changed").await.len(), 1);
        let gone =
            change(dropped, json!({ "state": "dropped", "why": "the house was sold" })).await;
        assert_eq!(gone.json(200)["state"], "dropped");
        deliver(&office).await;

        let mails = season.mail_to(&home_of(&office, moved).await);
        assert!(text_of(&mails[1]).contains("As you asked, we moved"), "{}", text_of(&mails[1]));
        let mails = season.mail_to(&home_of(&office, dropped).await);
        let (old, new) = (calendar_of(&mails[0]), calendar_of(&mails[1]));
        assert_eq!(line_of(&old, "UID"), line_of(&new, "UID"));
        assert_eq!(line_of(&new, "METHOD"), "METHOD:CANCEL");
        assert_eq!(line_of(&new, "STATUS"), "STATUS:CANCELLED");
        assert!(sequence_of(&new) > sequence_of(&old));

        let refused = change(dropped, json!({ "state": "owed" })).await.problem(409);
        let detail = refused["detail"].as_str().unwrap();
        assert!(detail.contains("accepted: nothing, it is final"), "{refused}");
        let unplaced = json!({ "site_id": 1, "kind": "return-visit", "within_first": "2025-03-01",
            "within_last": "2025-03-31", "duration_seconds": 1800 });
        let owed = office.post("/api/v1/visits", &unplaced).await.json(201);
        let early = json!({ "state": "agreed", "day": "2025-03-12", "technician_id": 1 });
        let refused = change(&owed, early).await.problem(409);
        assert!(
            refused["detail"].as_str().unwrap().contains("accepted: placed, dropped"),
            "{refused}"
        );
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_late_technician_is_told_once_to_those_whose_promise_it_breaks() {
    for kind in TestDatabase::KINDS {
        let mut season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        notify(&office).await;
        let (day, technician, ids) = most_told(&visits(&office).await);
        let routes = format!("/api/v1/routes?day={day}&technician_id={technician}&state=current");
        let route = office.all(&routes).await.remove(0);
        let path = format!("/api/v1/routes/{}/delays", route["id"]);
        let early = office.post(&path, &json!({ "minutes": 180 })).await.problem(409);
        assert!(early["detail"].as_str().unwrap().contains("is not in force today"), "{early}");
        assert!(daemon.stop().await);

        // Seven in the morning of that day, in Phoenix.
        season.at(&format!("{day} 14:00:00"));
        let (daemon, office) = season.start().await;
        let refused = office.post(&path, &json!({ "minutes": 4 })).await.problem(422);
        assert_eq!(refused["errors"][0]["pointer"], "/minutes");
        // A little late keeps every promise: nobody hears of it.
        let little = office.post(&path, &json!({ "minutes": 15 })).await.json(200);
        let outcomes = |view: &Value| -> BTreeSet<String> {
            let stops = view["stops"].as_array().unwrap();
            stops.iter().map(|stop| stop["outcome"].as_str().unwrap().to_owned()).collect()
        };
        assert_eq!(outcomes(&little), BTreeSet::from(["inside-window".to_owned()]), "{little}");
        let late = json!({ "minutes": 180, "why": "a compressor" });
        let told = office.post(&path, &late).await.json(200);
        assert_eq!(outcomes(&told), BTreeSet::from(["told".to_owned()]), "{told}");
        assert_eq!(told["stops"].as_array().unwrap().len(), ids.len());
        let again = office.post(&path, &late).await.json(200);
        assert_eq!(outcomes(&again), BTreeSet::from(["inside-window".to_owned()]), "{again}");
        assert_eq!(of_kind(&office, "technician-delayed").await.len(), ids.len());
        deliver(&office).await;
        let after = visits(&office).await;
        for stop in told["stops"].as_array().unwrap() {
            let visit = &after[&stop["visit_id"].as_i64().unwrap()];
            assert_eq!((&visit["starts"], &visit["state"]), (&stop["starts"], &json!("announced")));
            let mails = season.mail_to(&home_of(&office, visit).await);
            let last = mails.last().unwrap();
            assert!(text_of(last).contains("was held up at an earlier stop"), "{}", text_of(last));
            assert!(sequence_of(&calendar_of(last)) > sequence_of(&calendar_of(&mails[0])));
        }
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn a_finished_visit_is_reported_and_an_agreement_that_ends_is_told_once() {
    for kind in TestDatabase::KINDS {
        let mut given = files();
        let agreements = given.iter_mut().find(|(name, _)| *name == "agreements").unwrap();
        // The agreement of one home ends in six weeks.
        agreements.1 =
            agreements.1.replace("A-2,S-2,2020-01-05,,", "A-2,S-2,2020-01-05,2025-04-01,");
        let season = Season::begin_with(kind, given).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let written = notify(&office).await;
        assert_eq!(written["renewals"], 1, "{written}");
        assert_eq!(notify(&office).await["renewals"], 0, "once a term");
        let mails = season.mail_to("home-2@example.com");
        let renewal = mails.iter().find(|mail| text_of(mail).contains("agreement for")).unwrap();
        assert!(text_of(renewal).contains("April 1, 2025"), "{}", text_of(renewal));
        let link = link_in(renewal, &format!("{}/renew/", season_base()));
        let path = link.strip_prefix(&season_base()).unwrap();
        let household = daemon.client(None);
        let page = household.get(path).await;
        assert!(page.status == 200 && page.text().contains("Would you like us to go on?"));
        assert!(office.all("/api/v1/answers").await.is_empty(), "reading answers nothing");
        let answered = household.post_form(path, "answer=call&words=How+much%3F").await;
        assert_eq!(answered.status, 303, "{}", answered.text());
        let answer = office.all("/api/v1/answers").await.remove(0);
        assert_eq!(
            (&answer["what"], &answer["detail"]["words"]),
            (&json!("call-me"), &json!("How much?"))
        );
        assert_eq!(household.post_form(path, "answer=").await.status, 422);
        let stop = path.replace("/renew/", "/a/");
        assert_eq!(household.get(&stop).await.status, 403, "the link does this one thing");

        let visit =
            visits(&office).await.into_values().find(|v| v["state"] == "announced").unwrap();
        let address = home_of(&office, &visit).await;
        let units = office.all(&format!("/api/v1/units?site_id={}", visit["site_id"])).await;
        let part = format!("/api/v1/components?unit_id={}&in_service=true", units[0]["id"]);
        let part = office.all(&part).await.remove(0);
        let result = json!({
            "key": "r-1", "day": "2025-02-17", "technician_id": 1, "complete": true,
            "readings": [
                { "component_id": part["id"], "microfarads": 38.5 },
                { "component_id": part["id"], "section": "fan", "microfarads": 4.9 }
            ],
            "replacements": [{ "component_id": part["id"], "end_kind": "replaced-before-failing",
                "rating": "45+5 uF 440 V" }],
            "note": "gate code is 1234"
        });
        let path = format!("/api/v1/visits/{}/results", visit["id"]);
        for _ in 0..2 {
            office.post(&path, &result).await.json(201);
        }
        deliver(&office).await;
        assert_eq!(of_kind(&office, "visit-report").await.len(), 1);
        let report = text_of(season.mail_to(&address).last().unwrap());
        for words in ["We replaced one part", "measured 38.5 µF, rated 45 µF", "measured 4.9 µF"]
        {
            assert!(report.contains(words), "{words}: {report}");
        }
        assert!(!report.contains("gate code"), "the office's note stays in the office: {report}");
        assert!(HOMES > 2 && daemon.stop().await);
    }
}
