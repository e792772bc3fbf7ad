//! Another slot by the link in the mail: kept for a while, taken by one household only, and the link that
//! can be taken back.

use harness::Client;
use hotspell_test_support::TestDatabase;
use serde_json::{Value, json};

use crate::season_loop::{Season, files, link_in, plan_and_adopt, score, season_base, text_of};
use crate::told::calendar_of;

/// The choices of a page of kept slots: number of the hold and what is said of it.
pub(crate) fn choices(page: &str) -> Vec<(String, String)> {
    page.split("value=\"slot-")
        .skip(1)
        .map(|rest| {
            let (hold, rest) = rest.split_once('"').unwrap();
            let label = rest.split("</label>").next().unwrap().rsplit('>').next().unwrap();
            (hold.to_owned(), label.to_owned())
        })
        .collect()
}

pub(crate) async fn visit_at(office: &Client, home: usize) -> Value {
    let sites = office.all("/api/v1/sites?limit=500").await;
    let site = sites.iter().find(|site| site["key"] == format!("S-{home}")).unwrap();
    office.all(&format!("/api/v1/visits?site_id={}", site["id"])).await.remove(0)
}

/// Two homes that were told of their visit, with the path behind their links.
pub(crate) async fn told(season: &Season, office: &Client) -> Vec<(usize, String)> {
    office.post("/api/v1/notices/composition", &json!({})).await.json(200);
    office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
    let mut homes: Vec<(usize, String)> = Vec::new();
    for mail in season.receiver.received() {
        let Some(home) = mail.to[0].strip_prefix("home-") else { continue };
        let home = home.trim_end_matches("@example.com").parse().unwrap();
        let link = link_in(&mail, &format!("{}/a/", season_base()));
        homes.push((home, link.strip_prefix(&season_base()).unwrap().to_owned()));
    }
    homes.sort();
    homes
}

#[tokio::test]
async fn a_household_chooses_another_slot_that_nobody_else_is_offered_meanwhile() {
    for kind in TestDatabase::KINDS {
        let mut given = files();
        let sites = given.iter_mut().find(|(name, _)| *name == "sites").unwrap();
        // One column more: the household's language. All speak Spanish here.
        sites.1 = sites.1.replace("contact_consent_how\n", "contact_consent_how,language\n");
        sites.1 = sites.1.replace(",agreement form\n", ",agreement form,es\n");
        let season = Season::begin_with(kind, given).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let homes = told(&season, &office).await;
        let ((one, first), (_, second)) = (&homes[0], &homes[1]);
        let household = daemon.client(None);
        let before = visit_at(&office, *one).await;

        // A link scanner opens everything and keeps nothing.
        let page = household.get(first).await;
        assert!(page.text().contains("Prefiero otra hora"), "{}", page.text());
        let mine = household.post_form(first, "answer=other").await;
        assert_eq!(mine.status, 200, "{}", mine.text());
        assert!(mine.text().contains("durante 15 minutos"), "{}", mine.text());
        let mine = choices(&mine.text());
        assert_eq!(mine.len(), 3, "{kind:?}: {mine:?}");
        let best = mine.iter().filter(|(_, said)| said.ends_with(", nuestra sugerencia")).count();
        assert_eq!(best, 1, "one of them is named the best: {mine:?}");
        let theirs = choices(&household.post_form(second, "answer=other").await.text());
        assert!(!theirs.is_empty(), "{kind:?}");
        assert!(mine.iter().all(|slot| !theirs.contains(slot)), "{mine:?} {theirs:?}");
        assert_eq!(visit_at(&office, *one).await, before, "nothing has moved yet");

        // A slot of somebody else is not to be had.
        let stolen = household.post_form(second, &format!("answer=slot-{}", mine[0].0)).await;
        assert!(stolen.status == 200 && stolen.text().contains("ya no está libre"));
        let chosen = format!("answer=slot-{}", mine[0].0);
        let taken = household.post_form(first, &chosen).await;
        assert_eq!(taken.status, 303, "{kind:?}: {}", taken.text());
        let again = household.post_form(first, &chosen).await;
        assert_eq!(again.status, 303, "the same choice twice counts once");
        let page = household.get(&format!("{first}?said=slot")).await;
        assert!(page.text().contains("La visita queda cambiada y confirmada"), "{}", page.text());

        let after = visit_at(&office, *one).await;
        assert_eq!(after["state"], "agreed", "{after}");
        assert_ne!(after["day"], before["day"]);
        let (day, technician) = (after["day"].as_str().unwrap(), &after["technician_id"]);
        let routes = format!("/api/v1/routes?day={day}&technician_id={technician}&state=current");
        let route = office.all(&routes).await.remove(0);
        let stops = route["stops"].as_array().unwrap();
        assert!(stops.iter().any(|stop| stop["visit_id"] == after["id"]), "{route}");
        let old = format!("/api/v1/routes?day={}&state=current", before["day"].as_str().unwrap());
        let old = json!(office.all(&old).await).to_string();
        assert!(!old.contains(&format!("\"visit_id\":{},", after["id"])), "{old}");

        office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
        let mails = season.mail_to(&format!("home-{one}@example.com"));
        assert_eq!(mails.len(), 2, "{kind:?}");
        assert!(text_of(&mails[1]).contains("Como nos pidió"), "{}", text_of(&mails[1]));
        let told: Vec<Value> = office.all("/api/v1/notices?kind=slot-changed").await;
        assert_eq!(told.len(), 1, "nobody else is told: {told:?}");
        let answer = office.all("/api/v1/answers").await.pop().unwrap();
        assert_eq!(
            (&answer["what"], &answer["detail"]["day"]),
            (&json!("another-slot"), &json!(day))
        );
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn links_that_the_office_takes_back_open_nothing_and_later_ones_do() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let homes = told(&season, &office).await;
        let (home, link) = &homes[0];
        let visit = visit_at(&office, *home).await;
        let contact = format!("/api/v1/contacts?site_id={}", visit["site_id"]);
        let contact = office.all(&contact).await.remove(0)["id"].clone();
        let household = daemon.client(None);
        assert_eq!(household.get(link).await.status, 200);
        let revoke = format!("/api/v1/contacts/{contact}/link-revocation");
        for generation in [1, 2] {
            let revoked = office.post(&revoke, &json!({})).await.json(200);
            assert_eq!(revoked["generation"], generation);
        }
        assert_eq!(household.get(link).await.status, 403);
        let confirm = format!("answer=yes&day={}", visit["day"].as_str().unwrap());
        assert_eq!(household.post_form(link, &confirm).await.status, 403);
        assert_eq!(visit_at(&office, *home).await["state"], "announced");
        // The other household's link goes on, and the next mail has one that works.
        assert_eq!(household.get(&homes[1].1).await.status, 200);
        let moved = json!({ "state": "placed", "day": "2025-03-12", "technician_id": 1,
            "starts": "13:00:00", "ends": "15:00:00" });
        let path = format!("/api/v1/visits/{}/state-changes", visit["id"]);
        office.post(&path, &moved).await.json(200);
        office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
        let mail = season.mail_to(&format!("home-{home}@example.com")).pop().unwrap();
        let link = link_in(&mail, &format!("{}/a/", season_base()));
        assert_eq!(household.get(link.strip_prefix(&season_base()).unwrap()).await.status, 200);
        assert!(daemon.stop().await);
    }
}

#[tokio::test]
async fn who_chooses_a_slot_after_a_cancellation_has_it_in_writing_and_in_the_calendar() {
    for kind in TestDatabase::KINDS {
        let season = Season::begin(kind).await;
        let (daemon, office) = season.start().await;
        score(&office).await;
        plan_and_adopt(&office).await;
        let (home, _) = told(&season, &office).await.remove(0);
        let before = visit_at(&office, home).await;
        let change = format!("/api/v1/visits/{}/state-changes", before["id"]);
        let away = json!({ "state": "owed", "why": "sick", "told_as": "technician-away" });
        office.post(&change, &away).await.json(200);
        office.post("/api/v1/notices/delivery", &json!({})).await.json(200);
        let mail = season.mail_to(&format!("home-{home}@example.com")).pop().unwrap();
        assert!(text_of(&mail).contains("We will not come"), "{}", text_of(&mail));

        let link = link_in(&mail, &format!("{}/a/", season_base()));
        let link = link.strip_prefix(&season_base()).unwrap();
        let household = daemon.client(None);
        let kept = choices(&household.post_form(link, "answer=other").await.text());
        let chosen = household.post_form(link, &format!("answer=slot-{}", kept[2].0)).await;
        assert_eq!(chosen.status, 303, "{}", chosen.text());
        assert_eq!(visit_at(&office, home).await["state"], "agreed");
        office.post("/api/v1/notices/delivery", &json!({})).await.json(200);
        let mails = season.mail_to(&format!("home-{home}@example.com"));
        assert_eq!(mails.len(), 3, "{kind:?}: told, cancelled, told of the new time");
        let written = text_of(&mails[2]);
        assert!(written.contains("As you asked, we moved your cooling tune-up"), "{written}");
        let calendar = calendar_of(&mails[2]);
        assert!(calendar.contains("METHOD:REQUEST"), "{calendar}");
        assert!(daemon.stop().await);
    }
}
