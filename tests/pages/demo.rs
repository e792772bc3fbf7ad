//! The demo as a newcomer starts it, and what it prints for the three people.

use std::path::PathBuf;
use std::process::Stdio;

use harness::daemon::binary;
use harness::wait::eventually;
use tempfile::TempDir;
use tokio::io::{AsyncBufReadExt as _, BufReader};
use tokio::process::{Child, Command};

/// A running demo with its own database; killed when dropped.
pub(crate) struct Demo {
    _child: Child,
    folder: TempDir,
    /// Scheme, host and port.
    pub(crate) base: String,
    printed: Vec<String>,
}

impl Demo {
    /// Starts the demo and waits until it serves.
    pub(crate) async fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut child = Command::new(binary())
            .args(["demo", "--folder"])
            .arg(folder.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut printed = Vec::new();
        let end = async {
            while let Some(line) = lines.next_line().await.unwrap() {
                let last = line.starts_with("ctrl-c");
                printed.push(line);
                if last {
                    return;
                }
            }
            panic!("the demo ended");
        };
        // Minutes when it was built without optimisation and the machine is busy.
        let limit = std::time::Duration::from_secs(240);
        assert!(tokio::time::timeout(limit, end).await.is_ok(), "the demo does not come up");
        let base = printed
            .iter()
            .find_map(|line| Some(line.strip_prefix("Open ")?.split_once("/sign-in")?.0.to_owned()))
            .expect("it says where to sign in");
        Self { _child: child, folder, base, printed }
    }

    /// The first token printed for a role.
    pub(crate) fn token(&self, role: &str) -> String {
        let mut lines = self.printed.iter().filter_map(|line| {
            let mut words = line.split_whitespace();
            (words.next() == Some(role)).then(|| words.next())?
        });
        lines
            .find(|word| word.starts_with("hs_"))
            .expect("a token of each role is printed")
            .to_owned()
    }

    /// The token and the day of the technician whose route is printed.
    pub(crate) fn shown_route(&self) -> (String, String) {
        let head = self
            .printed
            .windows(2)
            .find(|pair| pair[1].starts_with("---") && pair[0].contains(" on "))
            .expect("a route is printed");
        let (name, day) = head[0].split_once(" on ").unwrap();
        let token = self
            .printed
            .iter()
            .find(|line| line.trim_start().starts_with("technician ") && line.contains(name))
            .and_then(|line| line.split_whitespace().nth(1))
            .expect("the technician has a token");
        let day = day.split_once(' ').unwrap().1;
        let day = chrono::NaiveDate::parse_from_str(&format!("{day} 2025"), "%d %B %Y").unwrap();
        (token.to_owned(), day.to_string())
    }

    /// Host and port that it listens on.
    pub(crate) fn address(&self) -> String {
        self.base.trim_start_matches("http://").to_owned()
    }

    /// The first link with such a path in a mail to a household.
    pub(crate) async fn link(&self, path: &str) -> String {
        let outbox: PathBuf = self.folder.path().join("outbox");
        eventually("a mail with the link", async || {
            let mut files: Vec<_> =
                std::fs::read_dir(&outbox).ok()?.map(|file| file.unwrap().path()).collect();
            files.sort();
            files.iter().find_map(|file| {
                let mail = std::fs::read(file).unwrap();
                let mail = mail_parser::MessageParser::default().parse(&mail)?;
                let text = mail.body_text(0)?.into_owned();
                let start = text.find(&format!("{}{path}", self.base))?;
                let link =
                    text[start..].split(|at: char| at.is_whitespace() || at == '>').next()?;
                Some(link.trim_end_matches(['.', ')']).to_owned())
            })
        })
        .await
    }
}
