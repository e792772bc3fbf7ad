//! Signed HTTP POSTs of JSON to outside programs: the one place that makes them.
//!
//! The signature follows the open «Standard Webhooks» specification, for which receivers find
//! ready libraries: HMAC-SHA256 over `id.timestamp.body`, sent as `webhook-signature: v1,BASE64`
//! beside `webhook-id` (the same at each attempt) and `webhook-timestamp` (of this attempt).

use std::sync::Arc;
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chrono::{DateTime, Utc};
use reqwest::header::CONTENT_TYPE;
use reqwest::{Client, StatusCode, Url, redirect};

use super::reach::{Reach, Resolver};
use super::{DeliveryOutcome, chain};
use crate::links::hmac_sha256;

/// How a shared secret begins when it is shown, by the specification.
const SECRET_PREFIX: &str = "whsec_";
/// Bytes of a shared secret: the specification asks for 24 to 64.
const SECRET_BYTES: core::ops::RangeInclusive<usize> = 24..=64;

/// Posts signed JSON.
#[derive(Debug, Clone)]
pub struct SignedCalls {
    client: Client,
}

/// One call.
#[derive(Debug, Clone, Copy)]
pub struct SignedCall<'a> {
    /// Where to.
    pub url: &'a Url,
    /// The shared secret.
    pub key: &'a [u8],
    /// Names what is told, the same at each attempt, so that a receiver can drop what it has.
    pub id: &'a str,
    /// JSON.
    pub body: &'a [u8],
}

impl SignedCalls {
    /// `answer_within`: longest time for one call. Redirects are not followed; with [`Reach::Public`] no
    /// proxy is asked, since it would look names up by itself.
    ///
    /// # Errors
    /// When the HTTP client cannot be made.
    pub fn new(answer_within: Duration, reach: Reach) -> Result<Self, reqwest::Error> {
        // The one TLS provider of the workspace; another one that is already there stays.
        drop(rustls::crypto::ring::default_provider().install_default());
        let mut client = Client::builder()
            .timeout(answer_within)
            .redirect(redirect::Policy::none())
            .user_agent("hotspell");
        if reach == Reach::Public {
            client = client.no_proxy().dns_resolver(Arc::new(Resolver(reach)));
        }
        Ok(Self { client: client.build()? })
    }

    /// Tries once. `now` is the moment that is signed.
    pub async fn post(&self, call: SignedCall<'_>, now: DateTime<Utc>) -> DeliveryOutcome {
        let SignedCall { url, key, id, body } = call;
        let sent = self
            .client
            .post(url.clone())
            .header(CONTENT_TYPE, "application/json")
            .header("webhook-id", id)
            .header("webhook-timestamp", now.timestamp())
            .header("webhook-signature", webhook_signature(key, id, now.timestamp(), body))
            .body(body.to_vec())
            .send()
            .await;
        // An address may carry a receiver's own token: it stays out of records and logs.
        match sent.map_err(reqwest::Error::without_url) {
            Ok(response) => outcome_of(response.status()),
            Err(error) if error.is_connect() || error.is_builder() => {
                DeliveryOutcome::TryAgain { reason: chain(&error) }
            }
            Err(error) => DeliveryOutcome::Unknown { reason: chain(&error) },
        }
    }
}

/// The value of `webhook-signature`.
#[must_use]
pub fn webhook_signature(key: &[u8], id: &str, timestamp_seconds: i64, body: &[u8]) -> String {
    let mut signed = format!("{id}.{timestamp_seconds}.").into_bytes();
    signed.extend_from_slice(body);
    format!("v1,{}", STANDARD.encode(hmac_sha256(key, &signed)))
}

/// A shared secret as it is shown to its receiver: `whsec_` and the bytes in base64.
#[must_use]
pub fn webhook_secret(key: &[u8]) -> String {
    format!("{SECRET_PREFIX}{}", STANDARD.encode(key))
}

/// The bytes of a secret that [`webhook_secret`] wrote; nothing if it is none.
#[must_use]
pub fn webhook_key(secret: &str) -> Option<Vec<u8>> {
    let key = STANDARD.decode(secret.strip_prefix(SECRET_PREFIX)?).ok()?;
    SECRET_BYTES.contains(&key.len()).then_some(key)
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

#[cfg(test)]
mod tests {
    use super::*;

    // The example in the specification (standard-webhooks/standard-webhooks, README of its reference
    // libraries; from memory), where it is checked by each of them.
    #[test]
    fn a_signature_is_that_of_the_specifications_example() {
        let key = webhook_key("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let body = br#"{"test": 2432232314}"#;
        let id = "msg_p5jXN8AQM9LWM0D4loKWxJek";
        assert_eq!(
            webhook_signature(&key, id, 1_614_265_330, body),
            "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
        );
    }

    #[test]
    fn a_secret_is_read_as_it_was_written_and_nothing_else_is_one() {
        assert_eq!(webhook_key(&webhook_secret(&[7; 32])), Some(vec![7; 32]));
        for text in ["", "whsec_", "whsec_AAAA", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_?"] {
            assert_eq!(webhook_key(text), None, "{text}");
        }
    }
}
