//! The office brings its own files in, by the keyboard alone and without a script.

use std::path::{Path, PathBuf};

use fantoccini::Locator;
use harness::browser::Browser;
use harness::keyboard::ENTER;
use harness::{Setup, eventually};

use crate::look::Look;
use crate::sign_in_at;

/// A page with more than this is slow on a telephone's network.
const PAGE_BYTES_MAX: usize = 100_000;
const CHOOSE: &str = "form[action='/office/import'] button";
const CONFIRM: &str = "form[action^='/office/import/'] button:not(.second)";
const LEAVE: &str = "form[action$='/leave'] button";

/// Twelve homes, two of them wrong: a latitude beyond the pole, and no city.
fn homes(mended: bool) -> String {
    let row = |n: usize| {
        let (city, latitude) = match (mended, n) {
            (false, 4) => ("Mesa", "133.42"),
            (false, 9) => ("", "33.42"),
            _ => ("Mesa", "33.42"),
        };
        format!("S-{n},Example {n},{n} Acacia Example Drive,{city},AZ,85201,{latitude},-111.83\n")
    };
    let rows: String = (1..=12).map(row).collect();
    format!("site,name,address_1,city,region,postal_code,latitude,longitude\n{rows}")
}

fn machines() -> String {
    let rows: String = (1..=12).map(|n| format!("U-{n},S-{n},heat-pump,3.5\n")).collect();
    format!("unit,site,kind,capacity_tons\n{rows}")
}

/// Ten thousand rows that are wrong in every column, with values as long as somebody can write.
fn nothing_right() -> String {
    let long = "Bewaesserungsanlagenverwaltungsgenossenschaft ".repeat(5);
    let rows: String = (0..10_000).map(|n| format!("T-{n},{long},{long},{long}\n")).collect();
    format!("technician,name,skills,monday\n{rows}")
}

/// An office at its page of imports.
struct Story<'a> {
    office: &'a Browser,
    base: &'a str,
    folder: &'a Path,
}

impl Story<'_> {
    fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.folder.join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    async fn words(&self) -> String {
        let main = self.office.window.find(Locator::Css("main")).await.unwrap();
        main.text().await.unwrap()
    }

    async fn says(&self, words: &str) {
        eventually(words, async || {
            let main = self.office.window.find(Locator::Css("main")).await.ok()?;
            main.text().await.ok()?.contains(words).then_some(())
        })
        .await;
    }

    /// Chooses files and sends them; gives the preview's address. The window of the operating system in
    /// which files are chosen is not the page's.
    async fn choose(&self, files: &[&Path]) -> String {
        self.office.show(&format!("{}/office/import", self.base)).await;
        self.office.tab_to("#files").await;
        let paths: Vec<&str> = files.iter().map(|path| path.to_str().unwrap()).collect();
        let field = self.office.window.find(Locator::Id("files")).await.unwrap();
        field.send_keys(&paths.join("\n")).await.unwrap();
        self.office.tab_to(CHOOSE).await;
        self.office.keys(ENTER).await;
        eventually("the files are looked at", async || {
            let now = self.office.window.current_url().await.unwrap();
            (now.path().len() > "/office/import/".len()).then_some(now.to_string())
        })
        .await
    }

    async fn press(&self, css: &str) {
        self.office.tab_to(css).await;
        self.office.keys(ENTER).await;
    }

    /// The cells of a table's row.
    async fn row(&self, heading: &str) -> Vec<String> {
        let script = "const row = [...document.querySelectorAll('tr')].find(row => \
             row.querySelector('th[scope=row]')?.textContent === arguments[0]); \
             return [...row.cells].map(cell => cell.textContent)";
        let cells = self.office.window.execute(script, vec![heading.into()]).await.unwrap();
        cells.as_array().unwrap().iter().map(|it| it.as_str().unwrap().to_owned()).collect()
    }
}

#[tokio::test]
async fn the_office_mends_its_file_sees_what_it_would_do_and_imports_exactly_that() {
    let setup = Setup::new(None);
    setup.add_branch().await;
    let token = setup.add_account("office", &[]).await;
    let daemon = setup.start().await;
    let client = daemon.client(Some(&token));
    let office = Browser::open(1440, 900).await;
    sign_in_at(&office, &daemon.base, &token).await;
    let folder = tempfile::tempdir().unwrap();
    let story = Story { office: &office, base: &daemon.base, folder: folder.path() };
    let mut look = Look::default();

    office.show(&format!("{}/office/settings", daemon.base)).await;
    story.press("a[href='/office/import']").await;
    story.says("You see what they would do before anything is kept").await;
    let start = office.window.current_url().await.unwrap();
    look.at(&office, start.as_str(), "office-import").await;

    let sites = story.file("homes-of-this-spring.csv", &homes(false));
    let units = story.file("units.csv", &machines());
    let refused = story.choose(&[&units, &sites]).await;
    story.says("homes-of-this-spring.csv: 2 values are wrong.").await;
    assert_eq!(story.row("5").await[..3], ["5", "latitude", "133.42"]);
    assert!(story.row("5").await[3].contains("90"), "{:?}", story.row("5").await);
    assert_eq!(story.row("10").await, ["10", "city", "empty", "a value"]);
    look.at(&office, &refused, "office-import-refused").await;
    // From the summary to the place on the page, and from there to all of it as a file.
    story.press(".told.bad a").await;
    story.press("a[href$='/errors.csv']").await;
    let csv = office.asked_for(&format!("{refused}/errors.csv")).await;
    assert_eq!(csv.header("content-type"), Some("text/csv; charset=utf-8; header=present"));
    let csv = csv.text();
    let lines: Vec<&str> = csv.trim_end().split("\r\n").collect();
    assert_eq!(lines[0], "file,kind,row,line,column,value,expected");
    assert!(lines[1].starts_with("homes-of-this-spring.csv,sites,5,5,latitude,133.42,"), "{csv}");
    assert!(lines[2].starts_with("homes-of-this-spring.csv,sites,10,10,city,,"), "{csv}");
    assert_eq!(lines.len(), 3, "{csv}");
    assert!(client.all("/api/v1/sites").await.is_empty(), "nothing was imported");

    office.show(start.as_str()).await;
    assert!(story.words().await.contains("2 rows are wrong"), "{}", story.words().await);
    look.at(&office, start.as_str(), "office-import-unfinished").await;

    let sites = story.file("homes-of-this-spring.csv", &homes(true));
    let preview = story.choose(&[&units, &sites]).await;
    let counts = ["12", "0", "0", "12", "homes-of-this-spring.csv"];
    assert_eq!(story.row("sites").await[1..], counts);
    assert_eq!(story.row("units").await[1..], ["12", "0", "0", "12", "units.csv"]);
    look.at(&office, &preview, "office-import-preview").await;
    story.press(CONFIRM).await;
    story.says("Everything below was imported on").await;
    look.at(&office, &preview, "office-import-done").await;
    office.show(&format!("{}/office/sites?words=acacia", daemon.base)).await;
    assert!(story.words().await.contains("Example 12"), "the homes are there");

    // The same files again; then one home otherwise, which is left.
    story.choose(&[&units, &sites]).await;
    story.says("Nothing would change").await;
    assert_eq!(story.row("sites").await[1..], ["0", "0", "12", "12", "homes-of-this-spring.csv"]);
    let moved = homes(true).replace("7 Acacia", "77 Acacia");
    let moved = story.file("homes-of-this-spring.csv", &moved);
    story.choose(&[&moved]).await;
    assert_eq!(story.row("sites").await[1..], ["0", "1", "11", "12", "homes-of-this-spring.csv"]);
    story.says("Import: 0 new, 1 changed").await;
    story.press(LEAVE).await;
    story.says("Choose the CSV files").await;
    assert!(!story.words().await.contains("Not finished"), "{}", story.words().await);
    assert_eq!(client.all("/api/v1/sites?limit=100").await.len(), 12);

    the_worst_file(&story, &mut look).await;
    office.close().await;
    assert!(daemon.stop().await);
    look.end();
}

/// Everything wrong, in a file with the longest name.
async fn the_worst_file(story: &Story<'_>, look: &mut Look) {
    let name = format!("{}.csv", "technicians-of-all-branches-".repeat(7));
    let worst = story.file(&name, &nothing_right());
    let address = story.choose(&[&worst]).await;
    story.says("values are wrong").await;
    story.says("more are not shown here").await;
    let page = story.office.sent_source().await;
    assert!(page.len() < PAGE_BYTES_MAX, "{} bytes", page.len());
    look.at(story.office, &address, "long-office-import-refused").await;
    let csv = story.office.asked_for(&format!("{address}/errors.csv")).await.text();
    let rows = csv.trim_end().split("\r\n").count() - 1;
    assert!(rows >= 20_000, "{rows} of ten thousand rows with two faults each");
    story.press(LEAVE).await;
    story.says("Choose the CSV files").await;
}
