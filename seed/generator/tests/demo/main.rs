//! The committed demo scenario: made by this generator, lawful, and of the size it claims.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test that cannot read stops")]

mod figures;
mod findable;
mod lawful;
mod scenario;

use hotspell_seed::{DEMO_SEED, generate};

use crate::scenario::{repository_file, station_record};

#[test]
fn the_committed_files_are_what_the_generator_writes() {
    for file in generate(&station_record(), DEMO_SEED).unwrap() {
        let committed = repository_file(&format!("seed/demo/{}", file.name));
        assert!(
            committed == file.text,
            "seed/demo/{} differs from what the generator writes; run `cargo run --release -p \
             hotspell-seed` and look at the difference",
            file.name
        );
    }
}

#[test]
fn another_seed_gives_another_branch() {
    let record = station_record();
    let sites = |seed| generate(&record, seed).unwrap().swap_remove(2).text;
    assert_ne!(sites(1), sites(2));
}
