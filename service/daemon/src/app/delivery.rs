//! The outbox on its way out: claim, deliver, record; at least once at the wire.

use std::sync::Arc;

use chrono::TimeDelta;
use hotspell_notices::channel::{
    Channel, Credentials, DeliveryOutcome, Encryption, FolderChannel, SmtpChannel, SmtpSettings,
};
use hotspell_notices::compose::ComposedNotice;
use hotspell_notices::message::{
    DkimAlgorithm, DkimSigner, OutgoingNotice, Recipient, Sender, StopLinks,
};
use hotspell_notices::retry::{NextStep, RetryPolicy};
use hotspell_store::contacts;
use hotspell_store::notices::{self, Attempt, Claim, NoticeRecord};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::AppError;
use super::bounces::{is_at, mark_unreachable};
use super::letters::Envelope;
use crate::config::{Config, MailChannel, SmtpSecurity};
use crate::state::AppState;

/// Time that one worker may hold a claimed notice.
const CLAIM: TimeDelta = TimeDelta::minutes(5);
/// Messages under way at once.
const AT_ONCE: i64 = 16;

/// The channel that the settings name.
///
/// # Errors
/// [`AppError::Invalid`] names the setting that does not fit.
pub fn channel(config: &Config) -> Result<Arc<dyn Channel>, AppError> {
    let mail = &config.mail;
    match mail.channel {
        MailChannel::Folder => Ok(Arc::new(FolderChannel::new(mail.folder.clone()))),
        MailChannel::Smtp => {
            let settings = SmtpSettings {
                port: mail.smtp_port,
                encryption: match mail.smtp_security {
                    SmtpSecurity::Starttls => Encryption::StartTls,
                    SmtpSecurity::Tls => Encryption::Implicit,
                    SmtpSecurity::None => Encryption::None,
                },
                credentials: mail.smtp_user.clone().map(|user| Credentials {
                    user,
                    password: mail
                        .smtp_password
                        .as_ref()
                        .map(|password| password.reveal().to_owned())
                        .unwrap_or_default(),
                }),
                answer_within: std::time::Duration::from_secs(mail.timeout_s),
                ..SmtpSettings::new(&mail.smtp_host)
            };
            let channel = SmtpChannel::new(settings, signer(config)?)
                .map_err(|error| AppError::field("mail.smtp_host", error))?;
            Ok(Arc::new(channel))
        }
    }
}

fn signer(config: &Config) -> Result<Option<DkimSigner>, AppError> {
    let mail = &config.mail;
    let (Some(domain), Some(selector), Some(key)) =
        (&mail.dkim_domain, &mail.dkim_selector, &mail.dkim_key)
    else {
        return Ok(None);
    };
    let key = key.reveal();
    let algorithm = if key.contains("BEGIN") { DkimAlgorithm::Rsa } else { DkimAlgorithm::Ed25519 };
    DkimSigner::new(selector, domain, algorithm, key)
        .map(Some)
        .map_err(|error| AppError::field("mail.dkim_key", error))
}

/// How a round of deliveries ended.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Delivered {
    /// Taken by the receiver.
    pub delivered: usize,
    /// To be tried again later.
    pub again: usize,
    /// Refused or given up: reach these people by phone.
    pub refused: usize,
}

/// Delivers notices that are due, at most `limit`, and no more within a minute than
/// `mail.per_minute` by all processes and requests together; the rest stays due.
///
/// Each notice is claimed first, so that two processes never send the same one at once; a
/// process that dies leaves its claim to run out. Its Message-ID is the same at each attempt.
///
/// # Errors
/// Those of the store. A notice that cannot be delivered is no error here.
pub async fn deliver_due(
    state: &AppState,
    channel: &Arc<dyn Channel>,
    worker: &str,
    limit: i64,
) -> Result<Delivered, AppError> {
    let mut total = Delivered::default();
    let mut left = limit;
    while left > 0 {
        let batch = claim(state, worker, left.min(AT_ONCE)).await?;
        if batch.is_empty() {
            break;
        }
        left -= i64::try_from(batch.len()).unwrap_or(left);
        let mut under_way = tokio::task::JoinSet::new();
        for notice in batch {
            let (state, channel, worker) = (state.clone(), Arc::clone(channel), worker.to_owned());
            under_way.spawn(async move { deliver_one(&state, &channel, &worker, notice).await });
        }
        while let Some(joined) = under_way.join_next().await {
            let attempt = joined.map_err(|error| AppError::internal("delivery task", error))??;
            match attempt {
                Attempt::Delivered => total.delivered += 1,
                Attempt::Again { .. } => total.again += 1,
                Attempt::Refused(_) | Attempt::GivenUp(_) => total.refused += 1,
            }
        }
    }
    Ok(total)
}

async fn claim(state: &AppState, worker: &str, limit: i64) -> Result<Vec<NoticeRecord>, AppError> {
    let (state, worker) = (state.clone(), worker.to_owned());
    blocking(move || {
        let now = state.now();
        let claim = Claim {
            worker: &worker,
            hold_for: CLAIM,
            at_most: limit,
            per_minute: i64::from(state.config.mail.per_minute),
        };
        Ok(state.store.write(|conn| notices::claim(conn, claim, now))?)
    })
    .await
}

/// Runs store work off the asynchronous threads.
async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, AppError> + Send + 'static,
) -> Result<T, AppError> {
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|error| AppError::internal("store task", error))?
}

async fn deliver_one(
    state: &AppState,
    channel: &Arc<dyn Channel>,
    worker: &str,
    notice: NoticeRecord,
) -> Result<Attempt, AppError> {
    let outcome = match outgoing(state, &notice) {
        Ok(outgoing) => channel.deliver(&outgoing, state.now()).await,
        // What cannot be read now cannot be read later; it must not block the others.
        Err(error) => DeliveryOutcome::Refused { reason: error.to_string() },
    };
    let attempt = attempt(state, &notice, outcome);
    let (state, worker, recorded) = (state.clone(), worker.to_owned(), attempt.clone());
    blocking(move || {
        let now = state.now();
        state.store.write(|conn| {
            notices::record_attempt(conn, notice.branch_id, notice.id, &worker, &recorded, now)?;
            if let (Attempt::Refused(reason) | Attempt::GivenUp(reason), Some(contact)) =
                (&recorded, notice.contact_id)
            {
                let record = contacts::find(conn, notice.branch_id, contact)?;
                if is_at(&record, &notice.recipient) {
                    mark_unreachable(conn, &record, notice.id, "mail not delivered", reason, now)?;
                }
            }
            Ok::<_, AppError>(())
        })
    })
    .await?;
    Ok(attempt)
}

/// The message as the channel takes it.
fn outgoing(state: &AppState, notice: &NoticeRecord) -> Result<OutgoingNotice, AppError> {
    let envelope: Envelope = serde_json::from_value(notice.headers.clone())
        .map_err(|error| AppError::internal("stored envelope of a notice", error))?;
    Ok(OutgoingNotice {
        id: notice.id,
        kind: notice.kind,
        composed_at: notice.created_at,
        recipient: Recipient {
            name: envelope.recipient_name,
            email: Some(notice.recipient.clone()),
            phone: envelope.recipient_phone,
        },
        sender: Sender {
            name: envelope.sender_name,
            email: state.config.mail.from.clone(),
            reply_to: envelope.reply_to,
            bounce_to: None,
        },
        stop: envelope.stop_url.map(|web_url| StopLinks {
            web_url,
            mailto_url: format!("mailto:{}?subject=stop", state.config.mail.stop_address),
        }),
        content: ComposedNotice {
            subject: notice.subject.clone(),
            short: envelope.short,
            action_url: envelope.action_url,
            text: notice.body_text.clone(),
            html: notice.body_html.clone().unwrap_or_default(),
            calendar: notice.calendar.clone(),
        },
    })
}

/// What follows from the outcome.
fn attempt(state: &AppState, notice: &NoticeRecord, outcome: DeliveryOutcome) -> Attempt {
    let (error, outcome_unknown) = match outcome {
        DeliveryOutcome::Delivered { .. } => return Attempt::Delivered,
        DeliveryOutcome::Refused { reason } => return Attempt::Refused(reason),
        DeliveryOutcome::TryAgain { reason } => (reason, false),
        DeliveryOutcome::Unknown { reason } => (reason, true),
    };
    let policy =
        RetryPolicy { most_attempts: state.config.mail.attempts, ..RetryPolicy::default() };
    let attempts = u32::try_from(notice.attempts).unwrap_or(u32::MAX);
    // Seeded by the notice and the attempt, so that messages that failed together part ways.
    let seed = u64::try_from(notice.id.0).unwrap_or(0).wrapping_mul(64) + u64::from(attempts);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    match policy.after_failure(attempts, state.now(), None, &mut rng) {
        NextStep::TryAt(at) => Attempt::Again { at, error, outcome_unknown },
        NextStep::GiveUp | NextStep::TooLate => Attempt::GivenUp(error),
    }
}
