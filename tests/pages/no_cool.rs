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

/// Somebody's hands on the keyboard, by the keystroke-level model (Card, Moran and Newell, "The
/// keystroke-level model for user performance time with interactive systems", Communications of the ACM
/// 23, 1980; operator times of its table 1, from memory).
struct Hands<'a> {
    office: &'a Browser,
    keys: usize,
    thoughts: usize,
}

impl Hands<'_> {
    /// One key of an average typist who is no secretary (40 words a minute).
    const KEY_MILLISECONDS: usize = 280;
    /// Making up one's mind before an act.
    const THOUGHT_MILLISECONDS: usize = 1_350;

    async fn go_to(&mut self, css: &str) {
        self.thoughts += 1;
        self.keys += self.office.tab_to(css).await;
    }

    async fn press(&mut self, keys: &str) {
        self.keys += keys.chars().count();
        self.office.keys(keys).await;
    }

    const fn milliseconds(&self) -> usize {
        self.keys * Self::KEY_MILLISECONDS + self.thoughts * Self::THOUGHT_MILLISECONDS
    }
}

/// From the Day page to what is decided, by tabulator, letters, space and return.
pub(crate) async fn takes_a_call_with_the_keyboard(office: &Browser, base: &str, look: &mut Look) {
    office.show(&format!("{base}/office/day")).await;
    let mut hands = Hands { office, keys: 0, thoughts: 0 };
    hands.go_to("form[action='/office/no-cool'] input[type=search]").await;
    hands.press("mesa").await;
    hands.press(ENTER).await;
    shown(office, "Who called").await;
    let found = office.window.current_url().await.unwrap();
    hands.go_to("input[name=site]").await;
    hands.press(" ").await;
    hands.go_to("input[name=person]").await;
    hands.press(" ").await;
    hands.go_to("#words").await;
    hands.press("warm air since noon").await;
    hands.press(ENTER).await;
    shown(office, "Who goes?").await;
    let ways = office.window.current_url().await.unwrap();
    let taken = hands.milliseconds();
    assert!(taken < 60_000, "a call is entered in under a minute, not in {taken} ms");
    look.at(office, found.as_str(), "office-no-cool-homes").await;
    look.at(office, ways.as_str(), "office-no-cool-ways").await;
    office.show(ways.as_str()).await;
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
