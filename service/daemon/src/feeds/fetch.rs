//! One GET as a careful guest: conditional, with a limit of time and of size, by a stated name.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use hotspell_store::weather_sources::{self, WeatherSource};
use hotspell_store::words::StationId;
use reqwest::StatusCode;
use reqwest::header::{
    ETAG, HeaderMap, HeaderName, IF_MODIFIED_SINCE, IF_NONE_MATCH, LAST_MODIFIED, RETRY_AFTER,
};
use reqwest::redirect::{Action, Attempt, Policy};

use super::retry_after::retry_at;
use crate::state::AppState;

/// Redirections that are followed.
const REDIRECTS_MAX: usize = 3;
/// Longest wait that a source's `Retry-After` is believed; the weather comes once a day.
const RETRY_AFTER_MAX: TimeDelta = TimeDelta::hours(24);

/// Why a source gave nothing that could be kept.
#[derive(Debug, thiserror::Error)]
pub enum FeedError {
    /// A station key that cannot stand in an address.
    #[error("station key «{key}» cannot be part of an address; expected letters, digits, - and _")]
    StationKey {
        /// The key.
        key: String,
    },
    /// No answer, or it broke off.
    #[error("fetching {url}: {problem}")]
    Broken {
        /// Whence.
        url: String,
        /// What the connection said.
        problem: String,
    },
    /// Not done in time.
    #[error("fetching {url}: no whole answer within {timeout_s} s (weather.timeout_s)")]
    Slow {
        /// Whence.
        url: String,
        /// The limit.
        timeout_s: u64,
    },
    /// The source says no.
    #[error("fetching {url}: answered {status}; expected 200 or 304")]
    Status {
        /// Whence.
        url: String,
        /// Its status code.
        status: u16,
    },
    /// The source asked to be left alone for a while (RFC 9110 section 10.2.3).
    #[error("fetching {url}: the source asked to be left alone until {until}")]
    AskedToWait {
        /// Whence.
        url: String,
        /// It is not asked before.
        until: DateTime<Utc>,
    },
    /// More than is wanted.
    #[error("fetching {url}: more than {limit_bytes} bytes (weather.size_limit_bytes)")]
    TooLarge {
        /// Whence.
        url: String,
        /// The limit.
        limit_bytes: usize,
    },
    /// What came is not what it should be; nothing of it was stored.
    #[error("{source_name}: {problem}")]
    Unreadable {
        /// Address or file.
        source_name: String,
        /// What is wrong with it.
        problem: String,
    },
    /// The store or the process failed.
    #[error("keeping weather: {0}")]
    Keeping(#[source] Box<crate::app::AppError>),
}

impl FeedError {
    pub(super) fn unreadable(source: &str, problem: impl std::fmt::Display) -> Self {
        Self::Unreadable { source_name: source.to_owned(), problem: problem.to_string() }
    }

    pub(super) fn keeping(error: impl Into<crate::app::AppError>) -> Self {
        Self::Keeping(Box::new(error.into()))
    }
}

/// What a source said of a file; sent back with the next request once the file is stored.
#[derive(Debug, Clone)]
pub(super) struct Validators {
    etag: Option<String>,
    last_modified: Option<String>,
}

fn text(headers: &HeaderMap, name: HeaderName) -> Option<String> {
    headers.get(name).and_then(|value| value.to_str().ok()).map(str::to_owned)
}

/// Keeps what a source said of a file. To be called when the file is stored, not before.
///
/// # Errors
/// Those of the store.
pub(super) fn remember(
    state: &AppState,
    station: StationId,
    url: &str,
    validators: Validators,
) -> Result<(), FeedError> {
    let Validators { etag, last_modified } = validators;
    let source =
        WeatherSource { etag, last_modified, stored_at: Some(state.now()), retry_at: None };
    state
        .store
        .write(|conn| weather_sources::put(conn, station, url, &source))
        .map_err(FeedError::keeping)
}

/// What is remembered of sources while the process lives.
#[derive(Debug, Clone, Default)]
pub struct Sources {
    grids: Arc<Mutex<BTreeMap<String, String>>>,
}

impl Sources {
    /// The forecast's grid cell at an address of a point.
    pub(super) fn grid(&self, point_url: &str) -> Option<String> {
        self.grids.lock().unwrap_or_else(PoisonError::into_inner).get(point_url).cloned()
    }

    /// Keeps a grid cell; nothing forgets it.
    pub(super) fn set_grid(&self, point_url: &str, grid: Option<String>) {
        let mut held = self.grids.lock().unwrap_or_else(PoisonError::into_inner);
        match grid {
            Some(grid) => held.insert(point_url.to_owned(), grid),
            None => held.remove(point_url),
        };
    }
}

/// A file that has come in whole.
pub(super) struct Fetched {
    pub(super) bytes: Vec<u8>,
    pub(super) validators: Validators,
}

/// Gets a file, or nothing when it is the one that was stored last.
pub(super) async fn get(
    state: &AppState,
    station: StationId,
    url: &str,
) -> Result<Option<Fetched>, FeedError> {
    let settings = &state.config.weather;
    let known = state
        .store
        .read(|conn| weather_sources::find(conn, station, url))
        .map_err(FeedError::keeping)?;
    if let Some(until) = known.retry_at.filter(|until| *until > state.now()) {
        return Err(FeedError::AskedToWait { url: url.to_owned(), until });
    }
    let broken = |error: reqwest::Error| {
        if error.is_timeout() {
            FeedError::Slow { url: url.to_owned(), timeout_s: settings.timeout_s }
        } else {
            FeedError::Broken { url: url.to_owned(), problem: chain(&error) }
        }
    };
    let client = reqwest::Client::builder()
        .timeout(Duration::from_secs(settings.timeout_s))
        .user_agent(&settings.user_agent)
        .redirect(Policy::custom(within_host))
        .build()
        .map_err(broken)?;
    let mut request = client.get(url);
    if let Some(etag) = &known.etag {
        request = request.header(IF_NONE_MATCH, etag);
    }
    if let Some(instant) = &known.last_modified {
        request = request.header(IF_MODIFIED_SINCE, instant);
    }
    let mut answer = request.send().await.map_err(broken)?;
    match answer.status() {
        // Without having asked for it, «not modified» says nothing.
        StatusCode::NOT_MODIFIED if known.etag.is_some() || known.last_modified.is_some() => {
            return Ok(None);
        }
        StatusCode::OK => {}
        status => {
            let wait = text(answer.headers(), RETRY_AFTER);
            keep_wait(state, station, url, known, wait.as_deref())?;
            return Err(FeedError::Status { url: url.to_owned(), status: status.as_u16() });
        }
    }
    let headers = answer.headers();
    let validators =
        Validators { etag: text(headers, ETAG), last_modified: text(headers, LAST_MODIFIED) };
    let limit_bytes = settings.size_limit_bytes;
    let bytes = body(&mut answer, limit_bytes)
        .await
        .map_err(broken)?
        .ok_or_else(|| FeedError::TooLarge { url: url.to_owned(), limit_bytes })?;
    Ok(Some(Fetched { bytes, validators }))
}

/// The body of an answer; nothing when it is longer than the limit, of which no more is read.
pub(crate) async fn body(
    answer: &mut reqwest::Response,
    limit_bytes: usize,
) -> Result<Option<Vec<u8>>, reqwest::Error> {
    let mut bytes = Vec::new();
    while let Some(chunk) = answer.chunk().await? {
        if bytes.len() + chunk.len() > limit_bytes {
            return Ok(None);
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(Some(bytes))
}

/// Keeps until when the source wants to be left alone, if it says so; what it said of the file that
/// is stored stays.
fn keep_wait(
    state: &AppState,
    station: StationId,
    url: &str,
    known: WeatherSource,
    wait: Option<&str>,
) -> Result<(), FeedError> {
    let now = state.now();
    let Some(until) = wait.and_then(|wait| retry_at(wait, now, RETRY_AFTER_MAX)) else {
        return Ok(());
    };
    let source = WeatherSource { retry_at: Some(until), ..known };
    state
        .store
        .write(|conn| weather_sources::put(conn, station, url, &source))
        .map_err(FeedError::keeping)
}

/// Follows a redirection only within the host that was configured.
fn within_host(attempt: Attempt<'_>) -> Action {
    let first = attempt.previous().first();
    if attempt.previous().len() > REDIRECTS_MAX {
        attempt.error("too many redirections")
    } else if first.is_some_and(|first| first.host_str() == attempt.url().host_str()) {
        attempt.follow()
    } else {
        attempt.stop()
    }
}

/// The error with its causes: the outermost alone says nothing to a person.
pub(crate) fn chain(error: &dyn std::error::Error) -> String {
    let mut said = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        said.push_str(": ");
        said.push_str(&inner.to_string());
        cause = inner.source();
    }
    said
}
