//! Bad files: each kind of import refuses what cannot be right, says where and what was expected, and
//! changes nothing.

use harness::{Client, Daemon, Setup};
use hotspell_test_support::{DatabaseKind, TestDatabase};

use crate::lifecycle::empty;

/// One importer with a good file, and the ways in which its file can be bad.
struct Kind {
    name: &'static str,
    /// Where what it stores is listed.
    list: &'static str,
    header: &'static str,
    row: &'static str,
    /// Columns with values that no such column takes: absurd, negative, future, of the wrong kind.
    bad: &'static [(&'static str, &'static str)],
}

/// In the order in which they are imported: later ones name keys of earlier ones.
const KINDS: [Kind; 7] = [
    Kind {
        name: "technicians",
        list: "/api/v1/technicians",
        header: "technician,name,email,skills,start_latitude,start_longitude,monday",
        row: "T-1,Ann Example,ann@example.com,standard,33.4,-112.0,07:30-16:00",
        bad: &[
            ("name", ""),
            ("email", "not an address"),
            ("skills", "wizardry"),
            ("start_latitude", "133.4"),
            ("start_longitude", "-1120"),
            ("monday", "16:00-07:30"),
            ("monday", "25:00-26:00"),
        ],
    },
    Kind {
        name: "sites",
        list: "/api/v1/sites",
        header: "site,name,address_1,city,region,postal_code,latitude,longitude,visit_from,visit_until,\
            contact_name,contact_email,contact_mail_consent,contact_consent_on,contact_consent_how",
        row: "S-1,Example,1 Example Street,Phoenix,AZ,85001,33.5,-112.1,08:00,12:00,\
            Bo Example,bo@example.com,yes,2024-01-05,agreement form",
        bad: &[
            ("address_1", ""),
            ("latitude", "91"),
            ("latitude", "north"),
            ("latitude", ""),
            ("longitude", "NaN"),
            ("visit_until", "07:00"),
            ("contact_email", "bo at example"),
            ("contact_mail_consent", "perhaps"),
            ("contact_consent_on", "2199-01-01"),
            ("contact_consent_how", ""),
        ],
    },
    Kind {
        name: "agreements",
        list: "/api/v1/agreements",
        header: "agreement,site,first_day,last_day,visits",
        row: "A-1,S-1,2024-01-05,2030-01-04,tune-up@02-01..05-15",
        bad: &[
            ("site", "S-404"),
            ("first_day", "01/05/2024"),
            ("first_day", "1024-01-05"),
            ("last_day", "2023-01-01"),
            ("visits", "tune-up@02-30..05-15"),
            ("visits", "massage@02-01..05-15"),
            ("visits", ""),
        ],
    },
    Kind {
        name: "units",
        list: "/api/v1/units",
        header: "unit,site,kind,capacity_tons,installed_on,exposure,supply_volts",
        row: "U-1,S-1,heat-pump,3.5,2014-05,sun,240",
        bad: &[
            ("site", "S-404"),
            ("kind", "toaster"),
            ("capacity_tons", "-3"),
            ("capacity_tons", "3500"),
            ("capacity_tons", "3,5"),
            ("installed_on", "2199"),
            ("installed_on", "1914"),
            ("exposure", "moon"),
            ("supply_volts", "24"),
        ],
    },
    Kind {
        name: "components",
        list: "/api/v1/components",
        header: "component,unit,position,class,rating,installed_on,observed_from,ended_on,end_kind",
        row: "K-1,U-1,outdoor-capacitor,run-capacitor-dual,45+5 uF 370/440 V,2016-04-02,2018-01-01,,",
        bad: &[
            ("unit", "U-404"),
            ("class", "flux-capacitor"),
            ("rating", ""),
            ("rating", "45 uF 440 V"),
            ("rating", "-45+5 uF 440 V"),
            ("rating", "45+5 uF 12 V"),
            ("installed_on", "2199-01-01"),
            ("ended_on", "2019-01-01"),
            ("end_kind", "failed"),
        ],
    },
    Kind {
        name: "readings",
        list: "/api/v1/readings",
        header: "reading,component,taken_on,technician,section,microfarads,volts,amperes,conditions",
        row: "R-1,K-1,2023-06-01,T-1,main,43.9,,,",
        bad: &[
            ("component", "K-404"),
            ("taken_on", "2199-06-01"),
            ("taken_on", "2023-06-31"),
            ("technician", "T-404"),
            ("section", "third"),
            ("microfarads", "-1"),
            ("microfarads", "1e9"),
            ("microfarads", "43,9"),
            ("microfarads", ""),
            ("volts", "240"),
            ("conditions", "sad"),
        ],
    },
    Kind {
        name: "replacements",
        list: "/api/v1/components",
        header: "component,ended_on,end_kind,new_component,new_rating",
        row: "K-1,2024-07-04,failed,K-2,45+5 uF 440 V",
        bad: &[
            ("component", "K-404"),
            ("ended_on", "2199-07-04"),
            ("ended_on", "2010-07-04"),
            ("end_kind", "tired"),
            ("new_rating", "40+5 uF 440 V"),
            ("new_rating", "45+5 uF 370 V"),
        ],
    },
];

impl Kind {
    fn good(&self) -> String {
        format!("{}\n{}\n", self.header, self.row)
    }

    /// The good file with one value changed, as a spreadsheet would quote it.
    fn with(&self, column: &str, value: &str) -> String {
        let position = self.header.split(',').position(|name| name == column);
        let position = position.unwrap_or_else(|| panic!("{}: no column {column}", self.name));
        let mut fields: Vec<&str> = self.row.split(',').collect();
        let quoted = format!("\"{value}\"");
        fields[position] = &quoted;
        format!("{}\n{}\n", self.header, fields.join(","))
    }

    /// Files that are bad as files, whatever the kind.
    fn broken_files(&self) -> Vec<(&'static str, Vec<u8>)> {
        let (good, (first, rest)) = (self.good(), self.header.split_once(',').unwrap());
        let utf16: Vec<u8> = [0xFF, 0xFE]
            .into_iter()
            .chain(good.encode_utf16().flat_map(u16::to_le_bytes))
            .collect();
        let mut latin1 = good.clone().into_bytes();
        let place = good.find('\n').unwrap() + 1;
        latin1.splice(place..place, *b"K\xFCche");
        vec![
            ("an empty file", Vec::new()),
            ("blank lines alone", b"\n\n\n".to_vec()),
            ("a row cut short", format!("{}\n{}", self.header, first).into_bytes()),
            ("an open quote", format!("{}\n\"{}", self.header, self.row).into_bytes()),
            ("the key's column missing", format!("{rest}\n{}\n", self.row).into_bytes()),
            ("a column that nobody knows", good.replacen('\n', ",colour\n", 1).into_bytes()),
            ("a column twice", format!("{},{first}\n{},x\n", self.header, self.row).into_bytes()),
            ("the same key twice", format!("{good}{}\n", self.row).into_bytes()),
            ("an empty key", format!("{}\n{}\n", self.header, empty_first(self.row)).into_bytes()),
            ("UTF-16", utf16),
            ("Latin-1", latin1),
            ("no text at all", vec![0, 159, 146, 150, 10, 0]),
        ]
    }
}

fn empty_first(row: &str) -> String {
    format!(",{}", row.split_once(',').unwrap().1)
}

/// A daemon that already has everything that the kind's file names.
async fn ready_for(kind: &Kind, database: DatabaseKind) -> (Setup, TestDatabase, Daemon, Client) {
    let (setup, database) = empty(database);
    setup.add_branch().await;
    let token = setup.add_account("office", &[]).await;
    for before in KINDS.iter().take_while(|before| before.name != kind.name) {
        if before.name == "replacements"
            || (kind.name == "replacements" && before.name == "readings")
        {
            continue;
        }
        let file = setup.write("before.csv", before.good());
        let outcome = setup.run(&["import", before.name, file.to_str().unwrap()]).await;
        assert_eq!(outcome.status, Some(0), "{}: {outcome:?}", before.name);
    }
    let daemon = setup.start().await;
    let office = daemon.client(Some(&token));
    (setup, database, daemon, office)
}

#[tokio::test]
async fn a_bad_value_is_refused_with_its_row_its_column_and_what_was_expected() {
    for kind in &KINDS {
        let (setup, _database, _daemon, office) = ready_for(kind, DatabaseKind::Sqlite).await;
        let before = office.all(kind.list).await;
        for (column, value) in kind.bad {
            let what = format!("{} {column}={value:?}", kind.name);
            let file = kind.with(column, value);
            let path = setup.write("bad.csv", &file);
            let outcome = setup.run(&["import", kind.name, path.to_str().unwrap()]).await;
            assert_eq!(outcome.status, Some(2), "{what}: {outcome:?}");
            assert!(!outcome.stderr.contains("panicked"), "{what}: {}", outcome.stderr);
            let said = outcome.stdout + &outcome.stderr;
            assert!(said.contains("row 2"), "{what}: no row: {said}");
            assert!(said.contains("expected") || said.contains("required"), "{what}: {said}");

            let path = format!("/api/v1/imports?kind={}", kind.name);
            let problem = office.post_bytes(&path, "text/csv", file).await.problem(422);
            let pointer = problem["errors"][0]["pointer"].as_str().unwrap_or_default();
            assert!(pointer.starts_with("/rows/2/"), "{what}: {problem}");
        }
        assert_eq!(office.all(kind.list).await, before, "{}: nothing was written", kind.name);
    }
}

#[tokio::test]
async fn a_file_that_is_no_such_file_is_refused_whole() {
    for kind in &KINDS {
        let (setup, _database, _daemon, office) = ready_for(kind, DatabaseKind::Sqlite).await;
        let before = office.all(kind.list).await;
        for (what, bytes) in kind.broken_files() {
            let what = format!("{}: {what}", kind.name);
            let path = setup.write("broken.csv", &bytes);
            let outcome = setup.run(&["import", kind.name, path.to_str().unwrap()]).await;
            assert_eq!(outcome.status, Some(2), "{what}: {outcome:?}");
            assert!(!outcome.stderr.contains("panicked"), "{what}: {}", outcome.stderr);
            let path = format!("/api/v1/imports?kind={}", kind.name);
            let answer = office.post_bytes(&path, "text/csv", bytes).await;
            assert!([400, 422].contains(&answer.status), "{what}: {}", answer.text());
            let detail = answer.problem(answer.status);
            assert!(!detail.to_string().contains("internal"), "{what}: {detail}");
        }
        assert_eq!(office.all(kind.list).await, before, "{}: nothing was written", kind.name);
    }
}

#[tokio::test]
async fn one_bad_row_among_good_ones_keeps_all_of_them_out() {
    for database in TestDatabase::KINDS {
        let kind = &KINDS[0];
        let (setup, _database, _daemon, office) = ready_for(kind, database).await;
        let more: String =
            (2..500).map(|n| kind.row.replacen("T-1", &format!("T-{n}"), 1) + "\n").collect();
        let file =
            kind.good() + &more + &kind.row.replace("T-1", "T-500").replace("33.4", "933.4") + "\n";
        let path = setup.write("mostly-good.csv", file);
        let outcome = setup.run(&["import", kind.name, path.to_str().unwrap()]).await;
        assert_eq!(outcome.status, Some(2), "{outcome:?}");
        let said = outcome.stdout + &outcome.stderr;
        assert!(said.contains("row 501") && said.contains("start_latitude"), "{said}");
        assert!(office.all(kind.list).await.is_empty(), "{database:?}");
    }
}

#[tokio::test]
async fn the_same_file_again_changes_nothing_not_even_a_version() {
    for database in TestDatabase::KINDS {
        let last = &KINDS[KINDS.len() - 1];
        let (setup, _database, _daemon, office) = ready_for(last, database).await;
        for kind in
            KINDS.iter().filter(|kind| kind.name != "replacements" && kind.name != "readings")
        {
            let before = office.all(kind.list).await;
            assert!(!before.is_empty(), "{}", kind.name);
            let path = setup.write("again.csv", kind.good());
            setup.run(&["import", kind.name, path.to_str().unwrap()]).await.success();
            assert_eq!(office.all(kind.list).await, before, "{database:?} {}", kind.name);
        }
    }
}

#[tokio::test]
async fn a_dry_run_finds_the_same_faults_and_keeps_nothing() {
    let kind = &KINDS[0];
    let (setup, _database, _daemon, office) = ready_for(kind, DatabaseKind::Sqlite).await;
    let good = setup.write("good.csv", kind.good());
    setup.run(&["import", kind.name, good.to_str().unwrap(), "--dry-run"]).await.success();
    assert!(office.all(kind.list).await.is_empty());
    let bad = setup.write("bad.csv", kind.with("skills", "wizardry"));
    let outcome = setup.run(&["import", kind.name, bad.to_str().unwrap(), "--dry-run"]).await;
    assert_eq!(outcome.status, Some(2), "{outcome:?}");
}

#[tokio::test]
async fn a_file_beyond_the_limit_is_refused_before_it_is_read() {
    let kind = &KINDS[0];
    let (_setup, _database, _daemon, office) = ready_for(kind, DatabaseKind::Sqlite).await;
    let mut file = kind.good().into_bytes();
    file.resize(100 * 1024 * 1024, b' ');
    let path = format!("/api/v1/imports?kind={}", kind.name);
    let request = office.request(reqwest::Method::POST, &path);
    let request = request.header("Content-Type", "text/csv").body(file).build().unwrap();
    // The service may answer and hang up while the file is still on its way.
    match reqwest::Client::new().execute(request).await {
        Ok(answer) => assert_eq!(answer.status().as_u16(), 413),
        Err(error) => assert!(error.is_request() || error.is_body(), "{error:?}"),
    }
    assert_eq!(office.get("/livez").await.status, 200);
    assert!(office.all(kind.list).await.is_empty());
}
