//! A signed HTTP POST of the notice as JSON, to which any gateway can be attached.
//!
//! The signature follows the open «Standard Webhooks» specification, for which receivers find
//! ready libraries: HMAC-SHA256 over `id.timestamp.body`, sent as `webhook-signature: v1,BASE64`
//! beside `webhook-id` (the same at each attempt) and `webhook-timestamp` (of this attempt).

use std::time::Duration;

use async_trait::async_trait;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, Utc};
use reqwest::header::CONTENT_TYPE;
use reqwest::{Client, StatusCode, Url, redirect};
use serde::Serialize;

use super::{Channel, DeliveryOutcome, chain};
use crate::links::{KeyTooShort, LinkKey, hmac_sha256};
use crate::message::OutgoingNotice;

/// Settings that no webhook can be called with.
#[derive(Debug, thiserror::Error)]
pub enum WebhookSettingsError {
    /// The address.
    #[error("«{0}» is no web address")]
    Url(String),
    /// The key.
    #[error(transparent)]
    Key(#[from] KeyTooShort),
    /// The HTTP client.
    #[error("the HTTP client could not be made")]
    Client(#[from] reqwest::Error),
}

/// Posts each notice to one address.
pub struct WebhookChannel {
    url: Url,
    key: Vec<u8>,
    client: Client,
}

impl core::fmt::Debug for WebhookChannel {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("WebhookChannel").field("url", &self.url.as_str()).finish_non_exhaustive()
    }
}

/// What is posted.
#[derive(Serialize)]
struct Body<'a> {
    id: i64,
    kind: &'static str,
    message_id: String,
    composed_at: DateTime<Utc>,
    recipient_name: &'a str,
    recipient_email: Option<&'a str>,
    recipient_phone: Option<&'a str>,
    subject: &'a str,
    short: &'a str,
    action_url: Option<&'a str>,
    stop_url: Option<&'a str>,
    text: &'a str,
    html: &'a str,
    calendar: Option<&'a str>,
}

/// The value of `webhook-signature`.
#[must_use]
pub fn webhook_signature(key: &[u8], id: &str, timestamp_seconds: i64, body: &[u8]) -> String {
    let mut signed = format!("{id}.{timestamp_seconds}.").into_bytes();
    signed.extend_from_slice(body);
    format!("v1,{}", STANDARD.encode(hmac_sha256(key, &signed)))
}

impl WebhookChannel {
    /// A channel to an address. `key`: the shared secret, at least 32 random bytes. `answer_within`:
    /// longest time for one call.
    ///
    /// # Errors
    /// [`WebhookSettingsError`].
    pub fn new(
        url: &str,
        key: &[u8],
        answer_within: Duration,
    ) -> Result<Self, WebhookSettingsError> {
        let parsed =
            Url::parse(url).map_err(|_invalid| WebhookSettingsError::Url(url.to_owned()))?;
        if !matches!(parsed.scheme(), "http" | "https") {
            return Err(WebhookSettingsError::Url(url.to_owned()));
        }
        LinkKey::new(key)?;
        // The one TLS provider of the workspace; another one that is already there stays.
        drop(rustls::crypto::ring::default_provider().install_default());
        let client = Client::builder()
            .timeout(answer_within)
            .redirect(redirect::Policy::none())
            .user_agent("hotspell")
            .build()?;
        Ok(Self { url: parsed, key: key.to_vec(), client })
    }
}

#[async_trait]
impl Channel for WebhookChannel {
    fn name(&self) -> &'static str {
        "webhook"
    }

    async fn deliver(&self, notice: &OutgoingNotice, now: DateTime<Utc>) -> DeliveryOutcome {
        let body = match serde_json::to_vec(&body(notice)) {
            Ok(body) => body,
            Err(error) => return DeliveryOutcome::Refused { reason: chain(&error) },
        };
        let id = notice.message_id();
        let signature = webhook_signature(&self.key, &id, now.timestamp(), &body);
        let sent = self
            .client
            .post(self.url.clone())
            .header(CONTENT_TYPE, "application/json")
            .header("webhook-id", &id)
            .header("webhook-timestamp", now.timestamp())
            .header("webhook-signature", signature)
            .body(body)
            .send()
            .await;
        match sent {
            Ok(response) => outcome_of(response.status()),
            Err(error) if error.is_connect() || error.is_builder() => {
                DeliveryOutcome::TryAgain { reason: chain(&error) }
            }
            Err(error) => DeliveryOutcome::Unknown { reason: chain(&error) },
        }
    }
}

fn body(notice: &OutgoingNotice) -> Body<'_> {
    Body {
        id: notice.id.0,
        kind: notice.kind.as_str(),
        message_id: notice.message_id(),
        composed_at: notice.composed_at,
        recipient_name: &notice.recipient.name,
        recipient_email: notice.recipient.email.as_deref(),
        recipient_phone: notice.recipient.phone.as_deref(),
        subject: &notice.content.subject,
        short: &notice.content.short,
        action_url: notice.content.action_url.as_deref(),
        stop_url: notice.stop.as_ref().map(|stop| stop.web_url.as_str()),
        text: &notice.content.text,
        html: &notice.content.html,
        calendar: notice.content.calendar.as_deref(),
    }
}

/// A server's trouble passes (5xx); of the 4xx only those that say so.
fn outcome_of(status: StatusCode) -> DeliveryOutcome {
    let passes = status.is_server_error()
        || matches!(
            status,
            StatusCode::REQUEST_TIMEOUT | StatusCode::TOO_EARLY | StatusCode::TOO_MANY_REQUESTS
        );
    if status.is_success() {
        DeliveryOutcome::Delivered { answer: status.to_string() }
    } else if passes {
        DeliveryOutcome::TryAgain { reason: format!("the webhook answered {status}") }
    } else {
        DeliveryOutcome::Refused { reason: format!("the webhook answered {status}") }
    }
}
