//! Ways by which a notice leaves the house.

mod folder;
mod reach;
mod signed;
mod smtp;
mod webhook;

use async_trait::async_trait;
use chrono::{DateTime, Utc};

pub use folder::FolderChannel;
pub use reach::{Reach, UrlRefusal};
pub use signed::{SignedCall, SignedCalls, webhook_key, webhook_secret, webhook_signature};
pub use smtp::{Credentials, Encryption, SmtpChannel, SmtpSettings, SmtpSettingsError};
pub use webhook::{WebhookChannel, WebhookSettingsError};

use crate::message::OutgoingNotice;

/// How one attempt ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DeliveryOutcome {
    /// The receiver took it.
    Delivered {
        /// Its answer, or where the message lies.
        answer: String,
    },
    /// The receiver will never take it as it is: do not try again, reach the person otherwise.
    Refused {
        /// Why.
        reason: String,
    },
    /// Nothing was delivered; another attempt may succeed.
    TryAgain {
        /// Why not now.
        reason: String,
    },
    /// The message was on its way when the answer got lost: it may have arrived. Trying again
    /// repeats the same Message-ID, so the receiver can drop a duplicate.
    Unknown {
        /// What happened.
        reason: String,
    },
}

/// One way by which notices leave.
#[async_trait]
pub trait Channel: Send + Sync {
    /// What the channel is called in records, such as `smtp`.
    fn name(&self) -> &'static str;

    /// Tries once to deliver. `now` is the moment of this attempt, for channels that sign it.
    ///
    /// Never fails otherwise than by its outcome, and always ends: each channel has time-outs.
    async fn deliver(&self, notice: &OutgoingNotice, now: DateTime<Utc>) -> DeliveryOutcome;
}

/// An error with its causes on one line.
fn chain(error: &dyn core::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let cause_text = cause.to_string();
        // Some libraries print the cause themselves.
        if !text.contains(&cause_text) {
            text.push_str(": ");
            text.push_str(&cause_text);
        }
        source = cause.source();
    }
    text
}
