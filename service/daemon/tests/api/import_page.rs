//! The office looks at its files, sees what they would do, and imports exactly that.

use hotspell_daemon::app::unfinished_imports::{UnfinishedImport, unfinished_imports};
use hotspell_domain::Role;
use hotspell_imports::ImportKind;
use hotspell_store::StoreError;
use hotspell_store::runs::{self, NewRun};
use hotspell_store::words::{RunKind, RunOutcome};
use reqwest::StatusCode;
use serde_json::{Value, json};

use crate::desk::{Desk, cookie_of, value};
use crate::support::{add_account, example_with};

const PATH: &str = "/office/import";
const SITES: &str = "site,name,address_1,city,region,postal_code\n\
     S-1,One,1 Example Street,Phoenix,AZ,85001\nS-2,Two,2 Example Street,Phoenix,AZ,85001\n";
const UNITS: &str = "unit,site,kind\nU-1,S-1,heat-pump\nU-2,S-2,heat-pump\n";

impl Desk {
    /// Sends files as a browser does; gives status, page and where it leads.
    async fn upload(&self, token: &str, files: &[(&str, &[u8])]) -> (StatusCode, String, String) {
        let mut body = part("form_token", None, token.as_bytes());
        for (name, content) in files {
            body.extend(part("files", Some(name), content));
        }
        self.send_parts(PATH, body).await
    }

    /// Sends the parts of a form.
    pub(crate) async fn send_parts(
        &self,
        path: &str,
        mut body: Vec<u8>,
    ) -> (StatusCode, String, String) {
        body.extend(b"--edge--\r\n");
        let request = self.browser.post(format!("{}{path}", self.service.url));
        let request = request
            .header("Cookie", &self.cookie)
            .header("Content-Type", "multipart/form-data; boundary=edge")
            .body(body);
        let answer = request.send().await.unwrap();
        let location = answer.headers().get("Location").cloned();
        let location = location.map(|it| it.to_str().unwrap().to_owned()).unwrap_or_default();
        (answer.status(), answer.text().await.unwrap(), location)
    }

    /// Looks at files; gives the preview's address and its page.
    async fn looked_at(&self, files: &[(&str, &[u8])]) -> (String, String) {
        let (_, page) = self.page(PATH).await;
        let (status, text, location) = self.upload(value(&page, "form_token"), files).await;
        assert_eq!(status, StatusCode::SEE_OTHER, "{text}");
        let (status, preview) = self.page(&location).await;
        assert_eq!(status, StatusCode::OK, "{preview}");
        (location, preview)
    }

    async fn confirm(&self, preview: &str) -> (StatusCode, String) {
        let (_, page) = self.page(preview).await;
        self.send(preview, &[("form_token", value(&page, "form_token"))]).await
    }

    async fn press(&self, preview: &str, what: &str) -> StatusCode {
        let (_, page) = self.page(preview).await;
        let token = value(&page, "form_token").to_owned();
        self.send(&format!("{preview}/{what}"), &[("form_token", &token)]).await.0
    }

    fn unfinished(&self) -> Vec<UnfinishedImport> {
        unfinished_imports(&self.service.state, self.service.branch).unwrap()
    }

    async fn number_of(&self, what: &str) -> usize {
        self.read(&format!("/api/v1/{what}")).await["items"].as_array().unwrap().len()
    }
}

/// A part of a multipart form (RFC 7578).
pub(crate) fn part(name: &str, file: Option<&str>, content: &[u8]) -> Vec<u8> {
    let file = file.map(|file| format!("; filename=\"{file}\"\r\nContent-Type: text/csv"));
    let head = format!(
        "--edge\r\nContent-Disposition: form-data; name=\"{name}\"{}\r\n\r\n",
        file.unwrap_or_default()
    );
    [head.as_bytes(), content, b"\r\n"].concat()
}

/// The table's row of a file, without tags.
fn row(page: &str, kind: &str) -> String {
    let start = page.find(&format!("<th scope=\"row\">{kind}</th>")).expect(kind);
    let row = &page[start..start + page[start..].find("</tr>").unwrap()];
    let mut text = String::new();
    let mut inside = false;
    for letter in row.chars() {
        match letter {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            letter if !inside => text.push(letter),
            _ => {}
        }
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[tokio::test]
async fn files_are_looked_at_before_anything_is_kept_and_then_go_in_together() {
    let desk = Desk::open().await;
    // Chosen in the wrong order: they go in as they build on each other.
    let (preview, page) =
        desk.looked_at(&[("units.csv", UNITS.as_bytes()), ("homes.csv", SITES.as_bytes())]).await;
    assert_eq!(row(&page, "sites"), "sites 2 0 0 2 homes.csv");
    assert_eq!(row(&page, "units"), "units 2 0 0 2 units.csv");
    assert!(page.contains("Import: 4 new, 0 changed"), "{page}");
    assert!(page.contains("no position: travel to the site cannot be planned"), "{page}");
    assert_eq!((desk.number_of("sites").await, desk.number_of("units").await), (0, 0));

    assert_eq!(desk.confirm(&preview).await.0, StatusCode::SEE_OTHER);
    assert_eq!((desk.number_of("sites").await, desk.number_of("units").await), (2, 2));
    let (_, page) = desk.page(&preview).await;
    assert!(page.contains("<h1>Imported</h1>"), "{page}");
    assert_eq!(row(&page, "units"), "units 2 0 0 2 units.csv");
    assert!(!page.contains("action=\"/office/import"), "nothing is left to confirm");
    // The audit has a row for each file, and a second confirmation does nothing more.
    assert_eq!(desk.confirm(&preview).await.0, StatusCode::SEE_OTHER);
    let audit = desk.read("/api/v1/audit?subject_kind=branch").await;
    let imports: Vec<&Value> = audit["items"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|entry| entry["action"] == "import")
        .map(|entry| &entry["after"]["kind"])
        .collect();
    assert_eq!(imports, ["sites", "units"]);

    // The same again, and one home otherwise.
    let moved = SITES.replace("2 Example Street", "7 Example Street");
    let (preview, page) = desk.looked_at(&[("homes.csv", moved.as_bytes())]).await;
    assert_eq!(row(&page, "sites"), "sites 0 1 1 2 homes.csv");
    desk.confirm(&preview).await;
    // What would change nothing cannot be confirmed, and waits for nobody.
    let (_, page) = desk.looked_at(&[("homes.csv", moved.as_bytes())]).await;
    assert!(page.contains("Nothing would change"), "{page}");
    assert!(!page.contains("<button type=\"submit\">Import"), "{page}");
    assert_eq!(desk.unfinished(), []);
    let runs = desk.read("/api/v1/runs?kind=import").await;
    assert_eq!(runs["items"][0]["inputs"]["kinds"], json!(["sites", "units"]), "{runs}");
    let first = desk.read(&format!("/api/v1/imports/{}", runs["items"][0]["id"])).await;
    assert_eq!(first["reports"][1]["inserted"], 2, "{first}");
    let sites = desk.read("/api/v1/sites").await;
    assert_eq!(sites["items"][1]["address_1"], "7 Example Street", "{sites}");
}

#[tokio::test]
async fn a_wrong_row_is_named_with_its_line_and_files_that_build_on_it_wait() {
    let desk = Desk::open().await;
    let bad = "unit,site,kind,label\nU-1,S-1,heat-pump,\"up\nstairs\"\nU-2,S-9,toaster,=1+1\n";
    let files: [(&str, &[u8]); 4] = [
        ("homes.csv", SITES.as_bytes()),
        ("u.csv", bad.as_bytes()),
        ("components.csv", b"component,unit,position,class\nK-1,U-1,contactor,contactor\n"),
        ("colours.csv", b"colour\nred\n"),
    ];
    let (preview, page) = desk.looked_at(&files).await;
    assert_eq!(row(&page, "sites"), "sites 2 0 0 2 homes.csv");
    assert!(row(&page, "units").ends_with("refused see why u.csv"), "{page}");
    // Of row 3, which begins on line 4: the row before it holds a line break.
    for words in [
        "<a href=\"#file-2\">u.csv: 2 values are wrong.</a>",
        "<th scope=\"row\" class=\"figure\">3 (line 4)</th><td>site</td>",
        "the key of a stored site",
        "toaster",
        "components.csv: not looked at yet, since it names keys of units",
        "colours.csv: neither its headers nor its name say",
    ] {
        assert!(page.contains(words), "{words}\n{page}");
    }
    assert!(!page.contains("<button type=\"submit\">Import"), "nothing to confirm");
    // A confirmation that somebody sends nevertheless imports nothing.
    let (_, start) = desk.page(PATH).await;
    let token = value(&start, "form_token");
    let (status, page) = desk.send(&preview, &[("form_token", token)]).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(page.contains("mend it first"), "{page}");
    assert_eq!(desk.number_of("sites").await, 0);

    let (status, csv) = desk.page(&format!("{preview}/errors.csv")).await;
    assert_eq!(status, StatusCode::OK);
    let lines: Vec<&str> = csv.split("\r\n").collect();
    assert_eq!(lines[0], "file,kind,row,line,column,value,expected");
    assert!(lines[1].starts_with("u.csv,units,3,4,"), "{csv}");
    assert_eq!(lines.len(), 4, "{csv}");
}

#[tokio::test]
async fn a_page_of_many_errors_stays_small_and_the_file_has_all() {
    let desk = Desk::open().await;
    let long = "x".repeat(200);
    let rows: String =
        (0..4_000).map(|n| format!("T-{n},{long},wizardry of {long},25:00-26:00\n")).collect();
    let file = format!("technician,name,skills,monday\n{rows}");
    let (preview, page) = desk.looked_at(&[("technicians.csv", file.as_bytes())]).await;
    assert!(page.len() < 100_000, "{} bytes", page.len());
    assert!(page.contains("The first 100 of them:"), "{page}");
    let (_, csv) = desk.page(&format!("{preview}/errors.csv")).await;
    let all = csv.split("\r\n").filter(|line| line.starts_with("technicians.csv,")).count();
    assert!(all >= 8_000, "{all} of 4,000 rows with at least two faults");
    assert!(page.contains(&format!("{} more are not shown here", all - 100)), "{all}");
}

#[tokio::test]
async fn what_is_confirmed_is_what_was_looked_at_or_it_is_told_otherwise() {
    let desk = Desk::open().await;
    let (preview, page) = desk.looked_at(&[("homes.csv", SITES.as_bytes())]).await;
    assert_eq!(row(&page, "sites"), "sites 2 0 0 2 homes.csv");
    // Somebody enters one of the homes meanwhile.
    let home = example_with("SiteInput", json!({ "key": "S-1" }));
    desk.service.make("/api/v1/sites", &home).await;
    assert_eq!(desk.confirm(&preview).await.0, StatusCode::SEE_OTHER);
    assert_eq!(desk.number_of("sites").await, 1, "nothing was imported");
    let (_, page) = desk.page(&preview).await;
    assert!(page.contains("the records have changed since the files were looked at"), "{page}");
    assert_eq!(row(&page, "sites"), "sites 1 1 0 2 homes.csv");
    assert_eq!(desk.confirm(&preview).await.0, StatusCode::SEE_OTHER);
    assert_eq!(desk.number_of("sites").await, 2);

    // Files that are kept no longer are told so, read or confirmed.
    let unknown = format!("{PATH}/{}", "0".repeat(64));
    let (status, page) = desk.page(&unknown).await;
    assert_eq!(status, StatusCode::GONE);
    assert!(page.contains("kept no longer") && page.contains("<a href=\"#files\">"), "{page}");
    let token = value(&page, "form_token");
    let (status, page) = desk.send(&unknown, &[("form_token", token)]).await;
    assert_eq!(status, StatusCode::GONE);
    assert!(page.contains("Choose them again"), "{page}");
}

#[tokio::test]
async fn forms_of_others_and_what_cannot_be_read_are_refused_in_words() {
    let desk = Desk::open_with(|config| config.server.body_limit_bytes = 200_000).await;
    let (_, page) = desk.page(PATH).await;
    let token = value(&page, "form_token").to_owned();
    // No token, a token of another session, a file before the token.
    let file = part("files", Some("homes.csv"), SITES.as_bytes());
    assert_eq!(desk.send_parts(PATH, file.clone()).await.0, StatusCode::FORBIDDEN);
    let other = "0".repeat(token.len());
    assert_eq!(
        desk.upload(&other, &[("homes.csv", SITES.as_bytes())]).await.0,
        StatusCode::FORBIDDEN
    );
    let late = [file, part("form_token", None, token.as_bytes())].concat();
    assert_eq!(desk.send_parts(PATH, late).await.0, StatusCode::FORBIDDEN);

    let (status, page, _) = desk.upload(&token, &[("", b"")]).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.contains("<a href=\"#files\">Choose at least one file.</a>"), "{page}");
    assert!(page.contains("aria-invalid=\"true\""), "{page}");
    let large = vec![b'x'; 600_000];
    let (status, page, _) = desk.upload(&token, &[("homes.csv", &large)]).await;
    assert_eq!(status, StatusCode::PAYLOAD_TOO_LARGE);
    assert!(page.contains("may have 0.2 MB together; these have more"), "{page}");

    let (_, page) = desk.looked_at(&[("sites.csv", b"site;name\n1;2\n")]).await;
    assert!(page.contains("required columns are missing"), "{page}");
    let (_, page) = desk.looked_at(&[("sites.csv", b"site,name\xFF\n")]).await;
    assert!(page.contains("not UTF-8"), "{page}");

    let technician =
        desk.service.make("/api/v1/technicians", &example_with("TechnicianInput", json!({}))).await;
    let token = add_account(
        &desk.service.state.store,
        desk.service.branch,
        Role::Technician,
        technician["id"].as_i64(),
        None,
    );
    let cookie = cookie_of(&desk.service, &token).await;
    let request = desk.browser.get(format!("{}{PATH}", desk.service.url));
    let answer = request.header("Cookie", cookie).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::FORBIDDEN);
}

#[tokio::test]
async fn what_nobody_finished_is_told_newest_first_until_it_is_done_or_left() {
    let desk = Desk::open().await;
    let bad = "unit,site,kind,capacity_tons\nU-1,S-1,toaster,nine\nU-2,S-9,heat-pump,3\n";
    let units = ("units.csv", bad.as_bytes());
    let (both, _) = desk.looked_at(&[("homes.csv", SITES.as_bytes()), units]).await;
    let (_, page) = desk.looked_at(&[("people.csv", b"technician;name\nT-1;Ann\n")]).await;
    assert!(page.contains("not known"), "{page}");
    let unfinished = desk.unfinished();
    let told: Vec<_> = unfinished
        .iter()
        .map(|it| (it.files[0].name.as_str(), it.files[0].kind, it.files.len(), it.rows_in_error))
        .collect();
    // Two rows of the machines have three bad values; the homes fit.
    assert_eq!(told, [("people.csv", None, 1, 0), ("units.csv", Some(ImportKind::Units), 1, 2)]);
    assert!(unfinished.iter().all(|it| it.is_refused), "{unfinished:?}");
    assert_eq!(format!("{PATH}/{}", unfinished[1].preview), both);
    let (_, page) = desk.page(PATH).await;
    assert!(page.contains("units.csv</a>: 2 rows are wrong, looked at on "), "{page}");
    let (_, season) = desk.page("/office/season").await;
    assert!(season.contains("<strong>2 imports are not finished</strong>"), "{season}");
    assert!(season.contains(&format!("<a href=\"{PATH}\">Import</a>")), "{season}");
    assert!(season.contains(": 2 rows are wrong</li>"), "{season}");
    assert!(season.contains(": cannot be read</li>"), "{season}");

    // Mended and looked at again, it takes the place of the first; confirmed, it is done.
    let (mended, _) =
        desk.looked_at(&[("homes.csv", SITES.as_bytes()), ("u.csv", UNITS.as_bytes())]).await;
    let unfinished = desk.unfinished();
    assert_eq!(format!("{PATH}/{}", unfinished[0].preview), mended);
    assert_eq!((unfinished.len(), unfinished[0].files.len()), (2, 2), "{unfinished:?}");
    assert_eq!((unfinished[0].is_refused, unfinished[0].rows_in_error), (false, 0));
    assert_eq!(desk.confirm(&mended).await.0, StatusCode::SEE_OTHER);
    let unfinished = desk.unfinished();
    assert_eq!(unfinished.len(), 1, "{unfinished:?}");
    let people = format!("{PATH}/{}", unfinished[0].preview);
    assert_eq!(desk.press(&people, "leave").await, StatusCode::SEE_OTHER);
    assert_eq!(desk.unfinished(), []);
    assert_eq!(desk.page(&people).await.0, StatusCode::GONE);
}

#[tokio::test]
async fn while_files_are_imported_the_page_says_how_far_it_is_and_can_stop_it() {
    let desk = Desk::open().await;
    let (preview, _) = desk.looked_at(&[("homes.csv", SITES.as_bytes())]).await;
    // As another process on the same database does it.
    let service = &desk.service;
    let digest = preview.rsplit('/').next().unwrap();
    let run = NewRun {
        kind: RunKind::Import,
        engine_version: "another".to_owned(),
        inputs: json!({ "kinds": ["sites"], "dry_run": false, "bytes": SITES.len(), "digests": [],
            "preview": digest }),
        input_digest: "0".repeat(64),
    };
    let now = service.state.now();
    let began = service.state.store.write(|conn| {
        let run = runs::start(conn, service.branch, &run, now)?;
        runs::report(conn, service.branch, run, 0.4, now)?;
        Ok::<_, StoreError>(run)
    });
    let run = began.unwrap();
    let (_, page) = desk.page(&preview).await;
    assert!(page.contains("<progress id=\"share\" max=\"100\" value=\"40\">"), "{page}");
    assert!(!page.contains("<button type=\"submit\">Import"), "{page}");
    let request = desk.browser.get(format!("{}{preview}", service.url));
    let answer = request.header("Cookie", &desk.cookie).send().await.unwrap();
    assert_eq!(answer.headers()["Refresh"], "2", "a browser without scripts looks again");
    // A second press is not a second import, and what is imported cannot be left.
    assert_eq!(desk.press(&preview, "leave").await, StatusCode::CONFLICT);
    assert_eq!(desk.confirm(&preview).await.0, StatusCode::SEE_OTHER);
    assert_eq!(desk.press(&preview, "stop").await, StatusCode::SEE_OTHER);
    assert!(desk.page(&preview).await.1.contains("The import is stopping."));
    let stopped = json!({ "stopped": "stopped before its end" });
    let closed = service.state.store.write(|conn| {
        runs::finish(
            conn,
            service.branch,
            run,
            RunOutcome::Stopped,
            Some(&stopped),
            service.state.now(),
        )
    });
    closed.unwrap();
    let (_, page) = desk.page(&preview).await;
    assert!(page.contains("Nothing was imported: stopped before its end."), "{page}");
    assert_eq!(desk.confirm(&preview).await.0, StatusCode::SEE_OTHER);
    assert_eq!(desk.number_of("sites").await, 2);
}
