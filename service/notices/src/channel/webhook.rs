//! A signed HTTP POST of the notice as JSON, to which any gateway can be attached.

use std::time::Duration;

use async_trait::async_trait;
use chrono::{DateTime, Utc};
use reqwest::Url;
use serde::Serialize;

use super::reach::Reach;
use super::signed::{SignedCall, SignedCalls};
use super::{Channel, DeliveryOutcome, chain};
use crate::links::{KeyTooShort, LinkKey};
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
    calls: SignedCalls,
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
        let calls = SignedCalls::new(answer_within, Reach::Anywhere)?;
        Ok(Self { url: parsed, key: key.to_vec(), calls })
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
        let call = SignedCall { url: &self.url, key: &self.key, id: &id, body: &body };
        self.calls.post(call, now).await
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
