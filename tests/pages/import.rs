//! The office brings its own files in, in the browser and without a script.

use std::path::Path;

use fantoccini::Locator;
use harness::browser::Browser;
use harness::eventually;

use crate::demo::Demo;
use crate::look;

const BUTTON: &str = "main form button";
const SITES: &str = "site,name,address_1,city,region,postal_code,latitude,longitude\n\
     NEW-1,Example on Acacia,11 Acacia Example Drive,Mesa,AZ,85201,33.42,-111.83\n\
     NEW-2,Example on Birch,12 Birch Example Drive,Mesa,AZ,85201,,\n";

/// A file of machines that are wrong in every way, so that the list of them is long.
fn wrong_units() -> String {
    let rows = (1..=400).map(|n| format!("NEW-U{n},NEW-9{n},toaster,{n},sun and moon\n"));
    format!("unit,site,kind,capacity_tons,exposure\n{}", rows.collect::<String>())
}

/// Chooses files and sends them; gives the preview's address.
async fn choose(office: &Browser, start: &str, files: &[&Path]) -> String {
    office.show(start).await;
    let field = office.window.find(Locator::Id("files")).await.unwrap();
    let paths: Vec<&str> = files.iter().map(|path| path.to_str().unwrap()).collect();
    field.send_keys(&paths.join("\n")).await.unwrap();
    office.window.find(Locator::Css(BUTTON)).await.unwrap().click().await.unwrap();
    eventually("the files are looked at", async || {
        let now = office.window.current_url().await.unwrap();
        (now.path().len() > "/office/import/".len()).then_some(now.to_string())
    })
    .await
}

async fn words(office: &Browser) -> String {
    office.window.find(Locator::Css("main")).await.unwrap().text().await.unwrap()
}

/// Looks at files with errors, mends them, looks again and imports.
pub(crate) async fn brings_files_in(office: &Browser, demo: &Demo, faults: &mut Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let sites = file("homes-of-this-spring-with-a-rather-long-name.csv", SITES);
    let wrong = file("units.csv", &wrong_units());
    let right = file("units.csv.mended", "unit,site,kind\nNEW-U1,NEW-1,heat-pump\n");

    office.show(&format!("{}/office/settings", demo.base)).await;
    let link = office.window.find(Locator::Css("a[href='/office/import']")).await.unwrap();
    link.click().await.unwrap();
    let start = format!("{}/office/import", demo.base);
    look(office, &start, "office-import", faults).await;

    let refused = choose(office, &start, &[&wrong, &sites]).await;
    look(office, &refused, "office-import-refused", faults).await;
    let said = words(office).await;
    assert!(said.contains("values are wrong") && said.contains("toaster"), "{said}");
    // From the summary to the file's place on the page, by keyboard or finger.
    let first = office.window.find(Locator::Css(".told.bad a")).await.unwrap();
    let place = first.attr("href").await.unwrap().unwrap();
    office.window.find(Locator::Css(&place)).await.expect("what the summary leads to");

    let preview = choose(office, &start, &[&right, &sites]).await;
    look(office, &preview, "office-import-preview", faults).await;
    assert!(words(office).await.contains("Import: 3 new, 0 changed"), "{}", words(office).await);
    office.window.find(Locator::Css(BUTTON)).await.unwrap().click().await.unwrap();
    eventually("the files are in", async || {
        let main = office.window.find(Locator::Css("main")).await.ok()?;
        main.text().await.ok()?.contains("was imported on").then_some(())
    })
    .await;
    look(office, &preview, "office-import-done", faults).await;
    office.show(&format!("{}/office/sites?words=acacia", demo.base)).await;
    assert!(words(office).await.contains("Example on Acacia"), "the home is there");
}
