//! How long 50,000 components take to come in, and to be found unchanged. PostgreSQL is started
//! as in the tests.
//!
//! `cargo bench -p hotspell-imports`

#![allow(clippy::expect_used, missing_docs, reason = "a benchmark stops when anything fails")]

use std::fmt::Write as _;
use std::time::Duration;

use chrono::{DateTime, NaiveDate, Utc};
use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use hotspell_domain::BranchId;
use hotspell_imports::{ImportKind, Mode, import};
use hotspell_store::Store;
use hotspell_store::branches;
use hotspell_test_support::{TestDatabase, branch_fields};

const COMPONENTS: usize = 50_000;
const COMPONENTS_PER_UNIT: usize = 5;

fn now() -> DateTime<Utc> {
    DateTime::UNIX_EPOCH + chrono::TimeDelta::days(20_500)
}

fn today() -> NaiveDate {
    now().date_naive()
}

fn branch(store: &Store) -> BranchId {
    let fields = branch_fields("main");
    store.write(|c| branches::insert(c, &fields, now())).expect("a branch").id
}

fn files() -> [(ImportKind, String); 3] {
    let mut sites = "site,name,address_1,city,region,postal_code,latitude,longitude\n".to_owned();
    let mut units = "unit,site,kind,capacity_tons,installed_on,exposure\n".to_owned();
    let mut components =
        "component,unit,position,class,rating,installed_on,observed_from,history_complete\n"
            .to_owned();
    for unit in 0..COMPONENTS / COMPONENTS_PER_UNIT {
        let year = 2005 + unit % 18;
        if unit % 2 == 0 {
            writeln!(sites, "s{unit},Home {unit},{unit} Example St,Exampleton,AZ,00000,33.5,-112")
                .expect("text");
        }
        let site = unit - unit % 2;
        writeln!(units, "u{unit},s{site},heat-pump,3.5,{year}-05-01,sun").expect("text");
        for (place, class, rating) in [
            ("outdoor-capacitor", "run-capacitor-dual", "45+5 uF 370/440 V"),
            ("contactor", "contactor", "24 V coil 30 A"),
            ("fan-motor", "fan-motor", ""),
            ("compressor", "compressor", ""),
            ("blower-motor", "blower-motor", ""),
        ] {
            writeln!(
                components,
                "u{unit}-{place},u{unit},{place},{class},{rating},{year}-05-01,2018-01-01,no"
            )
            .expect("text");
        }
    }
    [(ImportKind::Sites, sites), (ImportKind::Units, units), (ImportKind::Components, components)]
}

fn bench(c: &mut Criterion) {
    let [sites, units, components] = files();
    let keep = |store: &Store, branch: BranchId, file: &(ImportKind, String)| {
        import(store, branch, file.0, file.1.as_bytes(), Mode::Keep, now(), today())
            .expect("the file is right")
    };
    for kind in TestDatabase::KINDS {
        let mut group = c.benchmark_group(format!("{COMPONENTS} components, {kind:?}"));
        group.sample_size(10).warm_up_time(Duration::from_millis(1));
        group.bench_function("new", |b| {
            b.iter_batched(
                || {
                    let database = TestDatabase::new(kind);
                    let store = database.store();
                    let branch = branch(&store);
                    keep(&store, branch, &sites);
                    keep(&store, branch, &units);
                    (database, store, branch)
                },
                |(database, store, branch)| {
                    let report = keep(&store, branch, &components);
                    assert_eq!(report.inserted, COMPONENTS, "all are new");
                    (database, store)
                },
                BatchSize::PerIteration,
            );
        });
        let database = TestDatabase::new(kind);
        let store = database.store();
        let branch = branch(&store);
        for file in [&sites, &units, &components] {
            keep(&store, branch, file);
        }
        group.bench_function("unchanged", |b| {
            b.iter(|| {
                assert_eq!(keep(&store, branch, &components).unchanged, COMPONENTS, "all are");
            });
        });
        group.finish();
    }
}

criterion_group!(benches, bench);
criterion_main!(benches);
