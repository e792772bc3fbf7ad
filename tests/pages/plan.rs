//! The scheduler plans the season and repairs a sick day, in the browser and without a script.

use fantoccini::Locator;
use harness::browser::Browser;
use harness::eventually;

use crate::demo::Demo;
use crate::first_link;
use crate::look::Look;

const ADOPT: &str = "form[action$='/adopt'] button";

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

/// Presses what leads to another page, and waits for it; gives its address.
async fn follow(browser: &Browser, css: &str) -> String {
    let before = here(browser).await;
    press(browser, css).await;
    eventually("another page", async || {
        let now = here(browser).await;
        (now != before).then_some(now)
    })
    .await
}

/// Presses what comes back to a page that says something else.
async fn press_until(browser: &Browser, css: &str, said: &str) {
    press(browser, css).await;
    eventually(said, async || {
        let main = browser.window.find(Locator::Css("main")).await.ok()?;
        main.text().await.ok()?.contains(said).then_some(())
    })
    .await;
}

/// Composes, looks at the draft day by day, moves a visit, compares, adopts, and mends the plan when
/// somebody is sick.
pub(crate) async fn plans_the_season_and_repairs_a_sick_day(
    office: &Browser,
    demo: &Demo,
    look: &mut Look,
) {
    let list = format!("{}/office/plans", demo.base);
    office.resize(1440, 900).await;
    office.show(&list).await;
    press(office, "option[value=quick]").await;
    let compose = "main form[action='/office/plans'] button";
    press_until(office, compose, "is being composed").await;
    eventually("the draft is there", async || {
        office.show(&list).await;
        words(office).await.contains("is the newest").then_some(())
    })
    .await;
    look.at(office, &list, "office-plans-draft").await;

    let draft = follow(office, ".told.good a").await;
    look.at(office, &draft, "office-plan").await;
    let comparison = first_link(office, "/office/plans/comparison").await;
    look.at(office, &comparison, "office-plans-comparison").await;

    // A day, a visit of it, and another place for that visit with its cost.
    office.show(&draft).await;
    let day = first_link(office, "/days/").await;
    look.at(office, &day, "office-plan-day").await;
    let visit = first_link(office, "/visits/").await;
    office.show(&visit).await;
    let place = first_link(office, "?day=").await;
    look.at(office, &place, "office-plan-visit").await;
    assert!(words(office).await.contains("It costs "), "the cost before it is kept");
    let moved = follow(office, "#tried button").await;
    assert_ne!(moved, draft, "the move is a draft of its own");
    assert!(words(office).await.contains("What it changes"));
    office.show(&draft).await;
    assert!(words(office).await.contains("discarded"));

    office.show(&moved).await;
    press_until(office, ADOPT, ", in force").await;
    assert_eq!(here(office).await, moved);

    // Somebody is sick tomorrow: the repair is looked at as a difference, then adopted.
    office.show(&list).await;
    let repair = follow(office, "form[action='/office/plans/repair'] button").await;
    assert!(words(office).await.contains("What it changes"));
    look.at(office, &repair, "office-plan-repair").await;
    press_until(office, ADOPT, ", in force").await;
}
