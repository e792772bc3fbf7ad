//! A technician's day without signal: the pages are there, entries wait on the phone and are sent
//! once, in order, when the signal is back, even after the session has ended.

use fantoccini::{Client as Window, Locator};
use harness::browser::Browser;
use harness::{Client, eventually};
use serde_json::Value;

use crate::demo::Demo;
use crate::sign_in_at;
use crate::signal::Signal;

/// What stands in the box of waiting entries; nothing when it is not shown.
pub(crate) async fn waiting(window: &Window) -> Option<String> {
    let shown = window.find(Locator::Css("#waiting:not([hidden])")).await.ok()?;
    shown.text().await.ok()
}

pub(crate) async fn is_kept(window: &Window, path: &str) -> bool {
    let script = "const [path, done] = arguments; caches.match(path).then(kept => done(!!kept))";
    let found = window.execute_async(script, vec![path.into()]).await;
    found.is_ok_and(|found| found == Value::Bool(true))
}

/// Types a reading into the first capacitor's meter field.
pub(crate) async fn enter_reading(window: &Window, microfarads: &str) {
    let field = window.find(Locator::Css("input[name$='.main.uf']")).await.unwrap();
    field.clear().await.unwrap();
    field.send_keys(microfarads).await.unwrap();
}

pub(crate) async fn press(window: &Window, css: &str) {
    window.find(Locator::Css(css)).await.unwrap().click().await.unwrap();
}

pub(crate) const KEEP: &str = "button[name=finish][value=no]";

pub(crate) async fn results(office: &Client, visit: &str) -> Vec<Value> {
    office.all(&format!("/api/v1/visits/{visit}/results")).await
}

#[tokio::test]
async fn a_day_without_signal_loses_nothing_and_sends_everything_once() {
    let demo = Demo::start().await;
    let mut signal = Signal::to(demo.address()).await;
    let base = signal.base();
    let office = Client::new(&demo.base, Some(&demo.token("office")));
    let (token, day) = demo.shown_route();
    let phone = Browser::open(360, 740).await;
    let window = &phone.window;
    sign_in_at(&phone, &base, &token).await;
    let today = format!("{base}/technician/today?day={day}");
    phone.show(&today).await;
    let check = crate::first_link(&phone, "/technician/visit/").await;
    let path = check.strip_prefix(&base).unwrap().to_owned();
    let visit = path.rsplit('/').next().unwrap().to_owned();
    eventually("the phone keeps the next stop's form", async || {
        is_kept(window, &path).await.then_some(())
    })
    .await;

    // No signal: the day and the form are there, the reading is judged, the entry waits.
    signal.cut().await;
    phone.show(&today).await;
    assert!(window.title().await.unwrap().contains(':'), "the day is there");
    phone.show(&check).await;
    enter_reading(window, "1").await;
    let verdict = window.find(Locator::Css("[data-verdict=out]:not([hidden])")).await.unwrap();
    assert!(verdict.text().await.unwrap().contains("out"), "the phone says at once what it means");
    // Typed and not sent off: a reload, as after an empty battery, brings it back.
    phone.show(&check).await;
    let field = window.find(Locator::Css("input[name$='.main.uf']")).await.unwrap();
    eventually("what was typed is back", async || {
        (field.prop("value").await.unwrap().as_deref() == Some("1")).then_some(())
    })
    .await;
    press(window, KEEP).await;
    let said = eventually("the entry waits", async || waiting(window).await).await;
    assert!(said.contains("1 on this phone") && said.contains("when there is signal"), "{said}");
    assert!(said.contains(": 1 part"), "what waits is told: {said}");
    eventually("the form is empty for what is entered next", async || {
        let told = waiting(window).await?.contains("Kept on this phone");
        (told && field.prop("value").await.unwrap().as_deref() == Some("")).then_some(())
    })
    .await;
    let faults = phone.accessibility_faults().await;
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    phone.whole_picture("technician-without-signal-360").await;
    phone.show(&check).await;
    enter_reading(window, "2").await;
    press(window, KEEP).await;
    eventually("both entries wait", async || {
        waiting(window).await.filter(|said| said.contains("2 on this phone"))
    })
    .await;
    assert!(results(&office, &visit).await.is_empty(), "nothing can have come through");

    // The session ends meanwhile. With the signal back the phone asks to sign in and keeps both.
    window.delete_all_cookies().await.unwrap();
    signal.restore().await;
    press(window, "#waiting button:not(.quiet)").await;
    eventually("the phone asks to sign in", async || {
        waiting(window).await.filter(|said| said.contains("sign in again"))
    })
    .await;
    assert!(results(&office, &visit).await.is_empty());
    sign_in_at(&phone, &base, &token).await;
    phone.show(&today).await;
    eventually("both entries are with the office", async || {
        (results(&office, &visit).await.len() == 2).then_some(())
    })
    .await;
    eventually("nothing waits", async || waiting(window).await.is_none().then_some(())).await;
    let kept: Vec<f64> = results(&office, &visit)
        .await
        .iter()
        .map(|result| result["payload"]["readings"][0]["microfarads"].as_f64().unwrap())
        .collect();
    assert_eq!(kept, [1.0, 2.0], "in the order in which they were made");

    // What the service refuses stays on the phone with the reason.
    signal.cut().await;
    phone.show(&check).await;
    enter_reading(window, "not a number").await;
    press(window, KEEP).await;
    eventually("the entry waits", async || waiting(window).await).await;
    signal.restore().await;
    press(window, "#waiting button:not(.quiet)").await;
    let said = eventually("the refusal is told", async || {
        waiting(window).await.filter(|said| said.contains("is no number"))
    })
    .await;
    assert!(said.contains("Mend it"), "{said}");
    assert_eq!(results(&office, &visit).await.len(), 2);
    press(window, "#waiting li a").await;
    eventually("the form is filled with what was refused", async || {
        let field = window.find(Locator::Css("input[name$='.main.uf']")).await.ok()?;
        (field.prop("value").await.ok()?.as_deref() == Some("not a number")).then_some(())
    })
    .await;
    enter_reading(window, "3").await;
    press(window, KEEP).await;
    eventually("the mended entry is with the office", async || {
        (results(&office, &visit).await.len() == 3).then_some(())
    })
    .await;
    phone.close().await;
}
