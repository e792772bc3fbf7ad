//! Whether what the service sends is HTML as the standard wants it, by the Nu HTML checker.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

use super::browser::Browser;

/// Sources of pages, checked all at once at the end: the checker takes a second to start.
#[derive(Debug, Default)]
pub struct HtmlSources {
    by_name: BTreeMap<String, String>,
}

impl HtmlSources {
    /// Keeps a page as it was sent, under a name for the finding.
    pub fn keep(&mut self, name: &str, source: String) {
        self.by_name.insert(name.to_owned(), source);
    }

    /// Keeps what the service sends for the page that a browser shows.
    pub async fn keep_shown(&mut self, name: &str, browser: &Browser) {
        self.keep(name, browser.sent_source().await);
    }

    /// What the checker finds, a line each: page, line, what is wrong.
    ///
    /// # Panics
    /// When nothing was kept, or the checker is not installed (tests/install.sh).
    #[must_use]
    pub fn faults(&self) -> Vec<String> {
        assert!(!self.by_name.is_empty(), "no page to check");
        let folder = tempfile::tempdir().unwrap();
        for (name, source) in &self.by_name {
            std::fs::write(folder.path().join(format!("{name}.html")), source).unwrap();
        }
        let checker =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("node_modules/vnu-jar/build/dist/vnu.jar");
        assert!(checker.is_file(), "{} is missing; run tests/install.sh", checker.display());
        let output = Command::new("java")
            .arg("-jar")
            .arg(checker)
            .args(["--format", "json", "--stdout", "--exit-zero-always"])
            .arg(folder.path())
            .output()
            .expect("java starts; tests/install.sh installs it");
        let report: Value = serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&output.stderr)));
        let messages = report["messages"].as_array().expect("a list of messages");
        messages
            .iter()
            .map(|message| {
                let page = message["url"].as_str().unwrap_or_default();
                let page = page.rsplit('/').next().unwrap_or_default();
                let said = message["message"].as_str().unwrap_or_default();
                let around = message["extract"].as_str().unwrap_or_default().trim();
                format!("{page}, line {}: {said}: {around}", message["lastLine"])
            })
            .collect()
    }
}
