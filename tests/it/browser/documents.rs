//! The documentation of the interface, from the binary alone.

use fantoccini::Locator;
use harness::browser::Browser;
use hotspell_test_support::DatabaseKind;

use crate::lifecycle::empty;

#[tokio::test]
async fn the_interface_explains_itself_in_a_browser() {
    let (setup, _database) = empty(DatabaseKind::Sqlite);
    setup.add_branch().await;
    let daemon = setup.start().await;
    let browser = Browser::open(1280, 900).await;
    browser.show(&format!("{}/docs/", daemon.base)).await;
    let title = browser.window.wait().for_element(Locator::Css(".info .title")).await.unwrap();
    assert!(title.text().await.unwrap().contains("Hotspell"));
    let picture = browser.picture("docs").await;
    assert!(picture.is_file());
    browser.close().await;
}
