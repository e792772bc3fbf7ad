//! deploy/hotspell.toml is the list of all settings, and says the truth about their defaults.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use hotspell_daemon::config::{Config, load};

fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/hotspell.toml")
}

/// The sample with every setting switched on that it shows as a comment (`# key = value`; prose
/// begins with `## `, or has no equals sign after its first word).
fn everything_switched_on() -> String {
    let text = std::fs::read_to_string(sample()).unwrap();
    let lines = text.lines().map(|line| {
        let setting = line.strip_prefix("# ").filter(|rest| {
            rest.split_once(" = ").is_some_and(|(key, _)| {
                key.chars().all(|letter| letter.is_ascii_lowercase() || letter == '_')
            })
        });
        setting.unwrap_or(line)
    });
    lines.collect::<Vec<_>>().join("\n")
}

/// The names that the settings know in a section: those that serde offers for a name that it does
/// not know.
fn names_offered_for(text: &str) -> BTreeSet<String> {
    let error = toml::from_str::<Config>(text).expect_err("an unknown name is an error");
    let message = error.message();
    let (_, offered) = message.split_once("expected").expect("serde says what it expected");
    offered.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

#[test]
fn the_sample_as_it_stands_is_the_default() {
    let sample = load(Some(&sample()), std::iter::empty()).unwrap();
    assert_eq!(format!("{sample:#?}"), format!("{:#?}", Config::default()));
}

#[test]
fn every_setting_of_the_sample_is_one_that_the_daemon_knows() {
    let everything = everything_switched_on();
    if let Err(error) = toml::from_str::<Config>(&everything) {
        panic!("{error}");
    }
}

#[test]
fn every_setting_that_the_daemon_knows_is_in_the_sample() {
    let sample: toml::Table = everything_switched_on().parse().unwrap();
    let sections = names_offered_for("not_a_section = 1");
    assert!(sections.len() >= 8, "{sections:?}");
    for section in sections {
        let shown = sample.get(&section).and_then(toml::Value::as_table);
        let shown: BTreeSet<String> = shown.into_iter().flatten().map(|(k, _)| k.clone()).collect();
        let known = match names_offered_for(&format!("[{section}]\nnot_a_key = 1")) {
            known if known.is_empty() => panic!("no names offered for [{section}]"),
            known => known,
        };
        assert_eq!(shown, known, "[{section}] of deploy/hotspell.toml");
    }
}

#[test]
fn secrets_in_the_sample_are_no_secrets() {
    let text = std::fs::read_to_string(sample()).unwrap();
    for line in text.lines().filter(|line| line.contains("password =") || line.contains("key =")) {
        assert!(line.starts_with("# "), "a secret that is not a comment: {line}");
    }
}
