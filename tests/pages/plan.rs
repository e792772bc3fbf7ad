//! The scheduler plans the season and repairs a sick day, in the browser and without a script.

use fantoccini::Locator;
use harness::browser::Browser;
use harness::eventually;

use crate::demo::Demo;
use crate::{first_link, look};

async fn press(browser: &Browser, css: &str) {
    let button = browser.window.find(Locator::Css(css)).await;
    button.unwrap_or_else(|_| panic!("no {css}")).click().await.unwrap();
}

async fn here(browser: &Browser) -> String {
    browser.window.current_url().await.unwrap().to_string()
}

async fn words(browser: &Browser) -> String {
    browser.window.find(Locator::Css("main")).await.unwrap().text().await.unwrap()
}

/// The last figure of an address, such as a plan's number.
async fn number_in_address(browser: &Browser) -> String {
    here(browser).await.rsplit('/').next().unwrap().to_owned()
}

/// Composes, looks at the draft day by day, moves a visit, compares, adopts, and mends the plan when
/// somebody is sick.
pub(crate) async fn plans_the_season_and_repairs_a_sick_day(
    office: &Browser,
    demo: &Demo,
    faults: &mut Vec<String>,
) {
    let list = format!("{}/office/plans", demo.base);
    office.resize(1440, 900).await;
    office.show(&list).await;
    press(office, "option[value=quick]").await;
    press(office, "main form[action='/office/plans'] button").await;
    assert!(words(office).await.contains("is being composed"), "it goes on beside the page");
    eventually("the draft is there", async || {
        office.show(&list).await;
        words(office).await.contains("is the newest").then_some(())
    })
    .await;
    look(office, &list, "office-plans-draft", faults).await;

    press(office, ".told.good a").await;
    let draft = here(office).await;
    look(office, &draft, "office-plan", faults).await;
    let comparison = first_link(office, "/office/plans/comparison").await;
    look(office, &comparison, "office-plans-comparison", faults).await;

    // A day, a visit of it, and another place for that visit with its cost.
    office.show(&draft).await;
    let day = first_link(office, "/days/").await;
    look(office, &day, "office-plan-day", faults).await;
    let visit = first_link(office, "/visits/").await;
    office.show(&visit).await;
    let place = first_link(office, "?day=").await;
    look(office, &place, "office-plan-visit", faults).await;
    assert!(words(office).await.contains("It costs "), "the cost before it is kept");
    press(office, "#tried button").await;
    let moved = here(office).await;
    assert_ne!(moved, draft, "the move is a draft of its own");
    assert!(
        words(office).await.contains("1 household on another day")
            || words(office).await.contains("1 with another person")
    );
    office.show(&draft).await;
    assert!(words(office).await.contains("discarded"));

    office.show(&moved).await;
    press(office, "form[action$='/adopt'] button").await;
    assert_eq!(here(office).await, moved);
    assert!(words(office).await.contains("in force"));

    // Somebody is sick tomorrow: the repair is looked at as a difference, then adopted.
    office.show(&list).await;
    press(office, "form[action='/office/plans/repair'] button").await;
    let repair = here(office).await;
    assert_ne!(number_in_address(office).await, "repair", "{repair}");
    assert!(words(office).await.contains("What it changes"));
    look(office, &repair, "office-plan-repair", faults).await;
    press(office, "form[action$='/adopt'] button").await;
    assert!(words(office).await.contains("in force"));
}
