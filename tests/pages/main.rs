//! The pages of the demo in a real browser, as the three people see them: nothing runs out of the
//! window, nothing that axe-core finds wrong, and a picture of each in tests/shots.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "an assumption that fails is a failed test"
)]

mod demo;
mod offline;
mod offline_work;
mod plan;
mod signal;

use demo::Demo;
use fantoccini::Locator;
use harness::browser::Browser;
use harness::eventually;

/// A telephone, a tablet and a desk (CSS pixels).
const SIZES: [(u32, u32); 3] = [(360, 740), (768, 1024), (1440, 900)];

/// Looks at a page at every size and says what is wrong with it.
async fn look(browser: &Browser, url: &str, name: &str, faults: &mut Vec<String>) {
    for (width, height) in SIZES {
        browser.resize(width, height).await;
        browser.show(url).await;
        let title = browser.window.title().await.unwrap();
        if title.trim().is_empty() {
            faults.push(format!("{name}: no title"));
        }
        let overflow = browser.sideways_overflow().await;
        if overflow > 0 {
            faults.push(format!("{name} at {width}: {overflow} px too wide"));
        }
        let found = browser.accessibility_faults().await;
        faults.extend(found.iter().map(|fault| format!("{name} at {width}: {fault}")));
        browser.whole_picture(&format!("{name}-{width}"), width).await;
    }
}

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

#[tokio::test]
async fn every_page_fits_every_window_and_can_be_used_by_everybody() {
    let demo = Demo::start().await;
    let mut faults = Vec::new();
    let base = &demo.base;

    let household = Browser::open(360, 740).await;
    look(&household, &format!("{base}/sign-in"), "sign-in", &mut faults).await;
    look(&household, &demo.link("/a/").await, "household-answer", &mut faults).await;
    look(&household, &demo.link("/stop/").await, "household-stop", &mut faults).await;
    look(&household, &format!("{base}/a/not-a-link"), "household-bad-link", &mut faults).await;
    household.close().await;

    let office = Browser::open(1440, 900).await;
    sign_in(&office, &demo, &demo.token("office")).await;
    let (technician_token, day) = demo.shown_route();
    for (path, name) in [
        ("/office/season".to_owned(), "office-season"),
        ("/office/weather".to_owned(), "office-weather"),
        ("/office/risk".to_owned(), "office-risk"),
        ("/office/plans".to_owned(), "office-plans"),
        ("/office/rehearsal".to_owned(), "office-rehearsal"),
        ("/office/proof".to_owned(), "office-proof"),
        (format!("/office/day?day={day}"), "office-day"),
    ] {
        look(&office, &format!("{base}{path}"), name, &mut faults).await;
    }
    office.show(&format!("{base}/office/risk")).await;
    let part = first_link(&office, "/office/parts/").await;
    look(&office, &part, "office-part", &mut faults).await;
    office.show(&part).await;
    let home = first_link(&office, "/office/sites/").await;
    look(&office, &home, "office-home", &mut faults).await;
    look(&office, &format!("{base}/office/sites?words=mesa"), "office-homes", &mut faults).await;
    office.close().await;

    let technician = Browser::open(360, 740).await;
    sign_in(&technician, &demo, &technician_token).await;
    let today = format!("{base}/technician/today?day={day}");
    look(&technician, &today, "technician-today", &mut faults).await;
    technician.resize(360, 1_300).await;
    technician.show(&today).await;
    technician.picture("technician-next-stop").await;
    let visit = first_link(&technician, "/technician/visit/").await;
    look(&technician, &visit, "technician-check", &mut faults).await;
    technician.close().await;

    // Last, since the days of everybody are others afterwards.
    let office = Browser::open(1440, 900).await;
    sign_in(&office, &demo, &demo.token("office")).await;
    plan::plans_the_season_and_repairs_a_sick_day(&office, &demo, &mut faults).await;
    office.close().await;

    assert!(faults.is_empty(), "{} faults:\n{}", faults.len(), faults.join("\n"));
}
