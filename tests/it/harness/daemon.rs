//! The real binary, started as a person starts it.

use std::path::{Path, PathBuf};
use std::process::{Command as Blocking, Output, Stdio};
use std::sync::{Arc, Mutex, OnceLock};

use tempfile::TempDir;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt as _, BufReader};
use tokio::process::{Child, Command};

use super::client::Client;
use super::wait::{LIMIT, eventually};

/// Where the binary is: `HOTSPELL_BINARY`, else built once beside the tests.
pub fn binary() -> &'static Path {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(|| {
        if let Some(given) = std::env::var_os("HOTSPELL_BINARY") {
            return PathBuf::from(given);
        }
        let status = Blocking::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()))
            .args(["build", "--quiet", "--locked", "--package", "hotspell-daemon"])
            .status()
            .expect("cargo starts");
        assert!(status.success(), "hotspell does not build");
        // …/debug/deps/it-HASH, and the binary is …/debug/hotspell.
        let test = std::env::current_exe().expect("the test's own path");
        let profile = test.ancestors().nth(2).expect("a folder of the profile");
        profile.join("hotspell")
    })
}

/// Settings and a folder, from which commands are run and the daemon is started.
#[derive(Debug)]
pub struct Setup {
    folder: TempDir,
    settings: Vec<(String, String)>,
}

/// How a command ended.
#[derive(Debug)]
pub struct Outcome {
    /// Its exit status; none when a signal ended it.
    pub status: Option<i32>,
    /// What it printed.
    pub stdout: String,
    /// What it complained about.
    pub stderr: String,
}

impl Outcome {
    /// Standard output of a command that must have succeeded.
    ///
    /// # Panics
    /// When it did not.
    pub fn success(self) -> String {
        assert_eq!(self.status, Some(0), "{}\n{}", self.stdout, self.stderr);
        self.stdout
    }
}

impl Setup {
    /// A new folder; the database is the given one, or an SQLite file in the folder.
    #[must_use]
    pub fn new(database_url: Option<&str>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let own = format!("sqlite:{}", folder.path().join("hotspell.db").display());
        let mut setup = Self { folder, settings: Vec::new() };
        setup.set("database.url", database_url.unwrap_or(&own));
        setup.set("server.bind", "127.0.0.1:0");
        setup.set("log.format", "json");
        setup.set("mail.folder", &setup.path("outbox").display().to_string());
        // One address sends every request of a test.
        setup.set("server.requests_per_minute", "100000");
        setup.set("links.signing_key", "a key for tests of thirty-two characters");
        setup
    }

    /// Lets the daemon's clock start at this instant (UTC, `2025-02-17 17:00:00`) and run on from there.
    ///
    /// # Panics
    /// When libfaketime is not installed (tests/install.sh).
    pub fn at(&mut self, instant: &str) -> &mut Self {
        let library = ["x86_64", "aarch64"]
            .map(|machine| format!("/usr/lib/{machine}-linux-gnu/faketime/libfaketimeMT.so.1"))
            .into_iter()
            .find(|path| Path::new(path).is_file())
            .expect("libfaketime; tests/install.sh installs it");
        for (name, value) in [
            ("LD_PRELOAD", library.as_str()),
            ("FAKETIME", &format!("@{instant}")),
            ("TZ", "UTC"),
            // Timers are to run as always.
            ("DONT_FAKE_MONOTONIC", "1"),
        ] {
            self.settings.push((name.to_owned(), value.to_owned()));
        }
        self
    }

    /// Sets one key of the settings, written `section.key`.
    pub fn set(&mut self, key: &str, value: &str) -> &mut Self {
        let variable = format!("HOTSPELL_{}", key.replacen('.', "__", 1).to_uppercase());
        self.settings.retain(|(name, _)| *name != variable);
        self.settings.push((variable, value.to_owned()));
        self
    }

    /// A path in the folder.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file into the folder and returns its path.
    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, content).unwrap();
        path
    }

    /// Runs `hotspell ARGUMENTS` to its end.
    pub async fn run(&self, arguments: &[&str]) -> Outcome {
        self.run_with(arguments, b"").await
    }

    /// Runs `hotspell ARGUMENTS` to its end with something on its standard input.
    pub async fn run_with(&self, arguments: &[&str], input: &[u8]) -> Outcome {
        let mut command = self.command(arguments);
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut stdin = child.stdin.take().unwrap();
        // A command that does not read it closes the pipe, which is no failure.
        stdin.write_all(input).await.ok();
        drop(stdin);
        let output = tokio::time::timeout(LIMIT, child.wait_with_output())
            .await
            .unwrap_or_else(|_| panic!("hotspell {} does not end", arguments.join(" ")))
            .unwrap();
        let Output { status, stdout, stderr } = output;
        Outcome {
            status: status.code(),
            stdout: String::from_utf8_lossy(&stdout).into_owned(),
            stderr: String::from_utf8_lossy(&stderr).into_owned(),
        }
    }

    /// Makes a branch in Phoenix, as the first steps of the handbook say.
    pub async fn add_branch(&self) -> String {
        let arguments = [
            "branch",
            "add",
            "--key",
            "test",
            "--name",
            "Test branch",
            "--time-zone",
            "America/Phoenix",
            "--postal-address",
            "1 Example Street, Phoenix, AZ 85001",
        ];
        self.run(&arguments).await.success().trim().to_owned()
    }

    /// Makes an account and returns its token.
    pub async fn add_account(&self, role: &str, further: &[&str]) -> String {
        let email = format!("{role}@example.com");
        let mut arguments =
            vec!["account", "add", "--role", role, "--name", role, "--email", &email];
        arguments.extend(further);
        self.run(&arguments).await.success().trim().to_owned()
    }

    /// Starts `hotspell serve` and waits until it is ready.
    pub async fn start(&self) -> Daemon {
        let mut child = self
            .command(&["serve"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let log = Arc::new(Mutex::new(Vec::new()));
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let kept = Arc::clone(&log);
        tokio::spawn(async move {
            while let Ok(Some(line)) = lines.next_line().await {
                kept.lock().unwrap().push(line);
            }
        });
        let listening = async || {
            let lines = log.lock().unwrap();
            lines.iter().find_map(|line| address(line))
        };
        let address = tokio::select! {
            address = eventually("hotspell listens", listening) => address,
            status = child.wait() => {
                // The log's last lines are still on their way.
                tokio::task::yield_now().await;
                panic!("hotspell ended ({status:?}):\n{}", log.lock().unwrap().join("\n"))
            }
        };
        let daemon = Daemon { child, log, base: format!("http://{address}") };
        let anyone = daemon.client(None);
        eventually("hotspell is ready", async || {
            (anyone.get("/readyz").await.status == 200).then_some(())
        })
        .await;
        daemon
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(binary());
        command.args(arguments).current_dir(self.folder.path()).kill_on_drop(true);
        for (name, _) in std::env::vars_os() {
            if name.to_string_lossy().starts_with("HOTSPELL_") {
                command.env_remove(name);
            }
        }
        command.envs(self.settings.iter().map(|(name, value)| (name, value)));
        command
    }
}

/// The address in the line that says where the daemon listens.
fn address(line: &str) -> Option<String> {
    let entry: serde_json::Value = serde_json::from_str(line).ok()?;
    (entry["message"] == "listening").then(|| entry["address"].as_str().map(str::to_owned))?
}

/// A running daemon; killed when dropped.
#[derive(Debug)]
pub struct Daemon {
    child: Child,
    log: Arc<Mutex<Vec<String>>>,
    /// Scheme, host and port.
    pub base: String,
}

impl Daemon {
    /// A client of this daemon.
    #[must_use]
    pub fn client(&self, token: Option<&str>) -> Client {
        Client::new(&self.base, token)
    }

    /// What it has logged so far.
    #[must_use]
    pub fn log(&self) -> String {
        self.log.lock().unwrap().join("\n")
    }

    /// Ends it as a power cut would.
    pub async fn kill(mut self) {
        self.child.kill().await.unwrap();
    }

    /// Asks it to end, as the service manager does, and returns whether it ended well.
    pub async fn stop(mut self) -> bool {
        let id = self.child.id().expect("it runs").to_string();
        let sent = Command::new("kill").args(["-TERM", &id]).status().await.unwrap();
        assert!(sent.success(), "kill");
        let ended = tokio::time::timeout(LIMIT, self.child.wait()).await;
        ended.expect("it ends").unwrap().success()
    }
}
