//! The pages of the demo in a real browser, as the three people see them: nothing runs out of the
//! window, nothing that axe-core finds wrong, and a picture of each in tests/shots.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "an assumption that fails is a failed test"
)]

mod demo;
mod import;
mod look;
mod no_cool;
mod offline;
mod offline_work;
mod plan;
mod signal;
mod states;
mod walk;

use demo::Demo;
use fantoccini::Locator;
use harness::browser::Browser;
use harness::eventually;
use look::Look;

async fn sign_in(browser: &Browser, demo: &Demo, token: &str) {
    sign_in_at(browser, &demo.base, token).await;
}

async fn sign_in_at(browser: &Browser, base: &str, token: &str) {
    browser.show(&format!("{base}/sign-in")).await;
    let window = &browser.window;
    window.find(Locator::Id("token")).await.unwrap().send_keys(token).await.unwrap();
    let button = Locator::Css("form button[type=submit]");
    window.find(button).await.unwrap().click().await.unwrap();
    eventually("the token signs in", async || {
        let here = window.current_url().await.unwrap();
        (!here.path().starts_with("/sign-in")).then_some(())
    })
    .await;
}

async fn first_link(browser: &Browser, part: &str) -> String {
    let css = format!("a[href*='{part}']");
    let link = browser.window.find(Locator::Css(&css)).await;
    let link = link.unwrap_or_else(|_| panic!("no link to {part}"));
    let path = link.attr("href").await.unwrap().unwrap();
    let here = browser.window.current_url().await.unwrap();
    here.join(&path).unwrap().to_string()
}

/// Every kind of page that the office reaches by links in the demo.
const OFFICE_PAGES: [&str; 22] = [
    "/office/day",
    "/office/import",
    "/office/no-cool",
    "/office/parts/*",
    "/office/plans",
    "/office/plans/*",
    "/office/plans/*/days/*",
    "/office/plans/*/visits/*",
    "/office/proof",
    "/office/rehearsal",
    "/office/risk",
    "/office/season",
    "/office/settings",
    "/office/settings/accounts",
    "/office/settings/accounts/*",
    "/office/settings/calendar",
    "/office/settings/notices",
    "/office/settings/notices/*/*",
    "/office/settings/records",
    "/office/settings/technicians",
    "/office/settings/technicians/*",
    "/office/weather",
];

/// Every kind of page that a technician reaches.
const TECHNICIAN_PAGES: [&str; 2] = ["/technician/today", "/technician/visit/*"];

#[tokio::test]
async fn every_page_fits_every_window_and_can_be_used_by_everybody() {
    let demo = Demo::start().await;
    let mut look = Look::default();
    let base = &demo.base;

    let household = Browser::open(360, 740).await;
    look.at(&household, &format!("{base}/sign-in"), "sign-in").await;
    look.at(&household, &demo.link("/a/").await, "household-answer").await;
    look.at(&household, &demo.link("/stop/").await, "household-stop").await;
    look.at(&household, &format!("{base}/a/not-a-link"), "household-bad-link").await;
    household.close().await;

    let office = Browser::open(1440, 900).await;
    sign_in(&office, &demo, &demo.token("office")).await;
    let start = format!("{base}/office/season");
    walk::every_kind_of_page(&office, &start, "", &OFFICE_PAGES, &mut look).await;
    let (technician_token, day) = demo.shown_route();
    look.at(&office, &format!("{base}/office/day?day={day}"), "office-day").await;
    look.at(&office, &format!("{base}/office/sites?words=mesa"), "office-homes").await;
    office.close().await;

    let technician = Browser::open(360, 740).await;
    sign_in(&technician, &demo, &technician_token).await;
    let today = format!("{base}/technician/today?day={day}");
    walk::every_kind_of_page(&technician, &today, "", &TECHNICIAN_PAGES, &mut look).await;
    technician.resize(360, 1_300).await;
    technician.show(&today).await;
    technician.picture("technician-next-stop").await;
    technician.close().await;

    // Last, since the days of everybody are others afterwards.
    let office = Browser::open(1440, 900).await;
    sign_in(&office, &demo, &demo.token("office")).await;
    no_cool::takes_a_call_with_the_keyboard(&office, base, &mut look).await;
    plan::plans_the_season_and_repairs_a_sick_day(&office, &demo, &mut look).await;
    office.close().await;
    look.end();
}
