//! Headless Chromium by way of chromedriver.

use std::path::{Path, PathBuf};
use std::process::Stdio;

use fantoccini::wd::Capabilities;
use fantoccini::{Client as Window, ClientBuilder};
use hyper_util::client::legacy::connect::HttpConnector;
use reqwest::Method;
use serde_json::json;
use tempfile::TempDir;
use tokio::process::{Child, Command};

use super::client::{Answer, Client};
use super::wait::eventually;

/// Flags for a browser that nobody sees and that looks for no host of its own.
const FLAGS: [&str; 11] = [
    "--headless",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--force-prefers-reduced-motion",
];

/// A browser of one test; [`Browser::close`] ends it.
#[derive(Debug)]
pub struct Browser {
    /// The window.
    pub window: Window,
    driver: Child,
    profile: TempDir,
}

impl Browser {
    /// Opens a window of the given size in CSS pixels.
    ///
    /// # Panics
    /// When chromedriver or Chromium is not installed or does not start.
    pub async fn open(width: u32, height: u32) -> Self {
        Self::start(width, height, &json!({})).await
    }

    /// The same without scripts: pages run none, as with a strict or an old browser. What the test itself
    /// asks of the page works all the same.
    ///
    /// # Panics
    /// As [`Self::open`].
    pub async fn open_without_scripts(width: u32, height: u32) -> Self {
        // 2 is «block» among Chromium's content settings.
        let preferences = json!({ "profile.managed_default_content_settings.javascript": 2 });
        Self::start(width, height, &preferences).await
    }

    async fn start(width: u32, height: u32, preferences: &serde_json::Value) -> Self {
        let port = free_port().await;
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .expect("chromedriver starts; tests/install.sh installs it");
        eventually("chromedriver listens", async || {
            tokio::net::TcpStream::connect(("127.0.0.1", port)).await.ok()
        })
        .await;
        let profile = tempfile::tempdir().unwrap();
        let mut flags: Vec<String> = FLAGS.iter().map(|flag| (*flag).to_owned()).collect();
        flags.push(format!("--window-size={width},{height}"));
        flags.push(format!("--user-data-dir={}", profile.path().display()));
        if is_root() {
            // Chromium refuses its sandbox to root.
            flags.push("--no-sandbox".to_owned());
        }
        let mut capabilities = Capabilities::new();
        capabilities.insert(
            "goog:chromeOptions".to_owned(),
            json!({ "args": flags, "prefs": preferences }),
        );
        capabilities.insert("goog:loggingPrefs".to_owned(), json!({ "browser": "ALL" }));
        let window = ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities)
            .connect(&format!("http://127.0.0.1:{port}"))
            .await
            .expect("chromium starts");
        window.set_window_size(width, height).await.unwrap();
        Self { window, driver, profile }
    }

    /// Shows a page and waits until it is loaded.
    pub async fn show(&self, url: &str) {
        self.window.goto(url).await.unwrap_or_else(|error| panic!("{url}: {error}"));
    }

    /// Keeps a picture of the window as tests/shots/NAME.png and returns its path.
    pub async fn picture(&self, name: &str) -> PathBuf {
        keep_picture(name, &self.window.screenshot().await.unwrap())
    }

    /// Follows a press that leads to another page, or to the same one anew.
    ///
    /// # Panics
    /// When there is no such control, or nothing comes of it in time.
    pub async fn press_and_wait(&self, css: &str) {
        let mark = "document.documentElement.dataset.before = 'yes'";
        self.window.execute(mark, Vec::new()).await.unwrap();
        let control = self.window.find(fantoccini::Locator::Css(css)).await;
        control.unwrap_or_else(|_| panic!("no {css}")).click().await.unwrap();
        eventually("another page comes", async || {
            let script = "return document.readyState === 'complete' && \
                !document.documentElement.dataset.before";
            let new = self.window.execute(script, Vec::new()).await.ok()?;
            (new == serde_json::Value::Bool(true)).then_some(())
        })
        .await;
    }

    /// Puts a copy of the page that another browser shows into this one, which runs scripts: axe-core needs
    /// timers, which a browser without scripts does not run. The address must be of the same service.
    pub async fn copy_of(&self, other: &Self) {
        let address = other.window.current_url().await.unwrap();
        self.show(address.as_str()).await;
        let source = other.window.source().await.unwrap();
        let script = "document.documentElement.innerHTML = arguments[0]; \
            document.documentElement.lang = arguments[1]";
        let language = other.window.execute("return document.documentElement.lang", Vec::new());
        let language = language.await.unwrap();
        self.window.execute(script, vec![source.into(), language]).await.unwrap();
        eventually("the copy has its stylesheet", async || {
            let script =
                "return [...document.styleSheets].some(sheet => sheet.cssRules.length > 9)";
            let there = self.window.execute(script, Vec::new()).await.ok()?;
            (there == serde_json::Value::Bool(true)).then_some(())
        })
        .await;
    }

    /// Gives the window another size in CSS pixels.
    pub async fn resize(&self, width: u32, height: u32) {
        self.window.set_window_size(width, height).await.unwrap();
    }

    /// What axe-core finds wrong with the page that is shown: rule, impact, place; empty when all is
    /// well. Rules: WCAG 2.0 to 2.2, levels A and AA, and axe's best practices.
    ///
    /// # Panics
    /// When axe-core is not installed (tests/install.sh).
    pub async fn accessibility_faults(&self) -> Vec<String> {
        let axe = Path::new(env!("CARGO_MANIFEST_DIR")).join("node_modules/axe-core/axe.min.js");
        let source = std::fs::read_to_string(&axe)
            .unwrap_or_else(|error| panic!("{}: {error}; run tests/install.sh", axe.display()));
        self.window.execute(&source, Vec::new()).await.unwrap();
        let script = "const [done] = arguments; axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', \
            'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'], resultTypes: ['violations'] })\
            .then(result => done(result.violations.flatMap(fault => fault.nodes.map(node => \
            `${fault.id} (${fault.impact}) at ${node.target.join(' ')}: ${fault.help}`))))";
        let faults = self.window.execute_async(script, Vec::new()).await.unwrap();
        faults
            .as_array()
            .expect("a list of faults")
            .iter()
            .map(|fault| fault.as_str().unwrap_or_default().to_owned())
            .collect()
    }

    /// What the service sends for the page that is shown, asked for once more with the browser's cookies,
    /// before any parser mends it.
    pub async fn sent_source(&self) -> String {
        let address = self.window.current_url().await.unwrap();
        self.asked_for(address.as_str()).await.text()
    }

    /// What the service answers to an address, asked for with the browser's cookies.
    pub async fn asked_for(&self, address: &str) -> Answer {
        let cookies = self.window.get_all_cookies().await.unwrap();
        let cookies: Vec<String> =
            cookies.iter().map(|it| format!("{}={}", it.name(), it.value())).collect();
        let client = Client::new("", None);
        let request = client.request(Method::GET, address);
        client.send(request.header("Cookie", cookies.join("; "))).await
    }

    /// By how much the page is wider than its window, which means scrolling sideways, and what sticks out;
    /// nothing when it fits.
    pub async fn sideways_overflow(&self) -> Option<String> {
        let script = "const over = document.documentElement.scrollWidth - window.innerWidth; \
            if (over <= 0) return null; \
            const out = [...document.body.querySelectorAll('*')].filter(it => \
                it.getBoundingClientRect().right > window.innerWidth && !it.closest('.wide, .picture')); \
            const last = out.at(-1); \
            return `${over} px too wide at ${last?.tagName} «${last?.textContent.trim().slice(0, 60)}»`";
        let found = self.window.execute(script, Vec::new()).await.unwrap();
        found.as_str().map(str::to_owned)
    }

    /// Closes window, driver and profile. Without it Chromium would outlive its driver.
    pub async fn close(self) {
        let Self { window, mut driver, profile } = self;
        window.close().await.unwrap();
        driver.kill().await.unwrap();
        profile.close().ok();
    }
}

/// Keeps a picture as tests/shots/NAME.png and returns its path.
pub(crate) fn keep_picture(name: &str, picture: &[u8]) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("shots");
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join(format!("{name}.png"));
    std::fs::write(&path, picture).unwrap();
    path
}

async fn free_port() -> u16 {
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
    listener.local_addr().unwrap().port()
}

fn is_root() -> bool {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata("/proc/self").is_ok_and(|process| process.uid() == 0)
}
