//! Settings: a TOML file, then the environment, all problems named at once.
//!
//! Every key `section.key` can be given as the environment variable
//! `HOTSPELL_SECTION__KEY`. A key that is not known is an error that names it.

mod load;
mod map;
mod secret;

use std::net::SocketAddr;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

pub use load::{ConfigError, load};
pub use map::{Map, MapError, Tiles};
pub use secret::Secret;

/// Everything that can be set.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
#[derive(Default)]
pub struct Config {
    /// Where the service listens and what it calls itself.
    pub server: Server,
    /// Where rows live.
    pub database: Database,
    /// How notices leave.
    pub mail: Mail,
    /// Links in mail.
    pub links: Links,
    /// Programs that are told of changes.
    pub webhooks: Webhooks,
    /// Where weather comes from.
    pub weather: Weather,
    /// When jobs are due.
    pub jobs: Jobs,
    /// Planner budgets and costs.
    pub planning: Planning,
    /// What a season is rehearsed with.
    pub rehearsal: Rehearsal,
    /// Costs that decisions about single parts weigh.
    pub decisions: Decisions,
    /// Where driving times come from.
    pub routing: Routing,
    /// The map under the routes of a day.
    pub map: Map,
    /// Pictures of visits.
    pub photos: Photos,
    /// What is logged.
    pub log: Log,
}

/// Where the service listens and what it calls itself.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Server {
    /// Address and port; port 0 takes a free one.
    pub bind: SocketAddr,
    /// Address under which browsers and mail readers reach the service, without a final slash.
    pub public_url: String,
    /// Largest request body, in bytes.
    pub body_limit_bytes: usize,
    /// Requests per minute and account or address before 429.
    pub requests_per_minute: u32,
    /// Seconds that requests and jobs in progress get when the service stops.
    pub stop_timeout_s: u64,
    /// Threads that serve requests; 0 means one per core.
    pub workers: usize,
}

impl Default for Server {
    fn default() -> Self {
        Self {
            bind: SocketAddr::from(([127, 0, 0, 1], 8750)),
            public_url: "http://127.0.0.1:8750".to_owned(),
            body_limit_bytes: 32 * 1024 * 1024,
            requests_per_minute: 1200,
            stop_timeout_s: 20,
            workers: 0,
        }
    }
}

/// Where rows live.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Database {
    /// `sqlite:PATH` or `postgres://…`.
    pub url: Secret,
    /// Largest number of connections.
    pub connections: u32,
}

impl Default for Database {
    fn default() -> Self {
        Self { url: Secret::new("sqlite:hotspell.db"), connections: 8 }
    }
}

/// How notices leave.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Mail {
    /// `folder` writes .eml files, `smtp` sends.
    pub channel: MailChannel,
    /// Folder for .eml files.
    pub folder: PathBuf,
    /// SMTP server's name.
    pub smtp_host: String,
    /// SMTP server's port.
    pub smtp_port: u16,
    /// `starttls`, `tls` or `none`.
    pub smtp_security: SmtpSecurity,
    /// User name, if the server asks for one.
    pub smtp_user: Option<String>,
    /// Password, if the server asks for one.
    pub smtp_password: Option<Secret>,
    /// Seconds until a delivery attempt is given up.
    pub timeout_s: u64,
    /// Address that mail comes from.
    pub from: String,
    /// Address that takes stop requests by mail (RFC 2369).
    pub stop_address: String,
    /// Most messages begun within a minute, by all processes on one database together.
    pub per_minute: u32,
    /// Most messages to one household in seven days.
    pub per_household_and_week: u32,
    /// Days before the last day of an agreement on which its household is told.
    pub renewal_days: u32,
    /// Delivery attempts before a message is given up.
    pub attempts: u32,
    /// Domain that signs (DKIM), if mail is signed.
    pub dkim_domain: Option<String>,
    /// Selector of the signing key.
    pub dkim_selector: Option<String>,
    /// RSA or Ed25519 private key in PEM.
    pub dkim_key: Option<Secret>,
}

/// Where notices go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MailChannel {
    /// Written as .eml files.
    Folder,
    /// Sent by SMTP.
    Smtp,
}

/// How the SMTP connection is protected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SmtpSecurity {
    /// Begins in the clear and must switch to TLS.
    Starttls,
    /// TLS from the first byte.
    Tls,
    /// In the clear; for a relay on the same machine only.
    None,
}

impl Default for Mail {
    fn default() -> Self {
        Self {
            channel: MailChannel::Folder,
            folder: PathBuf::from("outbox"),
            smtp_host: "127.0.0.1".to_owned(),
            smtp_port: 587,
            smtp_security: SmtpSecurity::Starttls,
            smtp_user: None,
            smtp_password: None,
            timeout_s: 30,
            from: "notices@hotspell.example.com".to_owned(),
            stop_address: "stop@hotspell.example.com".to_owned(),
            per_minute: 120,
            per_household_and_week: 3,
            renewal_days: 45,
            attempts: 8,
            dkim_domain: None,
            dkim_selector: None,
            dkim_key: None,
        }
    }
}

/// Links in mail.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Links {
    /// Key that signs answer links, at least 32 characters. Without one, a random key is made at
    /// each start and older links stop working.
    pub signing_key: Option<Secret>,
    /// Minutes for which other slots are kept for a household while it chooses.
    pub hold_minutes: u32,
}

impl Default for Links {
    fn default() -> Self {
        Self { signing_key: None, hold_minutes: 15 }
    }
}

/// Programs that are told of changes.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Webhooks {
    /// Whether they may be on this machine or in the house, and be called by plain `http`. Whoever may
    /// make a subscription then makes the service call what only it can reach.
    pub private_addresses: bool,
    /// Seconds until a call is given up.
    pub timeout_s: u64,
    /// Calls for one change that may fail before a subscription is given up.
    pub attempts: u32,
}

impl Default for Webhooks {
    fn default() -> Self {
        Self { private_addresses: false, timeout_s: 10, attempts: 30 }
    }
}

/// Where weather comes from.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Weather {
    /// Folder with one GHCN-Daily file per station (`ghcnd_<STATION>.dly`, `.dly` or `.csv`).
    pub folder: Option<PathBuf>,
    /// Base URL of daily observation files; the station's file name is appended.
    pub observations_url: Option<String>,
    /// Base URL of forecasts in the manner of api.weather.gov (`/points`, `/gridpoints`).
    pub forecast_url: Option<String>,
    /// Seconds until a fetch is given up.
    pub timeout_s: u64,
    /// Largest file that is fetched, in bytes.
    pub size_limit_bytes: usize,
    /// Name given to sources; theirs is to know whom to write to, so name an address.
    pub user_agent: String,
    /// Days without a new observation after which weather counts as stale.
    pub stale_after_days: i64,
}

impl Default for Weather {
    fn default() -> Self {
        Self {
            folder: None,
            observations_url: None,
            forecast_url: None,
            timeout_s: 30,
            size_limit_bytes: 64 * 1024 * 1024,
            user_agent: concat!("hotspell/", env!("CARGO_PKG_VERSION")).to_owned(),
            stale_after_days: 5,
        }
    }
}

/// When jobs are due, in each branch's local time.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Jobs {
    /// Whether this process runs jobs at all.
    pub enabled: bool,
    /// Weather is fetched at this time.
    pub weather_at: chrono::NaiveTime,
    /// Parts are scored at this time.
    pub scoring_at: chrono::NaiveTime,
    /// The adopted plan is checked, and planned again as a draft, at this time.
    pub planning_at: chrono::NaiveTime,
    /// Notices are written at this time.
    pub notices_at: chrono::NaiveTime,
    /// Technicians' routes for tomorrow are written at this time.
    pub routes_at: chrono::NaiveTime,
    /// Seconds that one run holds its lease before another process may take it over.
    pub lease_s: i64,
}

impl Default for Jobs {
    fn default() -> Self {
        let at =
            |hour, minute| chrono::NaiveTime::from_hms_opt(hour, minute, 0).unwrap_or_default();
        Self {
            enabled: true,
            weather_at: at(5, 0),
            scoring_at: at(5, 30),
            planning_at: at(6, 0),
            notices_at: at(9, 0),
            routes_at: at(17, 0),
            lease_s: 900,
        }
    }
}

/// Planner budgets and costs.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Planning {
    /// Seed of every random choice.
    pub seed: u64,
    /// Iterations of the season search for each visit.
    pub iterations_per_visit: u64,
    /// Threads of the planner; 0 means one per core.
    pub threads: usize,
    /// Technician seconds that one failure in the season costs (no-cool call, overtime, ill will).
    pub failure_cost_s: f64,
    /// Seconds added for each day past the due day.
    pub late_cost_s_per_day: i64,
    /// Work at homes on one technician's day that is comfortable, in seconds.
    pub comfortable_work_s: i32,
    /// Seconds that each second of work beyond the comfortable costs in addition, per cent; 0 leaves days
    /// as uneven as they come.
    pub beyond_comfortable_percent: u16,
    /// Length of the pause in the middle of a shift, in seconds; 0 means none.
    pub pause_s: i32,
    /// Earliest begin of the pause, by the branch's clock. A shift that does not span from here to
    /// `pause_until` has none.
    pub pause_from: chrono::NaiveTime,
    /// Latest end of the pause.
    pub pause_until: chrono::NaiveTime,
    /// Largest chance of missing a needed part that a truck may leave with.
    pub missing_part_chance: f64,
    /// Straight-line distance to road distance.
    pub detour: f64,
    /// Average driving speed in metres per second.
    pub speed_m_per_s: f64,
    /// Seconds to park and walk up at each stop.
    pub park_s: i64,
    /// How much slower the roads are through the day: each factor holds from its time until the next.
    pub slower_hours: Vec<SlowerHours>,
}

/// From a time of the day on, trips take so much of their usual time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SlowerHours {
    /// From this time of the branch's clock.
    pub from: chrono::NaiveTime,
    /// Per cent of the usual time, 25 to 1000; 100 is as usual.
    pub percent: u16,
}

/// Where driving times come from. Without an engine they are reckoned from straight-line distance.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Routing {
    /// Base URL of a routing engine with an OSRM-compatible table service (`/table/v1/driving`).
    pub url: Option<String>,
    /// Most places named in one question to it, at least 2; engines refuse more than they are set up for.
    pub places_per_question: usize,
    /// Seconds until a question is given up.
    pub timeout_s: u64,
    /// Days after which a time is asked for again.
    pub keep_days: u32,
    /// Name given to the engine.
    pub user_agent: String,
}

impl Default for Routing {
    fn default() -> Self {
        Self {
            url: None,
            places_per_question: 100,
            timeout_s: 20,
            keep_days: 90,
            user_agent: concat!("hotspell/", env!("CARGO_PKG_VERSION")).to_owned(),
        }
    }
}

impl Default for Planning {
    fn default() -> Self {
        Self {
            seed: 1,
            iterations_per_visit: 400,
            threads: 0,
            failure_cost_s: 14_400.0,
            late_cost_s_per_day: 1_200,
            comfortable_work_s: 19_800,
            beyond_comfortable_percent: 25,
            pause_s: 1_800,
            pause_from: chrono::NaiveTime::from_hms_opt(11, 0, 0).unwrap_or_default(),
            pause_until: chrono::NaiveTime::from_hms_opt(14, 0, 0).unwrap_or_default(),
            missing_part_chance: 0.05,
            detour: 1.3,
            speed_m_per_s: 10.6,
            park_s: 120,
            slower_hours: Vec::new(),
        }
    }
}

/// Most seasons that one rehearsal draws.
pub const REPLICATES_MAX: usize = 20_000;

/// What a season is rehearsed with. The numbers are our choice (no source): put in your own.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rehearsal {
    /// Seasons drawn unless the request says otherwise.
    pub replicates: usize,
    /// Share of a capacitor's coming failures that a reading at a visit shows, 0 to 1.
    pub found_by_reading: f64,
    /// The same of parts that are only looked at.
    pub found_by_eye: f64,
    /// No-cool calls that a technician at work can serve in a day.
    pub calls_per_technician_day: f64,
    /// No-cool calls that can be served on a day off.
    pub calls_on_day_off: f64,
}

impl Default for Rehearsal {
    fn default() -> Self {
        Self {
            replicates: 1_000,
            found_by_reading: 0.6,
            found_by_eye: 0.2,
            calls_per_technician_day: 4.0,
            calls_on_day_off: 2.0,
        }
    }
}

/// Costs that decisions about single parts weigh, all in one currency. The numbers are our choice
/// (no source): put in your own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Decisions {
    /// Name of the currency, as shown.
    pub currency: String,
    /// A swap during a visit that is made anyway.
    pub swap_on_visit_cost: f64,
    /// A swap of the sister part in the same hour.
    pub sister_swap_cost: f64,
    /// A planned swap with a trip of its own.
    pub planned_swap_cost: f64,
    /// A failure at an ordinary time.
    pub failure_cost: f64,
    /// A failure in the season's heat.
    pub hot_failure_cost: f64,
    /// Chance of failing since the last check at which the next one is due, 0 to 1.
    pub check_due_chance: f64,
}

impl Default for Decisions {
    fn default() -> Self {
        Self {
            currency: "USD".to_owned(),
            swap_on_visit_cost: 120.0,
            sister_swap_cost: 75.0,
            planned_swap_cost: 190.0,
            failure_cost: 380.0,
            hot_failure_cost: 620.0,
            check_due_chance: 0.1,
        }
    }
}

/// Pictures of visits.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Photos {
    /// Largest picture, in bytes; not more than `server.body_limit_bytes`.
    pub size_limit_bytes: usize,
    /// Most pictures of one visit.
    pub per_visit: usize,
}

impl Default for Photos {
    fn default() -> Self {
        Self { size_limit_bytes: 8 * 1024 * 1024, per_visit: 60 }
    }
}

/// What is logged.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Log {
    /// Filter such as `info` or `hotspell_daemon=debug,info`.
    pub filter: String,
    /// `text` or `json`.
    pub format: LogFormat,
}

/// Form of a log line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

impl Default for Log {
    fn default() -> Self {
        Self { filter: "info".to_owned(), format: LogFormat::Text }
    }
}
