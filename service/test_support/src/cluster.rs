//! The PostgreSQL server of the tests: a given one, or one that they start themselves.
//!
//! A runner may start one process for each test, so a server of one's own is shared by all
//! processes with the same parent: the first one starts it, each holds a shared lock on a file
//! while it lives, and a shell that keeps the server stops it and deletes everything when nobody
//! has held the lock for some seconds.

use std::fs::{File, OpenOptions};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use diesel::connection::SimpleConnection;
use diesel::{Connection, PgConnection};
use hotspell_store::{Store, StoreOptions};

static SHARED: OnceLock<Cluster> = OnceLock::new();
const TEMPLATE: &str = "migrated";

pub(crate) struct Cluster {
    /// URL of the server, with a database to create others from.
    admin_url: String,
    /// Held while this process lives; nothing on a server that was given.
    keep_alive: Option<File>,
}

impl Cluster {
    pub(crate) fn shared() -> &'static Self {
        SHARED.get_or_init(|| match std::env::var("HOTSPELL_TEST_POSTGRES_URL") {
            Ok(url) => Self { admin_url: url, keep_alive: None },
            Err(_) => join_or_start(),
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
        if migrated && self.keep_alive.is_some() {
            self.execute(&format!("CREATE DATABASE {name} TEMPLATE {TEMPLATE}"));
            return;
        }
        self.execute(&format!("CREATE DATABASE {name} TEMPLATE template0"));
        if migrated {
            // On a server that was given nothing is left behind, so there is no template.
            migrate(&self.url(name));
        }
    }

    pub(crate) fn drop_database(&self, name: &str) {
        self.execute(&format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)"));
    }
}

fn migrate(url: &str) {
    let options = StoreOptions { pool_size: 1, ..StoreOptions::default() };
    let store = Store::connect(url, options).expect("the database opens");
    store.migrate().expect("the database is migrated");
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
            "PostgreSQL's server programs: install postgresql or set HOTSPELL_TEST_POSTGRES_URL",
        )
}

/// Makes a cluster, starts it, and ends it when nobody holds the lock any more. As root it becomes
/// another user, since PostgreSQL refuses to run as root.
const KEEPER: &str = r#"
set -eu
bin=$1; base=$2; lock=$3
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
    rm -rf "$base" "$lock"
}
trap finish EXIT
# The terminal's interrupt goes to the tests; the lock they let go ends this.
trap '' INT HUP
trap 'exit 1' TERM
cd "$base"
as_owner "$bin/initdb" -D "$data" -U postgres -A trust -E UTF8 --locale=C.UTF-8 --no-sync \
    --no-instructions >"$base/initdb.log" 2>&1 || { cat "$base/initdb.log" >&2; exit 1; }
as_owner "$bin/pg_ctl" -D "$data" -l "$base/server.log" -w -t 60 -s start -o "-c listen_addresses= \
    -c unix_socket_directories='$base' -c fsync=off -c synchronous_commit=off \
    -c full_page_writes=off -c shared_buffers=64MB -c max_connections=300 -c timezone=UTC" \
    >/dev/null 2>&1 || { cat "$base/server.log" >&2; exit 1; }
: >"$base/up"
idle=0
while [ "$idle" -lt 4 ]; do
    sleep 1.5
    exec 9<>"$lock"
    if flock -n -x 9; then idle=$((idle + 1)); else idle=0; fi
    # At the end it stays locked, so that nobody joins a server that is going down.
    [ "$idle" -ge 4 ] || exec 9>&-
done
"#;

fn open_lock(path: &Path) -> File {
    OpenOptions::new()
        .create(true)
        .truncate(false)
        .read(true)
        .write(true)
        .open(path)
        .expect("a lock file in the temporary directory")
}

/// Whether the file is still the one at the path, and not one that was deleted meanwhile.
fn is_at(file: &File, path: &Path) -> bool {
    let here = file.metadata().map(|meta| (meta.dev(), meta.ino())).ok();
    let there = std::fs::metadata(path).map(|meta| (meta.dev(), meta.ino())).ok();
    here == there
}

fn join_or_start() -> Cluster {
    let name = format!("hotspell-test-pg-{}", std::os::unix::process::parent_id());
    let base = std::env::temp_dir().join(&name);
    let lock = std::env::temp_dir().join(format!("{name}.lock"));
    let host = base.display().to_string().replace('/', "%2F");
    let admin_url = format!("postgres://postgres@{host}/postgres");
    loop {
        let file = open_lock(&lock);
        file.lock_shared().expect("the lock file can be locked");
        if !is_at(&file, &lock) {
            continue;
        }
        let starting = open_lock(&std::env::temp_dir().join(format!("{name}.starting")));
        starting.lock().expect("the lock file can be locked");
        let cluster = Cluster { admin_url: admin_url.clone(), keep_alive: Some(file) };
        let answers = base.join("ready").exists() && PgConnection::establish(&admin_url).is_ok();
        if !answers {
            start(&base, &lock);
            cluster.execute(&format!("CREATE DATABASE {TEMPLATE} TEMPLATE template0"));
            migrate(&cluster.url(TEMPLATE));
            // A template must not be in use while it is copied; pools close in the background.
            cluster.execute(&format!("ALTER DATABASE {TEMPLATE} WITH ALLOW_CONNECTIONS false"));
            cluster.execute(&format!(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{TEMPLATE}'"
            ));
            std::fs::write(base.join("ready"), "").expect("the cluster's directory is writable");
        }
        std::fs::remove_file(std::env::temp_dir().join(format!("{name}.starting"))).ok();
        return cluster;
    }
}

#[expect(clippy::zombie_processes, reason = "the keeper is to outlive this process")]
fn start(base: &Path, lock: &Path) {
    // What a killed run of the same parent left.
    std::fs::remove_dir_all(base).ok();
    std::fs::create_dir(base).expect("a directory for the cluster");
    // Not this process's standard error: a runner would wait until the keeper lets it go.
    let log = base.join("keeper.log");
    let errors = File::create(&log).expect("a log in the cluster's directory");
    let mut keeper = Command::new("setsid")
        .args(["sh", "-c", KEEPER, "keeper"])
        .arg(server_programs())
        .arg(base)
        .arg(lock)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(errors)
        .spawn()
        .expect("setsid and sh start");
    let deadline = Instant::now() + Duration::from_secs(120);
    while !base.join("up").exists() {
        if let Ok(Some(status)) = keeper.try_wait() {
            let said = std::fs::read_to_string(&log).unwrap_or_default();
            panic!("PostgreSQL did not start ({status}): {said}");
        }
        assert!(Instant::now() < deadline, "PostgreSQL started within two minutes");
        std::thread::sleep(Duration::from_millis(20));
    }
}
