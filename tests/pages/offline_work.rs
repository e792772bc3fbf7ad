//! A visit worked without signal: photos, a replacement with a rating that may not go in, what was used,
//! a return visit. All of it waits on the phone and comes to the office once.

use std::path::{Path, PathBuf};

use fantoccini::{Client as Window, Locator};
use harness::browser::Browser;
use harness::{Client, eventually};
use serde_json::Value;

use crate::demo::Demo;
use crate::offline::{KEEP, is_kept, press, results, waiting};
use crate::sign_in_at;
use crate::signal::Signal;

/// The first bytes of a PNG file (ISO/IEC 15948, section 5.2), then whatever makes each its own.
fn picture(folder: &Path, name: &str, length: usize) -> PathBuf {
    let mut content = b"\x89PNG\r\n\x1A\n".to_vec();
    content.extend(name.bytes());
    content.resize(length, 0);
    let path = folder.join(name);
    std::fs::write(&path, content).unwrap();
    path
}

async fn fill(window: &Window, css: &str, text: &str) {
    let field = window.find(Locator::Css(css)).await.unwrap_or_else(|_| panic!("no {css}"));
    field.clear().await.unwrap();
    field.send_keys(text).await.unwrap();
}

async fn choose(window: &Window, css: &str, value: &str) {
    window.find(Locator::Css(css)).await.unwrap().select_by_value(value).await.unwrap();
}

async fn take_photo(window: &Window, file: &Path) {
    let input = window.find(Locator::Id("photo")).await.unwrap();
    input.send_keys(file.to_str().unwrap()).await.unwrap();
}

async fn shown(window: &Window, css: &str) -> Option<String> {
    window.find(Locator::Css(&format!("{css}:not([hidden])"))).await.ok()?.text().await.ok()
}

async fn unfold_all(window: &Window) {
    let script = "document.querySelectorAll('form.check details').forEach(it => it.open = true)";
    window.execute(script, Vec::new()).await.unwrap();
}

/// Replaces the first capacitor by one that may not go in: told at once, not kept; then by one that may.
async fn replace_the_first_capacitor(phone: &Browser) {
    let window = &phone.window;
    let rating = window.find(Locator::Css("input[data-fits]")).await.unwrap();
    let name = rating.attr("name").await.unwrap().unwrap();
    let fits = rating.attr("data-fits").await.unwrap().unwrap();
    let part = name.strip_suffix(".rating").unwrap();
    fill(window, &format!("input[name='{part}.main.uf']"), "1").await;
    choose(window, &format!("select[name='{part}.replaced']"), "failed").await;
    fill(window, &format!("input[name='{name}']"), "3 uF 370 V").await;
    let refused = shown(window, "[data-misfit]").await.expect("the misfit is told at once");
    assert!(refused.contains("may not go in") && refused.contains("only the office"), "{refused}");
    let faults = phone.accessibility_faults().await;
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    phone.whole_picture("technician-wrong-rating-360").await;
    phone.resize(360, 740).await;
    press(window, KEEP).await;
    assert_eq!(waiting(window).await, None, "a rating that may not go in is not kept");
    // As it is typed on a phone: a Greek letter, no spaces.
    let typed = fits.split('|').next_back().unwrap().replace(" uF ", "µF ").replace(" V", "V");
    fill(window, &format!("input[name='{name}']"), &typed).await;
    assert_eq!(shown(window, "[data-misfit]").await, None);
}

#[tokio::test]
async fn work_without_signal_comes_to_the_office_once_with_its_photos() {
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
    let photos_path = format!("/api/v1/visits/{visit}/photos");
    eventually("the phone keeps the next stop's form", async || {
        is_kept(window, &path).await.then_some(())
    })
    .await;

    // In the morning the truck is loaded where there is no signal: ticks stay.
    signal.cut().await;
    phone.show(&today).await;
    press(window, "input[data-tick]").await;
    phone.show(&today).await;
    eventually("the tick is still there", async || {
        let tick = window.find(Locator::Css("input[data-tick]")).await.ok()?;
        tick.is_selected().await.ok()?.then_some(())
    })
    .await;

    phone.show(&check).await;
    eventually("photos can be taken", async || shown(window, "[data-photos]").await).await;
    unfold_all(window).await;
    replace_the_first_capacitor(&phone).await;
    choose(window, "select[name='used0.class']", "contactor").await;
    fill(window, "input[name='used0.quantity']", "2").await;
    fill(window, "input[name='again.reason']", "clean the coil").await;
    let folder = tempfile::tempdir().unwrap();
    let fine = picture(folder.path(), "label.png", 4_000);
    take_photo(window, &fine).await;
    eventually("the photo waits", async || {
        waiting(window).await.filter(|said| said.contains("photo taken"))
    })
    .await;
    take_photo(window, &picture(folder.path(), "large.png", 8 * 1024 * 1024 + 1)).await;
    let refused = eventually("the size is refused", async || shown(window, "[data-refused]").await);
    assert!(refused.await.contains("8.4 MB; a photo may have 8.4 MB"));
    let text = folder.path().join("words.png");
    std::fs::write(&text, "no picture").unwrap();
    take_photo(window, &text).await;
    press(window, KEEP).await;
    eventually("all of it waits", async || {
        waiting(window).await.filter(|said| said.contains("3 on this phone"))
    })
    .await;
    let faults = phone.accessibility_faults().await;
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    phone.whole_picture("technician-work-waits-360").await;
    phone.resize(360, 740).await;

    // The battery is empty and the session ends; nothing is lost.
    window.delete_all_cookies().await.unwrap();
    phone.show(&check).await;
    eventually("it still waits", async || {
        waiting(window).await.filter(|said| said.contains("3 on this phone"))
    })
    .await;
    assert!(results(&office, &visit).await.is_empty());
    signal.restore().await;
    sign_in_at(&phone, &base, &token).await;
    phone.show(&check).await;
    // Refused while what waits behind it is still on its way: only the end of the sending is looked at.
    let left = eventually("all but the picture that is none is with the office", async || {
        waiting(window)
            .await
            .filter(|said| said.contains("JPEG, PNG or WebP") && said.contains("1 on this phone"))
    })
    .await;
    assert!(left.contains("Throw away"), "{left}");

    let kept = results(&office, &visit).await;
    assert_eq!(kept.len(), 1, "{kept:?}");
    assert_said(&kept[0]["payload"]);
    let photos = office.all(&photos_path).await;
    assert_eq!((photos.len(), &photos[0]["size_bytes"]), (1, &Value::from(4_000)), "{photos:?}");
    let returns = office.all("/api/v1/visits?kind=return-visit").await;
    let wanted = returns.iter().filter(|visit| visit["reason"] == "clean the coil").count();
    assert_eq!(wanted, 1, "{returns:?}");

    // The same picture again is the same photo; the page shows it.
    take_photo(window, &fine).await;
    let said =
        eventually("the photo is with the office", async || shown(window, "[data-sent]").await);
    assert!(said.await.contains("1 photo is with the office"));
    assert_eq!(office.all(&photos_path).await.len(), 1);
    phone.show(&format!("{check}/result")).await;
    assert!(crate::first_link(&phone, "/photos/").await.contains(&visit));
    phone.whole_picture("technician-result-360").await;
    phone.close().await;
}

/// What the office has of the visit's work.
fn assert_said(payload: &Value) {
    let (reading, replacement) = (&payload["readings"][0], &payload["replacements"][0]);
    assert_eq!(reading["microfarads"], 1.0, "{payload}");
    let at = reading["taken_at"].as_str().expect("the moment of the reading");
    let at: chrono::DateTime<chrono::Utc> = at.parse().unwrap();
    let phoenix = at - chrono::TimeDelta::hours(7);
    assert_eq!(phoenix.date_naive().to_string(), payload["day"].as_str().unwrap(), "{payload}");
    assert_eq!(replacement["taken_at"], reading["taken_at"]);
    assert!(replacement["new_rating"].as_str().unwrap().ends_with("uF 370/440 V"), "{payload}");
    let used: Vec<_> = payload["parts_used"]
        .as_array()
        .unwrap()
        .iter()
        .map(|used| (used["class"].as_str().unwrap(), used["quantity"].as_u64().unwrap()))
        .collect();
    assert!(used[0].0.starts_with("run-capacitor") && used[0].1 == 1, "{payload}");
    assert_eq!(used[1], ("contactor", 2));
    assert_eq!(payload["follow_up"]["reason"], "clean the coil");
}
