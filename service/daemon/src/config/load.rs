//! Reads the file, lays the environment over it and checks the whole.

use std::path::{Path, PathBuf};

use serde::de::{Error as _, IntoDeserializer};
use toml::{Table, Value};

use super::{Config, Decisions, MailChannel, Planning, REPLICATES_MAX, Rehearsal};

const PREFIX: &str = "HOTSPELL_";

/// Why the settings cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file cannot be read.
    #[error("cannot read {path}: {source}")]
    Read {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// The file is no TOML, or a key is unknown or has a wrong value.
    #[error("{origin}: {message}")]
    Parse {
        /// The file, or the environment.
        origin: String,
        /// What is wrong, with the key and what was expected.
        message: String,
    },
    /// Values that cannot go together.
    #[error("settings do not fit:\n  {}", .0.join("\n  "))]
    Invalid(Vec<String>),
}

/// Loads the settings from an optional file and the given environment.
///
/// # Errors
/// [`ConfigError`] names the file or variable, the key and what was expected.
pub fn load(
    file: Option<&Path>,
    environment: impl Iterator<Item = (String, String)>,
) -> Result<Config, ConfigError> {
    let mut table = match file {
        None => Table::new(),
        Some(path) => {
            let text = std::fs::read_to_string(path)
                .map_err(|source| ConfigError::Read { path: path.to_owned(), source })?;
            // Read once as settings, so that a mistake is shown with its line in the file.
            let origin = || path.display().to_string();
            toml::from_str::<Config>(&text).map_err(|error| ConfigError::Parse {
                origin: origin(),
                message: error.to_string(),
            })?;
            text.parse::<Table>().map_err(|error| ConfigError::Parse {
                origin: origin(),
                message: error.to_string(),
            })?
        }
    };
    lay_over(&mut table, environment)?;
    let config: Config = Value::Table(table).try_into().map_err(|error: toml::de::Error| {
        ConfigError::Parse { origin: "environment".to_owned(), message: error.to_string() }
    })?;
    check(&config)?;
    Ok(config)
}

/// Sets `HOTSPELL_SECTION__KEY` values in the table.
fn lay_over(
    table: &mut Table,
    environment: impl Iterator<Item = (String, String)>,
) -> Result<(), ConfigError> {
    for (name, text) in environment {
        let Some(path) = name.strip_prefix(PREFIX) else { continue };
        let Some((section, key)) = path.split_once("__") else { continue };
        let (section, key) = (section.to_lowercase(), key.to_lowercase());
        let entry = table.entry(section.clone()).or_insert_with(|| Value::Table(Table::new()));
        let Value::Table(entry) = entry else {
            return Err(ConfigError::Parse {
                origin: name,
                message: format!("`{section}` is not a section"),
            });
        };
        let value = typed(&section, &key, &text).map_err(|error| ConfigError::Parse {
            origin: name.clone(),
            message: error.to_string(),
        })?;
        entry.insert(key, value);
    }
    Ok(())
}

/// Gives the text the type under which the setting is accepted: as text if that fits, else as a
/// TOML literal (number, truth value).
fn typed(section: &str, key: &str, text: &str) -> Result<Value, toml::de::Error> {
    let as_text = Value::String(text.to_owned());
    let mut attempts = vec![as_text];
    if let Ok(literal) = format!("x = {text}").parse::<Table>()
        && let Some(value) = literal.get("x")
    {
        attempts.push(value.clone());
    }
    let mut last = toml::de::Error::custom("no value");
    for value in attempts {
        let mut inner = Table::new();
        inner.insert(key.to_owned(), value.clone());
        let mut outer = Table::new();
        outer.insert(section.to_owned(), Value::Table(inner));
        match <Config as serde::Deserialize>::deserialize(Value::Table(outer).into_deserializer()) {
            Ok(_) => return Ok(value),
            Err(error) => last = error,
        }
    }
    Err(last)
}

fn check(config: &Config) -> Result<(), ConfigError> {
    let mut wrong = Vec::new();
    if config.server.public_url.ends_with('/') || !config.server.public_url.starts_with("http") {
        wrong.push("server.public_url: expected http(s)://… without a final slash".to_owned());
    }
    if config.links.signing_key.as_ref().is_some_and(|key| key.reveal().len() < 32) {
        wrong.push("links.signing_key: expected at least 32 characters".to_owned());
    }
    if !(0.0..1.0).contains(&config.planning.missing_part_chance)
        || config.planning.missing_part_chance == 0.0
    {
        wrong.push("planning.missing_part_chance: expected more than 0 and less than 1".to_owned());
    }
    if config.planning.detour < 1.0 || config.planning.detour.is_nan() {
        wrong.push("planning.detour: expected at least 1".to_owned());
    }
    if config.planning.speed_m_per_s <= 0.0 || config.planning.speed_m_per_s.is_nan() {
        wrong.push("planning.speed_m_per_s: expected more than 0".to_owned());
    }
    wrong.extend(config.map.tiles().err().map(|error| error.to_string()));
    check_days(&config.planning, &mut wrong);
    check_rehearsal(&config.rehearsal, &mut wrong);
    check_decisions(&config.decisions, &mut wrong);
    check_roads(config, &mut wrong);
    if config.mail.per_minute == 0 {
        wrong.push("mail.per_minute: expected at least 1".to_owned());
    }
    if !(1..=120).contains(&config.webhooks.timeout_s) {
        wrong.push("webhooks.timeout_s: expected 1 to 120".to_owned());
    }
    if config.webhooks.attempts == 0 {
        wrong.push("webhooks.attempts: expected at least 1".to_owned());
    }
    if config.mail.channel == MailChannel::Smtp && config.mail.smtp_host.is_empty() {
        wrong.push("mail.smtp_host: expected a server name when mail.channel is smtp".to_owned());
    }
    if config.database.connections == 0 {
        wrong.push("database.connections: expected at least 1".to_owned());
    }
    if config.mail.dkim_domain.is_some()
        != (config.mail.dkim_key.is_some() && config.mail.dkim_selector.is_some())
    {
        wrong.push(
            "mail.dkim_domain, mail.dkim_selector, mail.dkim_key: give all or none".to_owned(),
        );
    }
    if wrong.is_empty() { Ok(()) } else { Err(ConfigError::Invalid(wrong)) }
}

fn check_days(planning: &Planning, wrong: &mut Vec<String>) {
    if !(0..=86_400).contains(&planning.comfortable_work_s) {
        wrong.push("planning.comfortable_work_s: expected 0 to 86400".to_owned());
    }
    if planning.beyond_comfortable_percent > 1_000 {
        wrong.push("planning.beyond_comfortable_percent: expected 0 to 1000".to_owned());
    }
    let between = (planning.pause_until - planning.pause_from).num_seconds();
    if planning.pause_s < 0 {
        wrong.push("planning.pause_s: expected at least 0 (no pause)".to_owned());
    } else if planning.pause_s > 0 && between < i64::from(planning.pause_s) {
        wrong.push(
            "planning.pause_s: does not fit between planning.pause_from and planning.pause_until"
                .to_owned(),
        );
    }
}

fn check_rehearsal(rehearsal: &Rehearsal, wrong: &mut Vec<String>) {
    if !(1..=REPLICATES_MAX).contains(&rehearsal.replicates) {
        wrong.push(format!("rehearsal.replicates: expected 1 to {REPLICATES_MAX}"));
    }
    let shares = [
        ("rehearsal.found_by_reading", rehearsal.found_by_reading),
        ("rehearsal.found_by_eye", rehearsal.found_by_eye),
    ];
    for (key, share) in shares {
        if !(0.0..=1.0).contains(&share) {
            wrong.push(format!("{key}: expected 0 to 1"));
        }
    }
    let calls = [
        ("rehearsal.calls_per_technician_day", rehearsal.calls_per_technician_day),
        ("rehearsal.calls_on_day_off", rehearsal.calls_on_day_off),
    ];
    for (key, count) in calls {
        if !(0.0..=1000.0).contains(&count) {
            wrong.push(format!("{key}: expected 0 to 1000"));
        }
    }
}

fn check_decisions(decisions: &Decisions, wrong: &mut Vec<String>) {
    let costs = [
        ("decisions.swap_on_visit_cost", decisions.swap_on_visit_cost),
        ("decisions.sister_swap_cost", decisions.sister_swap_cost),
        ("decisions.planned_swap_cost", decisions.planned_swap_cost),
        ("decisions.failure_cost", decisions.failure_cost),
        ("decisions.hot_failure_cost", decisions.hot_failure_cost),
    ];
    for (key, cost) in costs {
        if !(cost > 0.0 && cost.is_finite()) {
            wrong.push(format!("{key}: expected more than 0"));
        }
    }
    if !(decisions.check_due_chance > 0.0 && decisions.check_due_chance < 1.0) {
        wrong.push("decisions.check_due_chance: expected more than 0 and less than 1".to_owned());
    }
}

fn check_roads(config: &Config, wrong: &mut Vec<String>) {
    if let Err(error) = crate::routing::day_profile(&config.planning) {
        wrong.push(format!("planning.slower_hours: {error}"));
    }
    if config.routing.url.as_ref().is_some_and(|url| !url.starts_with("http")) {
        wrong.push("routing.url: expected http(s)://…".to_owned());
    }
    if config.routing.places_per_question < 2 {
        wrong.push("routing.places_per_question: expected at least 2".to_owned());
    }
    if config.routing.timeout_s == 0 {
        wrong.push("routing.timeout_s: expected at least 1".to_owned());
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    fn none() -> std::iter::Empty<(String, String)> {
        std::iter::empty()
    }

    fn file(text: &str) -> tempfile::NamedTempFile {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        file.write_all(text.as_bytes()).unwrap();
        file
    }

    fn variable(name: &str, value: &str) -> std::iter::Once<(String, String)> {
        std::iter::once((name.to_owned(), value.to_owned()))
    }

    #[test]
    fn an_unknown_key_is_named() {
        let file = file("[server]\nbindd = \"127.0.0.1:1\"\n");
        let error = load(Some(file.path()), none()).unwrap_err().to_string();
        assert!(error.contains("bindd") && error.contains("bind"), "{error}");
    }

    #[test]
    fn the_environment_wins_over_the_file() {
        let file = file("[server]\nbind = \"127.0.0.1:1\"\n");
        let config =
            load(Some(file.path()), variable("HOTSPELL_SERVER__BIND", "127.0.0.1:2")).unwrap();
        assert_eq!(config.server.bind.port(), 2);
    }

    #[test]
    fn numbers_and_truth_values_are_read_from_the_environment() {
        let environment = variable("HOTSPELL_JOBS__ENABLED", "false")
            .chain(variable("HOTSPELL_PLANNING__SEED", "7"))
            .chain(variable("HOTSPELL_MAIL__SMTP_USER", "12345"));
        let config = load(None, environment).unwrap();
        assert!(!config.jobs.enabled);
        assert_eq!(config.planning.seed, 7);
        assert_eq!(config.mail.smtp_user.as_deref(), Some("12345"));
    }

    #[test]
    fn a_wrong_variable_is_named() {
        let error = load(None, variable("HOTSPELL_MAIL__SMTP_PORT", "many")).unwrap_err();
        assert!(error.to_string().contains("HOTSPELL_MAIL__SMTP_PORT"), "{error}");
        let error = load(None, variable("HOTSPELL_MAIL__SMTP_PROT", "25")).unwrap_err();
        assert!(error.to_string().contains("smtp_prot"), "{error}");
    }

    #[test]
    fn all_problems_are_told_at_once() {
        let file = file(
            "[server]\npublic_url = \"x/\"\n[planning]\ndetour = 0.5\n[links]\nsigning_key = \"short\"\n",
        );
        let error = load(Some(file.path()), none()).unwrap_err().to_string();
        for key in ["server.public_url", "planning.detour", "links.signing_key"] {
            assert!(error.contains(key), "{error}");
        }
    }

    #[test]
    fn a_share_above_one_and_a_cost_of_nothing_are_refused() {
        let file = file(
            "[rehearsal]\nfound_by_eye = 1.5\nreplicates = 0\n[decisions]\nfailure_cost = 0.0\n",
        );
        let error = load(Some(file.path()), none()).unwrap_err().to_string();
        for key in ["rehearsal.found_by_eye", "rehearsal.replicates", "decisions.failure_cost"] {
            assert!(error.contains(key), "{error}");
        }
    }

    #[test]
    fn a_pause_must_fit_between_its_hours_and_none_may_be_had() {
        let long = file(
            "[planning]\npause_s = 7200\npause_until = \"12:30:00\"\nbeyond_comfortable_percent = 1001\ncomfortable_work_s = -1\n",
        );
        let error = load(Some(long.path()), none()).unwrap_err().to_string();
        for key in ["pause_s", "beyond_comfortable_percent", "comfortable_work_s"] {
            assert!(error.contains(&format!("planning.{key}")), "{error}");
        }
        let none_at_all = file("[planning]\npause_s = 0\npause_until = \"11:00:00\"\n");
        assert_eq!(load(Some(none_at_all.path()), none()).unwrap().planning.pause_s, 0);
    }

    #[test]
    fn slower_hours_are_read_and_must_ascend() {
        let good = file(
            "[planning]\nslower_hours = [{ from = \"07:00:00\", percent = 130 }, { from = \"09:00:00\", percent = 100 }]\n",
        );
        let config = load(Some(good.path()), none()).unwrap();
        assert_eq!(config.planning.slower_hours[0].percent, 130);
        let bad = file(
            "[planning]\nslower_hours = [{ from = \"09:00:00\", percent = 130 }, { from = \"07:00:00\", percent = 5 }]\n[routing]\nurl = \"roads\"\nplaces_per_question = 1\n",
        );
        let error = load(Some(bad.path()), none()).unwrap_err().to_string();
        for key in ["planning.slower_hours", "routing.url", "routing.places_per_question"] {
            assert!(error.contains(key), "{error}");
        }
    }

    #[test]
    fn secrets_do_not_show_in_debug_output() {
        let config = load(None, variable("HOTSPELL_MAIL__SMTP_PASSWORD", "hunter2")).unwrap();
        assert!(!format!("{config:?}").contains("hunter2"));
    }
}
