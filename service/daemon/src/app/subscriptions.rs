//! Other programs are told of every change, in the order of the change feed, at least once.
//!
//! Each subscription has a place in the feed, moved in the database after each call that went well: a
//! crash repeats at most the call that was under way, under the same `webhook-id`, and skips none. A call
//! that fails holds up its own subscription alone: the next one to it waits longer each time, and after so
//! many failures it is given up where it stands, for the office to see.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use hotspell_domain::BranchId;
use hotspell_notices::channel::{
    DeliveryOutcome, Reach, SignedCall, SignedCalls, webhook_key, webhook_secret,
};
use hotspell_notices::retry::{NextStep, RetryPolicy};
use hotspell_store::changes::{self, Change};
use hotspell_store::subscriptions::{self, Position, Step, SubscriptionRecord};
use hotspell_store::words::{Resource, SubscriptionId};
use hotspell_store::{Page, StoreError};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use serde::Serialize;
use tokio_util::sync::CancellationToken;

use super::AppError;
use super::token::{self, NoRandomness};
use crate::config::{Config, Webhooks};
use crate::state::AppState;

/// Time that one worker may hold a subscription without a sign of life; longer than any call.
const CLAIM: TimeDelta = TimeDelta::minutes(5);
/// Changes read at once.
const BATCH: i64 = 100;
/// Calls to one subscription in one round of the job; the next round goes on.
const CALLS_PER_ROUND: usize = 2_000;
/// Calls in one request to deliver now.
pub const CALLS_PER_REQUEST: usize = 100;

/// What is posted: the change as the feed gives it, and whose it is.
#[derive(Debug, Serialize)]
struct Told {
    id: i64,
    branch_id: BranchId,
    resource: Resource,
    resource_id: i64,
    version: i64,
    at: DateTime<Utc>,
}

/// How far calls may reach by the settings.
#[must_use]
pub const fn reach(settings: &Webhooks) -> Reach {
    if settings.private_addresses { Reach::Anywhere } else { Reach::Public }
}

/// What makes the calls.
///
/// # Errors
/// When the HTTP client cannot be made.
pub fn calls(config: &Config) -> Result<SignedCalls, AppError> {
    let within = Duration::from_secs(config.webhooks.timeout_s);
    SignedCalls::new(within, reach(&config.webhooks))
        .map_err(|error| AppError::internal("client of webhooks", error))
}

/// A new shared secret of 256 random bits, as its receiver is shown it.
///
/// # Errors
/// When the machine's generator fails.
pub fn new_secret() -> Result<String, NoRandomness> {
    Ok(webhook_secret(&token::random()?))
}

/// How a round ended.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Round {
    /// Changes that were taken.
    pub delivered: usize,
    /// Subscriptions whose call failed.
    pub failed: usize,
}

/// Tells every subscription that is due, all at once and each for itself.
///
/// # Errors
/// Those of the store. A subscriber that does not answer is no error here.
pub async fn tell_due(
    state: &AppState,
    calls: &SignedCalls,
    worker: &str,
    stop: &CancellationToken,
) -> Result<Round, AppError> {
    let claimed = {
        let (state, worker) = (state.clone(), worker.to_owned());
        blocking(move || {
            let now = state.now();
            Ok(state.store.write(|conn| subscriptions::claim(conn, &worker, None, CLAIM, now))?)
        })
        .await?
    };
    let mut under_way = tokio::task::JoinSet::new();
    for (record, position) in claimed {
        let teller = Teller {
            state: state.clone(),
            calls: calls.clone(),
            worker: worker.to_owned(),
            most: CALLS_PER_ROUND,
        };
        let stop = stop.clone();
        under_way.spawn(async move { teller.tell(&record, position, &stop).await });
    }
    let mut round = Round::default();
    while let Some(joined) = under_way.join_next().await {
        match joined.map_err(|error| AppError::internal("webhook task", error))? {
            Ok(one) => {
                round.delivered += one.delivered;
                round.failed += one.failed;
            }
            // One subscription's trouble with the database does not keep the others from being told.
            Err(error) => tracing::error!(error = %error, "a subscription could not be told"),
        }
    }
    Ok(round)
}

/// Tells one subscription now, whatever wait it is in and also if it was given up: at most
/// [`CALLS_PER_REQUEST`] changes.
///
/// # Errors
/// [`AppError::Conflict`] when it is not active or is being told at this moment.
pub async fn tell_now(
    state: &AppState,
    branch: BranchId,
    id: SubscriptionId,
) -> Result<(), AppError> {
    let worker = format!("request-{}", uuid::Uuid::new_v4());
    let (record, position) = {
        let (state, worker) = (state.clone(), worker.clone());
        blocking(move || {
            let now = state.now();
            state.store.write(|conn| {
                if !subscriptions::find(conn, branch, id)?.active {
                    let detail = format!("subscription {id} is not active");
                    return Err(AppError::Conflict(detail));
                }
                subscriptions::call_again(conn, branch, id, now)?;
                let claimed = subscriptions::claim(conn, &worker, Some(id), CLAIM, now)?;
                claimed.into_iter().next().ok_or_else(|| {
                    AppError::Conflict(format!("subscription {id} is being told at this moment"))
                })
            })
        })
        .await?
    };
    let calls = calls(&state.config)?;
    let teller = Teller { state: state.clone(), calls, worker, most: CALLS_PER_REQUEST };
    teller.tell(&record, position, &CancellationToken::new()).await?;
    Ok(())
}

/// One worker's way through one subscription.
struct Teller {
    state: AppState,
    calls: SignedCalls,
    worker: String,
    most: usize,
}

impl Teller {
    async fn tell(
        &self,
        record: &SubscriptionRecord,
        position: Position,
        stop: &CancellationToken,
    ) -> Result<Round, AppError> {
        let told = self.through(record, position, stop).await;
        let (id, worker) = (record.id, self.worker.clone());
        self.write(move |conn, _| subscriptions::release(conn, id, &worker)).await?;
        told
    }

    async fn through(
        &self,
        record: &SubscriptionRecord,
        position: Position,
        stop: &CancellationToken,
    ) -> Result<Round, AppError> {
        let mut round = Round::default();
        let (mut failures, mut after) = (position.failures, position.last_change);
        loop {
            let batch = self.next_changes(record.branch_id, after).await?;
            let Some(last) = batch.last().map(|change| change.id) else { return Ok(round) };
            for change in batch.iter().filter(|change| wanted(record, change)) {
                if stop.is_cancelled() || round.delivered >= self.most {
                    return Ok(round);
                }
                let outcome = self.call(record, &position.secret, change).await?;
                let step = self.step(record, change, failures, outcome);
                let has_failed = matches!(step, Step::Failed { .. });
                self.record(record.id, step).await?;
                if has_failed {
                    round.failed += 1;
                    return Ok(round);
                }
                failures = 0;
                round.delivered += 1;
            }
            if !batch.last().is_some_and(|change| wanted(record, change)) {
                self.record(record.id, Step::To { change: last, delivered: false }).await?;
            }
            after = last;
        }
    }

    async fn next_changes(&self, branch: BranchId, after: i64) -> Result<Vec<Change>, AppError> {
        let store = self.state.store.clone();
        blocking(move || {
            Ok(store.read_settled(|conn| changes::list(conn, branch, Page::after(after, BATCH)))?)
        })
        .await
    }

    async fn call(
        &self,
        record: &SubscriptionRecord,
        secret: &str,
        change: &Change,
    ) -> Result<DeliveryOutcome, AppError> {
        let told = Told {
            id: change.id,
            branch_id: change.branch_id,
            resource: change.resource,
            resource_id: change.resource_id,
            version: change.version,
            at: change.at,
        };
        let body = serde_json::to_vec(&told)
            .map_err(|error| AppError::internal("body of a webhook", error))?;
        let key = webhook_key(secret)
            .ok_or_else(|| AppError::internal("stored secret", "it is no webhook secret"))?;
        let id = change.id.to_string();
        // Looked at anew: the settings may have become narrower since the address was stored.
        match reach(&self.state.config.webhooks).url(&record.url) {
            Ok(url) => {
                let call = SignedCall { url: &url, key: &key, id: &id, body: &body };
                Ok(self.calls.post(call, self.state.now()).await)
            }
            Err(refusal) => Ok(DeliveryOutcome::Refused { reason: refusal.to_string() }),
        }
    }

    /// What follows from an outcome. A refusal is tried again too: passing over a change would tell the
    /// later ones out of order.
    fn step(
        &self,
        record: &SubscriptionRecord,
        change: &Change,
        failures: i32,
        outcome: DeliveryOutcome,
    ) -> Step {
        let error = match outcome {
            DeliveryOutcome::Delivered { .. } => {
                return Step::To { change: change.id, delivered: true };
            }
            DeliveryOutcome::Refused { reason }
            | DeliveryOutcome::TryAgain { reason }
            | DeliveryOutcome::Unknown { reason } => reason,
        };
        let policy = RetryPolicy {
            most_attempts: self.state.config.webhooks.attempts,
            ..RetryPolicy::default()
        };
        let attempts = u32::try_from(failures).unwrap_or(0).saturating_add(1);
        // Seeded by the subscription and the attempt, so that those that failed together part ways.
        let seed = u64::try_from(record.id.0).unwrap_or(0).wrapping_mul(64) + u64::from(attempts);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let again_at = match policy.after_failure(attempts, self.state.now(), None, &mut rng) {
            NextStep::TryAt(at) => Some(at),
            NextStep::GiveUp | NextStep::TooLate => None,
        };
        tracing::warn!(
            subscription = %record.key,
            change = change.id,
            attempts,
            given_up = again_at.is_none(),
            error = %error,
            "a subscriber did not take a change"
        );
        Step::Failed { error, again_at }
    }

    async fn record(&self, id: SubscriptionId, step: Step) -> Result<(), AppError> {
        let worker = self.worker.clone();
        self.write(move |conn, now| subscriptions::record(conn, id, &worker, CLAIM, &step, now))
            .await
    }

    async fn write(
        &self,
        work: impl FnOnce(&mut hotspell_store::AnyConnection, DateTime<Utc>) -> Result<(), StoreError>
        + Send
        + 'static,
    ) -> Result<(), AppError> {
        let state = self.state.clone();
        blocking(move || {
            let now = state.now();
            Ok(state.store.write(|conn| work(conn, now))?)
        })
        .await
    }
}

/// Whether the subscription is told of changes of this kind.
fn wanted(record: &SubscriptionRecord, change: &Change) -> bool {
    record.resources.is_empty() || record.resources.contains(&change.resource)
}

/// Runs store work off the asynchronous threads.
async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, AppError> + Send + 'static,
) -> Result<T, AppError> {
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|error| AppError::internal("store task", error))?
}
