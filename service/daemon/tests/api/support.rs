//! A running service with two branches, three roles and two homes.

use std::net::TcpListener;
use std::sync::Arc;
use std::thread::JoinHandle;

use hotspell_daemon::app::token;
use hotspell_daemon::clock::SystemClock;
use hotspell_daemon::config::Config;
use hotspell_daemon::server::{self, Hooks};
use hotspell_daemon::state::AppState;
use hotspell_domain::{AccountId, BranchId, ContactId, Role, TechnicianId};
use hotspell_store::accounts::{self, AccountFields, NewToken};
use hotspell_store::branches::{self, BranchFields};
use hotspell_store::words::TokenScope;
use hotspell_store::{Store, StoreError};
use hotspell_test_support::{DatabaseKind, TestDatabase, branch_fields};
use reqwest::header::CONTENT_TYPE;
use reqwest::{Client, Method, RequestBuilder, Response, StatusCode};
use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

pub(crate) struct Service {
    pub(crate) url: String,
    pub(crate) client: Client,
    pub(crate) state: AppState,
    pub(crate) branch: BranchId,
    pub(crate) office: String,
    stop: CancellationToken,
    thread: Option<JoinHandle<()>>,
    _database: TestDatabase,
}

impl Service {
    pub(crate) fn start() -> Self {
        Self::start_with(Hooks::NONE, |_| {})
    }

    pub(crate) fn start_with(hooks: Hooks, set: impl FnOnce(&mut Config)) -> Self {
        // Another test may have installed it already.
        drop(rustls::crypto::ring::default_provider().install_default());
        let database = TestDatabase::new(DatabaseKind::Sqlite);
        let store = database.store().clone();
        let mut config = Config::default();
        config.server.workers = 1;
        config.server.requests_per_minute = 100_000;
        set(&mut config);
        let state = AppState::new(store.clone(), Arc::new(SystemClock), config).unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let stop = CancellationToken::new();
        let (shared, token) = (state.clone(), stop.clone());
        let thread = std::thread::spawn(move || {
            let runtime =
                tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
            runtime.unwrap().block_on(server::run(shared, listener, hooks, token)).unwrap();
        });
        let branch = add_branch(&store, "main");
        let office = add_account(&store, branch, Role::Office, None, None);
        Self {
            url,
            client: Client::new(),
            state,
            branch,
            office,
            stop,
            thread: Some(thread),
            _database: database,
        }
    }

    pub(crate) fn request(&self, method: Method, path: &str, token: &str) -> RequestBuilder {
        let request = self.client.request(method, format!("{}{path}", self.url));
        if token.is_empty() { request } else { request.bearer_auth(token) }
    }

    pub(crate) async fn get(&self, path: &str) -> Response {
        self.request(Method::GET, path, &self.office).send().await.unwrap()
    }

    pub(crate) async fn post(&self, path: &str, body: &Value) -> Response {
        self.request(Method::POST, path, &self.office).json(body).send().await.unwrap()
    }

    pub(crate) async fn put(&self, path: &str, tag: &str, body: &Value) -> Response {
        let request = self.request(Method::PUT, path, &self.office).header("If-Match", tag);
        request.json(body).send().await.unwrap()
    }

    /// Posts and expects success; the body.
    pub(crate) async fn make(&self, path: &str, body: &Value) -> Value {
        let answer = self.post(path, body).await;
        let status = answer.status();
        let text = answer.text().await.unwrap();
        assert!(status.is_success(), "POST {path}: {status} {text}");
        serde_json::from_str(&text).unwrap()
    }

    /// Stops the service and waits until it has.
    pub(crate) fn stop(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            thread.join().unwrap();
        }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            let ended = thread.join();
            assert!(std::thread::panicking() || ended.is_ok(), "the server panicked");
        }
    }
}

pub(crate) fn add_branch(store: &Store, key: &str) -> BranchId {
    let fields = BranchFields { time_zone: chrono_tz::America::Chicago, ..branch_fields(key) };
    store.write(|conn| branches::insert(conn, &fields, now())).unwrap().id
}

/// An account with a token, which is returned.
pub(crate) fn add_account(
    store: &Store,
    branch: BranchId,
    role: Role,
    technician: Option<i64>,
    contact: Option<i64>,
) -> String {
    let secret = token::generate().unwrap();
    let fields = AccountFields {
        name: role.to_string(),
        email: format!("{}@example.com", &secret[3..20]).to_lowercase(),
        role,
        password_hash: None,
        technician_id: technician.map(TechnicianId),
        contact_id: contact.map(ContactId),
        disabled: false,
    };
    store
        .write(|conn| {
            let account = accounts::insert(conn, branch, &fields, now())?;
            add_token(conn, branch, account.id, &secret)
        })
        .unwrap();
    secret
}

fn add_token(
    conn: &mut hotspell_store::AnyConnection,
    branch: BranchId,
    account: AccountId,
    secret: &str,
) -> Result<(), StoreError> {
    let new = NewToken {
        account_id: account,
        digest: token::digest(secret),
        label: "test".to_owned(),
        scope: TokenScope::Api,
        expires_at: None,
    };
    accounts::insert_token(conn, branch, &new, now()).map(drop)
}

#[expect(clippy::disallowed_methods, reason = "the service under test runs on the real clock")]
pub(crate) fn now() -> chrono::DateTime<chrono::Utc> {
    chrono::Utc::now()
}

/// The example of a schema in the published document.
pub(crate) fn example(schema: &str) -> Value {
    let document = serde_json::to_value(hotspell_daemon::api::openapi::document()).unwrap();
    let example = document["components"]["schemas"][schema]["example"].clone();
    assert!(example.is_object(), "{schema} has no example");
    example
}

/// The example with some members changed.
pub(crate) fn example_with(schema: &str, changes: Value) -> Value {
    let mut body = example(schema);
    for (name, value) in changes.as_object().unwrap() {
        body[name] = value.clone();
    }
    body
}

/// One home with everything that belongs to it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Home {
    pub(crate) site: i64,
    pub(crate) contact: i64,
    pub(crate) agreement: i64,
    pub(crate) unit: i64,
    pub(crate) component: i64,
    pub(crate) reading: i64,
    pub(crate) visit: i64,
}

/// Makes a home from the document's own examples; `name` keeps the keys apart.
pub(crate) async fn make_home(service: &Service, name: &str, technician: i64) -> Home {
    let id = |value: Value| value["id"].as_i64().unwrap();
    let key = |prefix: &str| format!("{prefix}-{name}");
    let site = example_with("SiteInput", json!({ "key": key("S") }));
    let site = id(service.make("/api/v1/sites", &site).await);
    let contact = example_with("ContactInput", json!({ "key": key("C"), "site_id": site }));
    let contact = id(service.make("/api/v1/contacts", &contact).await);
    let agreement = example_with("AgreementInput", json!({ "key": key("A"), "site_id": site }));
    let agreement = id(service.make("/api/v1/agreements", &agreement).await);
    let unit = example_with("UnitInput", json!({ "key": key("U"), "site_id": site }));
    let unit = id(service.make("/api/v1/units", &unit).await);
    let part = json!({ "key": key("K"), "unit_id": unit });
    let component = example_with("ComponentInput", part);
    let component = id(service.make("/api/v1/components", &component).await);
    let measured = json!({
        "key": key("R"), "component_id": component, "technician_id": technician
    });
    let reading = example_with("ReadingInput", measured);
    let reading = id(service.make("/api/v1/readings", &reading).await);
    let visit = example_with("VisitInput", json!({ "site_id": site }));
    let visit = id(service.make("/api/v1/visits", &visit).await);
    Home { site, contact, agreement, unit, component, reading, visit }
}

/// A technician from the document's example.
pub(crate) async fn make_technician(service: &Service, key: &str) -> i64 {
    let body = example_with("TechnicianInput", json!({ "key": key }));
    service.make("/api/v1/technicians", &body).await["id"].as_i64().unwrap()
}

/// Places a visit with a technician.
pub(crate) async fn place(service: &Service, visit: i64, technician: i64) {
    let body = example_with("StateChangeInput", json!({ "technician_id": technician }));
    service.make(&format!("/api/v1/visits/{visit}/state-changes"), &body).await;
}

/// Checks that an answer is a problem document of the given status, and gives it.
pub(crate) async fn problem(answer: Response, status: u16) -> Value {
    let got = answer.status();
    let media_type = answer.headers().get(CONTENT_TYPE).cloned();
    let text = answer.text().await.unwrap();
    assert_eq!(got, StatusCode::from_u16(status).unwrap(), "{text}");
    assert_eq!(media_type.unwrap(), "application/problem+json", "{text}");
    let problem: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(problem["status"], status);
    assert!(problem["instance"].as_str().unwrap().starts_with("urn:uuid:"));
    problem
}
