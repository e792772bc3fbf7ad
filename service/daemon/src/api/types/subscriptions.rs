//! Programs that are told of changes, on the wire. Their secrets go one way only.

use chrono::{DateTime, Utc};
use hotspell_notices::channel::Reach;
use hotspell_store::subscriptions::{Position, SubscriptionFields, SubscriptionRecord};
use hotspell_store::words::{Resource, SubscriptionId};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::api::checks::Checks;
use crate::api::error::ApiError;

/// Longest address.
const URL_MAX: usize = 2_000;

/// A program that is to be told of changes.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "dispatch", "url": "https://dispatch.example.com/hotspell", "resources": ["visit"],
    "active": true
}))]
pub struct SubscriptionInput {
    /// Your own name of the program, unique in the branch.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// Where changes are posted: `https` and on the open internet, unless the service is set to call
    /// private addresses; without a user name or password.
    #[schema(min_length = 1, max_length = 2000)]
    pub url: String,
    /// Kinds of record of whose changes it is told; all if absent or empty.
    #[serde(default)]
    #[schema(max_items = 50)]
    pub resources: Vec<Resource>,
    /// Whether it is told at all; true if absent. What changes in the meantime is told when it is made
    /// active again.
    #[serde(default = "yes")]
    pub active: bool,
}

const fn yes() -> bool {
    true
}

impl SubscriptionInput {
    /// What is stored of it.
    pub(crate) fn fields(&self, reach: Reach) -> Result<SubscriptionFields, ApiError> {
        let mut checks = Checks::default();
        let mut resources = self.resources.clone();
        resources.sort_unstable_by_key(|resource| resource.as_str());
        resources.dedup();
        let url = checks.text("/url", &self.url, URL_MAX);
        let fields = SubscriptionFields {
            key: checks.key("/key", &self.key),
            url: checks.keep("/url", reach.url(&url)).map(Into::into).unwrap_or_default(),
            resources,
            active: self.active,
        };
        checks.finish()?;
        Ok(fields)
    }
}

/// How far a subscription has come.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SubscriptionPositionView {
    /// Number of the last change in the feed that it took, or that is of a kind that it is not told of.
    #[schema(example = 41)]
    pub last_change: i64,
    /// When it last took one.
    pub last_delivered_at: Option<DateTime<Utc>>,
    /// Number of calls for the next change that failed, one after the other.
    #[schema(example = 0)]
    pub failures: i32,
    /// Not before this instant is it called again.
    pub next_attempt_at: DateTime<Utc>,
    /// Why the last call that failed did.
    pub last_error: Option<String>,
    /// When that was.
    pub last_error_at: Option<DateTime<Utc>>,
    /// When it was given up. It stands still and loses nothing; changing it or delivering by hand goes on
    /// from where it stands.
    pub given_up_at: Option<DateTime<Utc>>,
}

/// A program that is told of changes, as stored: never its secret.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SubscriptionView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: SubscriptionId,
    /// Raised by one with each change; also the ETag. Telling it a change is none.
    #[schema(example = 1)]
    pub version: i64,
    /// When it came in.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
    /// Your own name of the program.
    pub key: String,
    /// Where changes are posted.
    pub url: String,
    /// Kinds of record of whose changes it is told; empty means all.
    pub resources: Vec<Resource>,
    /// Whether it is told at all.
    pub active: bool,
    /// How far it has come.
    pub position: SubscriptionPositionView,
}

/// A subscription with its secret, shown this once.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SubscriptionSecretView {
    /// Its number.
    #[schema(value_type = i64, example = 1)]
    pub id: SubscriptionId,
    /// What signs the calls: after `whsec_`, the key in base64. It cannot be shown again.
    #[schema(example = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD")]
    pub secret: String,
    /// What else is stored.
    pub stored: SubscriptionView,
}

impl SubscriptionView {
    /// The record with how far it has come.
    pub(crate) fn of(record: SubscriptionRecord, position: Position) -> Self {
        let SubscriptionFields { key, url, resources, active } = record.fields;
        Self {
            id: record.id,
            version: record.version,
            created_at: record.created_at,
            updated_at: record.updated_at,
            key,
            url,
            resources,
            active,
            position: SubscriptionPositionView {
                last_change: position.last_change,
                last_delivered_at: position.last_delivered_at,
                failures: position.failures,
                next_attempt_at: position.next_attempt_at,
                last_error: position.last_error,
                last_error_at: position.last_error_at,
                given_up_at: position.given_up_at,
            },
        }
    }
}
