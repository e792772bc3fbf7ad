//! The PostgreSQL server that a test process uses: a given one, or one of its own.
//!
//! Nobody can stop a server of one's own when the test process ends, since statics are never
//! dropped. So a shell watches a pipe from the process: when the process ends, however it ends,
//! the pipe closes, and the shell stops the server and deletes its directory.

use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Mutex, OnceLock};
use std::time::{Duration, Instant};

use diesel::connection::SimpleConnection;
use diesel::{Connection, PgConnection};
use hotspell_store::{Store, StoreOptions};

static SHARED: OnceLock<Cluster> = OnceLock::new();

pub(crate) struct Cluster {
    /// URL of the server, with a database to create others from.
    admin_url: String,
    template: Mutex<Option<String>>,
    _watcher: Option<(Child, ChildStdin)>,
}

impl Cluster {
    pub(crate) fn shared() -> &'static Self {
        SHARED.get_or_init(|| match std::env::var("HOTSPELL_TEST_POSTGRES_URL") {
            Ok(url) => Self { admin_url: url, template: Mutex::new(None), _watcher: None },
            Err(_) => start(),
        })
    }

    /// URL of a database of this server.
    pub(crate) fn url(&self, database: &str) -> String {
        let (base, query) =
            self.admin_url.split_once('?').map_or((self.admin_url.as_str(), ""), |parts| parts);
        let server = base.rsplit_once('/').map_or(base, |(server, _)| server);
        let query = if query.is_empty() { String::new() } else { format!("?{query}") };
        format!("{server}/{database}{query}")
    }

    fn execute(&self, sql: &str) {
        let mut conn = PgConnection::establish(&self.admin_url).expect("PostgreSQL answers");
        conn.batch_execute(sql).unwrap_or_else(|error| panic!("{sql}: {error}"));
    }

    pub(crate) fn create_database(&self, name: &str, migrated: bool) {
        // One at a time: a template must not be in use while it is copied.
        let mut template = self.template.lock().expect("no test panicked while making a database");
        if !migrated {
            self.execute(&format!("CREATE DATABASE {name} TEMPLATE template0"));
            return;
        }
        if template.is_none() {
            let made = format!("migrated_{}", std::process::id());
            self.execute(&format!("DROP DATABASE IF EXISTS {made}"));
            self.execute(&format!("CREATE DATABASE {made} TEMPLATE template0"));
            let options = StoreOptions { pool_size: 1, ..StoreOptions::default() };
            let store = Store::connect(&self.url(&made), options).expect("the template opens");
            store.migrate().expect("the template is migrated");
            drop(store);
            *template = Some(made);
        }
        let made = template.as_deref().unwrap_or_default();
        // The template's pool closes its connections in the background.
        self.execute(&format!(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{made}'"
        ));
        self.execute(&format!("CREATE DATABASE {name} TEMPLATE {made}"));
    }

    pub(crate) fn drop_database(&self, name: &str) {
        self.execute(&format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)"));
    }
}

fn server_programs() -> PathBuf {
    let in_path = std::env::var_os("PATH").into_iter().flat_map(|path| {
        std::env::split_paths(&path).map(|dir| dir.join("initdb")).collect::<Vec<_>>()
    });
    // Debian keeps them out of PATH; the newest version wins.
    let mut of_debian: Vec<(u32, PathBuf)> = std::fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| {
            let version = entry.file_name().to_str()?.parse().ok()?;
            Some((version, entry.path().join("bin/initdb")))
        })
        .collect();
    of_debian.sort();
    of_debian
        .into_iter()
        .rev()
        .map(|(_, path)| path)
        .chain(in_path)
        .filter_map(|initdb| std::fs::canonicalize(initdb).ok())
        .find_map(|initdb| initdb.parent().map(Path::to_path_buf))
        .expect(
            "PostgreSQL's server programs; install postgresql or set HOTSPELL_TEST_POSTGRES_URL",
        )
}

/// Makes a cluster, starts it, says where it listens, and ends it when its standard input ends.
/// As root it becomes another user, since PostgreSQL refuses to run as root.
const KEEPER: &str = r#"
set -eu
bin=$1; base=$2
data=$base/data
if [ "$(id -u)" -eq 0 ]; then
    owner=postgres
    id "$owner" >/dev/null 2>&1 || owner=nobody
    chown "$owner" "$base"
    as_owner() { setpriv --reuid="$owner" --regid="$(id -g "$owner")" --clear-groups env HOME="$base" "$@"; }
else
    as_owner() { "$@"; }
fi
finish() {
    trap '' INT TERM HUP EXIT
    as_owner "$bin/pg_ctl" -D "$data" -m immediate -w stop >/dev/null 2>&1 || true
    cd /
    rm -rf "$base"
}
trap finish EXIT
trap 'exit 1' INT TERM HUP
cd "$base"
as_owner "$bin/initdb" -D "$data" -U postgres -A trust -E UTF8 --locale=C.UTF-8 --no-sync \
    --no-instructions >"$base/initdb.log" 2>&1 || { cat "$base/initdb.log" >&2; exit 1; }
as_owner "$bin/pg_ctl" -D "$data" -l "$base/server.log" -w -t 60 -s start -o "-c listen_addresses= \
    -c unix_socket_directories='$base' -c fsync=off -c synchronous_commit=off \
    -c full_page_writes=off -c shared_buffers=64MB -c max_connections=200 -c timezone=UTC" \
    >/dev/null 2>&1 || { cat "$base/server.log" >&2; exit 1; }
: >"$base/ready"
# Until the test process ends.
cat >/dev/null
"#;

fn start() -> Cluster {
    let bin = server_programs();
    // Kept: the watcher deletes it, since it outlives this process.
    let base =
        tempfile::Builder::new().prefix("hs-pg-").tempdir().expect("a temporary directory").keep();
    let mut child = Command::new("sh")
        .args(["-c", KEEPER, "keeper"])
        .arg(&bin)
        .arg(&base)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("sh starts");
    let stdin = child.stdin.take().expect("a piped standard input");
    let deadline = Instant::now() + Duration::from_secs(60);
    while !base.join("ready").exists() {
        if let Ok(Some(status)) = child.try_wait() {
            panic!("PostgreSQL did not start: {status}; its log is above");
        }
        assert!(Instant::now() < deadline, "PostgreSQL did not start within a minute");
        std::thread::sleep(Duration::from_millis(20));
    }
    // A Unix socket in the directory: no port to find, nothing else can connect.
    let host = base.display().to_string().replace('/', "%2F");
    let admin_url = format!("postgres://postgres@{host}/postgres");
    Cluster { admin_url, template: Mutex::new(None), _watcher: Some((child, stdin)) }
}
