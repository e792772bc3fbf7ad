//! The telephone rings: the office takes a no-cool call without touching the mouse.

use fantoccini::Locator;
use harness::browser::Browser;
use harness::eventually;
use harness::keyboard::ENTER;

use crate::look::Look;

async fn main_text(browser: &Browser) -> Option<String> {
    browser.window.find(Locator::Css("main")).await.ok()?.text().await.ok()
}

async fn shown(browser: &Browser, said: &str) {
    eventually(said, async || main_text(browser).await.filter(|text| text.contains(said))).await;
}

/// From the Day page to what is decided, by tabulator, letters, space and return.
pub(crate) async fn takes_a_call_with_the_keyboard(office: &Browser, base: &str, look: &mut Look) {
    office.show(&format!("{base}/office/day")).await;
    office.tab_to("form[action='/office/no-cool'] input[type=search]").await;
    office.keys("mesa").await;
    office.keys(ENTER).await;
    shown(office, "Who called").await;
    let found = office.window.current_url().await.unwrap();
    look.at(office, found.as_str(), "office-no-cool-homes").await;
    office.tab_to("input[name=site]").await;
    office.keys(" ").await;
    office.tab_to("#words").await;
    office.keys("warm air since noon").await;
    office.keys(ENTER).await;
    shown(office, "Who goes?").await;
    let ways = office.window.current_url().await.unwrap();
    look.at(office, ways.as_str(), "office-no-cool-ways").await;
    // The plan begins next week: nobody can go today or tomorrow, which the page says.
    office.tab_to("#none").await;
    office.keys(" ").await;
    office.tab_to("#why").await;
    office.keys("the breaker had tripped; it cools again").await;
    office.keys(ENTER).await;
    let after = eventually("another page", async || {
        let said = main_text(office).await?;
        (!said.contains("Who goes?")).then_some(said)
    })
    .await;
    let here = office.window.current_url().await.unwrap();
    assert_eq!(here.path(), "/office/day", "{after}");
    office.show(ways.as_str()).await;
    shown(office, "This call is decided").await;
    look.at(office, ways.as_str(), "office-no-cool-decided").await;
}
