//! The homeowner's story in a browser that runs no scripts: the mail, its link, another time, a call, the
//! end of the mail, the report after the visit; in both languages.

use std::fmt::Write as _;

use fantoccini::Locator;
use harness::browser::Browser;
use harness::html::HtmlSources;
use harness::{Client, eventually};
use hotspell_test_support::DatabaseKind;
use serde_json::{Value, json};

use crate::season_loop::{Season, files, link_in, plan_and_adopt, score, season_base, text_of};
use crate::slots::{told, visit_at};

/// A telephone, a tablet and a desk (CSS pixels).
const WIDTHS: [u32; 3] = [360, 768, 1440];

/// What the pages say in one language.
struct Said {
    name: &'static str,
    why: &'static str,
    kept: &'static str,
    moved: &'static str,
    gone: &'static str,
    call: &'static str,
    stopped: &'static str,
    reading: &'static str,
}

const ENGLISH: Said = Said {
    name: "en",
    why: "before the hot weeks begin",
    kept: "for 15 minutes",
    moved: "moved and agreed",
    gone: "no longer free",
    call: "call you",
    stopped: "The mails are stopped",
    reading: "44.1",
};

const SPANISH: Said = Said {
    name: "es",
    why: "semanas de calor",
    kept: "durante 15 minutos",
    moved: "La visita queda cambiada y confirmada",
    gone: "ya no está libre",
    call: "Le llamaremos",
    stopped: "Ya no recibirá correos",
    reading: "44.1",
};

/// Homes with an even number speak Spanish.
fn files_in_two_languages() -> Vec<(&'static str, String)> {
    let mut given = files();
    let sites = given.iter_mut().find(|(name, _)| *name == "sites").unwrap();
    let mut lines = sites.1.lines();
    let mut text = format!("{},language\n", lines.next().unwrap());
    for (home, line) in lines.enumerate() {
        let language = if home.is_multiple_of(2) { "es" } else { "en" };
        writeln!(text, "{line},{language}").unwrap();
    }
    sites.1 = text;
    given
}

/// Looks at pages: in the household's browser for their look, in one with scripts by axe-core, and at what
/// was sent by the Nu HTML checker.
struct Looker {
    eyes: Browser,
    sources: HtmlSources,
    faults: Vec<String>,
}

impl Looker {
    async fn look(&mut self, browser: &Browser, said: &Said, name: &str) {
        // An answer to a form cannot be asked for again: the checker gets what the browser made of it.
        let source = browser.window.source().await.unwrap();
        let source = format!("<!DOCTYPE html>{source}");
        self.sources.keep(&format!("{}-{name}", said.name), source);
        self.eyes.copy_of(browser).await;
        for width in WIDTHS {
            let name = format!("story-{}-{name}-{width}", said.name);
            self.eyes.resize(width, 800).await;
            let found = self.eyes.accessibility_faults().await;
            self.faults.extend(found.iter().map(|fault| format!("{name}: {fault}")));
            browser.resize(width, 800).await;
            let overflow = browser.sideways_overflow().await;
            self.faults.extend(overflow.map(|fault| format!("{name}: {fault}")));
            browser.whole_picture(&name).await;
        }
        browser.resize(360, 800).await;
    }
}

async fn text(browser: &Browser) -> String {
    let main = browser.window.find(Locator::Css("main")).await.unwrap();
    main.text().await.unwrap()
}

async fn expect(browser: &Browser, words: &str) {
    let said = text(browser).await;
    assert!(said.to_lowercase().contains(&words.to_lowercase()), "«{words}» is not in: {said}");
    // Nobody is frightened, and nobody is told to open anything.
    for word in ["urgent", "danger", "open the cabinet", "urgente", "peligro", "abra"] {
        assert!(!said.to_lowercase().contains(word), "«{word}» in: {said}");
    }
}

async fn choose(browser: &Browser, css: &str) {
    browser.window.find(Locator::Css(css)).await.unwrap().click().await.unwrap();
    browser.press_and_wait("form.answer button[type=submit]").await;
}

#[tokio::test]
async fn a_household_does_everything_by_its_mail_without_scripts() {
    let season = Season::begin_with(DatabaseKind::Sqlite, files_in_two_languages()).await;
    let (daemon, office) = season.start().await;
    score(&office).await;
    plan_and_adopt(&office).await;
    let homes = told(&season, &office).await;
    let household = Browser::open_without_scripts(360, 800).await;
    let eyes = Browser::open(360, 800).await;
    let mut looker = Looker { eyes, sources: HtmlSources::default(), faults: Vec::new() };
    for (said, rest) in [(&ENGLISH, 1), (&SPANISH, 0)] {
        let mut speaking = homes.iter().filter(|(home, _)| home % 2 == rest);
        let (one, other) = (speaking.next().unwrap(), speaking.next().unwrap());
        let link = |path: &str| format!("{}{path}", daemon.base);
        household.show(&link(&one.1)).await;
        expect(&household, said.why).await;
        looker.look(&household, said, "visit").await;
        choose_another_slot(&household, &office, said, one, &link(&other.1), &mut looker).await;
        at_the_technicians(&season, &daemon.base, &office, one.0).await;
        ask_for_a_call(&household, &office, said, other.0, &link(&other.1), &mut looker).await;
        read_the_report(&season, &office, said, one.0).await;
        stop_the_mail(&season, &household, &daemon.base, said, other.0, &mut looker).await;
    }
    household.close().await;
    let Looker { eyes, sources, mut faults } = looker;
    faults.extend(sources.faults());
    eyes.close().await;
    assert!(daemon.stop().await);
    assert!(faults.is_empty(), "{} faults:\n{}", faults.len(), faults.join("\n"));
}

/// «Another time» shows three slots that nobody else gets; one of them is taken.
async fn choose_another_slot(
    browser: &Browser,
    office: &Client,
    said: &Said,
    (home, path): &(usize, String),
    neighbour: &str,
    looker: &mut Looker,
) {
    let before = visit_at(office, *home).await;
    choose(browser, "#other").await;
    expect(browser, said.kept).await;
    let slots = browser.window.find_all(Locator::Css("input[value^=slot-]")).await.unwrap();
    assert_eq!(slots.len(), 3, "{}", text(browser).await);
    let chosen = slots[0].attr("value").await.unwrap().unwrap();
    looker.look(browser, said, "offers").await;
    assert_eq!(visit_at(office, *home).await, before, "nothing has moved yet");

    // A neighbour's page, even with the number of that slot put into it, does not get it.
    let page = browser.window.current_url().await.unwrap();
    let mine = browser.window.window().await.unwrap();
    let tab = browser.window.new_window(true).await.unwrap();
    browser.window.switch_to_window(tab.handle).await.unwrap();
    browser.show(neighbour).await;
    let script = "document.querySelector('#other').value = arguments[0]";
    browser.window.execute(script, vec![json!(chosen)]).await.unwrap();
    choose(browser, "#other").await;
    expect(browser, said.gone).await;
    looker.look(browser, said, "gone").await;
    browser.window.close_window().await.unwrap();
    browser.window.switch_to_window(mine).await.unwrap();
    assert_eq!(browser.window.current_url().await.unwrap(), page);

    choose(browser, &format!("input[value={chosen}]")).await;
    expect(browser, said.moved).await;
    assert!(browser.window.current_url().await.unwrap().path().ends_with(path));
    looker.look(browser, said, "moved").await;
    let after = visit_at(office, *home).await;
    assert_eq!(after["state"], "agreed", "{after}");
    assert_ne!((&after["day"], &after["starts"]), (&before["day"], &before["starts"]));
}

/// The technician who comes has the home on the page of the new day.
async fn at_the_technicians(season: &Season, base: &str, office: &Client, home: usize) {
    let visit = visit_at(office, home).await;
    let browser = Browser::open_without_scripts(360, 800).await;
    browser.show(&format!("{base}/sign-in")).await;
    let field = browser.window.find(Locator::Id("token")).await.unwrap();
    field.send_keys(&season.office_token).await.unwrap();
    browser.press_and_wait("form button[type=submit]").await;
    let (day, technician) = (visit["day"].as_str().unwrap(), &visit["technician_id"]);
    browser.show(&format!("{base}/technician/today?day={day}&technician={technician}")).await;
    let said = text(&browser).await;
    assert!(said.contains(&format!("Home {home}")), "{said}");
    browser.close().await;
}

async fn ask_for_a_call(
    browser: &Browser,
    office: &Client,
    said: &Said,
    home: usize,
    link: &str,
    looker: &mut Looker,
) {
    browser.show(link).await;
    choose(browser, "#call").await;
    expect(browser, said.call).await;
    looker.look(browser, said, "call").await;
    let visit = visit_at(office, home).await;
    let answers = office.all("/api/v1/answers").await;
    let asked = answers.iter().filter(|answer| answer["visit_id"] == visit["id"]);
    assert!(asked.clone().any(|answer| answer["what"] == "call-me"), "{answers:?}");
}

/// After the visit a mail says what was measured and what it means.
async fn read_the_report(season: &Season, office: &Client, said: &Said, home: usize) {
    let visit = visit_at(office, home).await;
    let site = &visit["site_id"];
    let parts = office.all(&format!("/api/v1/components?site_id={site}&in_service=true")).await;
    let result = json!({
        "key": format!("story-{home}"), "day": "2025-02-17",
        "technician_id": visit["technician_id"], "replacements": [], "complete": true,
        "readings": [{ "component_id": parts[0]["id"], "microfarads": 44.1, "conditions": [] }]
    });
    office.post(&format!("/api/v1/visits/{}/results", visit["id"]), &result).await.json(201);
    office.post("/api/v1/notices/delivery", &json!({ "limit": 1000 })).await.json(200);
    let address = format!("home-{home}@example.com");
    let report = eventually("the report arrives", async || {
        season.mail_to(&address).into_iter().find(|mail| text_of(mail).contains(said.reading))
    })
    .await;
    assert!(text_of(&report).contains("45"), "the rated value beside it: {}", text_of(&report));
}

/// One tap in the mail, one on the page.
async fn stop_the_mail(
    season: &Season,
    browser: &Browser,
    base: &str,
    said: &Said,
    home: usize,
    looker: &mut Looker,
) {
    let mail = season.mail_to(&format!("home-{home}@example.com")).remove(0);
    let link = link_in(&mail, &format!("{}/stop/", season_base()));
    browser.show(&link.replace(&season_base(), base)).await;
    looker.look(browser, said, "stop").await;
    browser.press_and_wait("main form button[type=submit]").await;
    expect(browser, said.stopped).await;
    looker.look(browser, said, "stopped").await;
    let client = Client::new(base, Some(&season.office_token));
    let visit = visit_at(&client, home).await;
    let contacts = client.all(&format!("/api/v1/contacts?site_id={}", visit["site_id"])).await;
    assert_ne!(contacts[0]["stopped_at"], Value::Null, "{contacts:?}");
}
