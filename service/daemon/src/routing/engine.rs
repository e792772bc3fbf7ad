//! Questions to a table service in the manner of OSRM
//! (<https://project-osrm.org/docs/v5.24.0/api/#table-service>): seconds of driving from some places to
//! others, null where there is no road.

use std::time::Duration;

use hotspell_planning::travel::MAX_TRAVEL_S;
use reqwest::redirect::Policy;
use reqwest::{Client, StatusCode};
use serde::Deserialize;
use tokio::task::JoinSet;

use crate::config::Routing;
use crate::feeds::fetch::{body, chain};

/// Questions under way at once.
const AT_ONCE: usize = 4;
/// Failures in a row after which the engine is left alone.
const GIVE_UP: usize = 3;
/// Largest answer: so many bytes, and more for each cell and each place (which comes with its street).
const BYTES: usize = 65_536;
const BYTES_PER_CELL: usize = 64;
const BYTES_PER_PLACE: usize = 2_048;

/// Why a question got no answer that can be used.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum EngineError {
    /// No answer, or it broke off.
    #[error("the routing engine does not answer: {0}")]
    Broken(String),
    /// Not done in time.
    #[error("the routing engine gave no whole answer within {0} s (routing.timeout_s)")]
    Slow(u64),
    /// The engine says no.
    #[error("the routing engine answered {status}{said}; expected 200")]
    Status {
        /// Its status code.
        status: u16,
        /// What it said beside.
        said: String,
    },
    /// What came is no table of the trips that were asked for.
    #[error("the routing engine's answer cannot be used: {0}")]
    Unreadable(String),
}

/// Trips to be asked for, by index of the place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Question {
    pub(super) origins: Vec<usize>,
    pub(super) destinations: Vec<usize>,
}

/// Seconds of driving, one row for each origin; `None` = no road.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Answer {
    pub(super) question: Question,
    pub(super) seconds: Vec<Vec<Option<i32>>>,
}

/// What came of many questions.
#[derive(Debug, Default)]
pub(super) struct Asked {
    pub(super) answers: Vec<Answer>,
    pub(super) failures: Vec<EngineError>,
    /// Questions that were not asked any more.
    pub(super) unasked: usize,
}

/// Asks a few questions at a time, until all are asked or some in a row have failed.
pub(super) async fn ask_all(
    settings: &Routing,
    base: &str,
    coordinates: Vec<String>,
    questions: Vec<Question>,
) -> Asked {
    let mut asked = Asked::default();
    let client = Client::builder()
        .timeout(Duration::from_secs(settings.timeout_s))
        .user_agent(&settings.user_agent)
        .redirect(Policy::none())
        .build();
    let client = match client {
        Ok(client) => client,
        Err(error) => {
            asked.failures.push(EngineError::Broken(chain(&error)));
            asked.unasked = questions.len();
            return asked;
        }
    };
    let timeout_s = settings.timeout_s;
    let mut queue = questions.into_iter();
    let mut running = JoinSet::new();
    let mut in_a_row = 0;
    loop {
        while running.len() < AT_ONCE && in_a_row < GIVE_UP {
            let Some(question) = queue.next() else { break };
            let (client, url) = (client.clone(), address(base, &coordinates, &question));
            running.spawn(async move { ask(&client, &url, timeout_s, question).await });
        }
        match running.join_next().await {
            None => break,
            Some(Ok(Ok(answer))) => {
                in_a_row = 0;
                asked.answers.push(answer);
            }
            Some(Ok(Err(error))) => {
                in_a_row += 1;
                asked.failures.push(error);
            }
            Some(Err(error)) => {
                in_a_row += 1;
                asked.failures.push(EngineError::Broken(error.to_string()));
            }
        }
    }
    asked.unasked = queue.len();
    asked
}

/// The address of a question: every place once, origins first, and which of them are meant.
fn address(base: &str, coordinates: &[String], question: &Question) -> String {
    let mut places = question.origins.clone();
    let mut numbers = Vec::with_capacity(question.destinations.len());
    for &destination in &question.destinations {
        let number = places.iter().position(|&place| place == destination);
        numbers.push(number.unwrap_or(places.len()));
        if number.is_none() {
            places.push(destination);
        }
    }
    let list = |numbers: &mut dyn Iterator<Item = usize>| {
        numbers.map(|number| number.to_string()).collect::<Vec<_>>().join(";")
    };
    let spots: Vec<&str> = places.iter().map(|&place| coordinates[place].as_str()).collect();
    let base = base.trim_end_matches('/');
    let spots = spots.join(";");
    let origins = list(&mut (0..question.origins.len()));
    let destinations = list(&mut numbers.into_iter());
    format!(
        "{base}/table/v1/driving/{spots}\
         ?annotations=duration&sources={origins}&destinations={destinations}"
    )
}

#[derive(Deserialize)]
struct Table {
    code: String,
    message: Option<String>,
    durations: Option<Vec<Vec<Option<f64>>>>,
}

async fn ask(
    client: &Client,
    url: &str,
    timeout_s: u64,
    question: Question,
) -> Result<Answer, EngineError> {
    let broken = |error: reqwest::Error| {
        // Without the address: it is a kilobyte of coordinates.
        let error = error.without_url();
        if error.is_timeout() {
            EngineError::Slow(timeout_s)
        } else {
            EngineError::Broken(chain(&error))
        }
    };
    let places = question.origins.len() + question.destinations.len();
    let cells = question.origins.len() * question.destinations.len();
    let limit = BYTES + BYTES_PER_CELL * cells + BYTES_PER_PLACE * places;
    let mut answer = client.get(url).send().await.map_err(broken)?;
    let status = answer.status();
    let bytes = body(&mut answer, limit).await.map_err(broken)?.ok_or_else(|| {
        EngineError::Unreadable(format!("more than {limit} bytes for {cells} trips"))
    })?;
    let table: Result<Table, _> = serde_json::from_slice(&bytes);
    if status != StatusCode::OK {
        let said = table.ok().map(|table| format!(" ({})", words(&table))).unwrap_or_default();
        return Err(EngineError::Status { status: status.as_u16(), said });
    }
    let table = table.map_err(|error| EngineError::Unreadable(error.to_string()))?;
    let seconds = seconds(table, &question).map_err(EngineError::Unreadable)?;
    Ok(Answer { question, seconds })
}

fn words(table: &Table) -> String {
    let message = table.message.as_deref().unwrap_or_default();
    format!("{} {message}", table.code).trim().chars().take(200).collect()
}

/// The table as whole seconds, if it is one of the size that was asked for.
fn seconds(table: Table, question: &Question) -> Result<Vec<Vec<Option<i32>>>, String> {
    if table.code != "Ok" {
        return Err(words(&table));
    }
    let (rows, columns) = (question.origins.len(), question.destinations.len());
    let durations = table.durations.ok_or("it has no durations")?;
    if durations.len() != rows || durations.iter().any(|row| row.len() != columns) {
        return Err(format!("its table is not {rows} by {columns}"));
    }
    durations
        .into_iter()
        .map(|row| row.into_iter().map(|cell| cell.map(whole_seconds).transpose()).collect())
        .collect()
}

fn whole_seconds(duration: f64) -> Result<i32, String> {
    if (0.0..=f64::from(MAX_TRAVEL_S)).contains(&duration) {
        #[expect(clippy::cast_possible_truncation, reason = "checked above")]
        let whole = duration.round() as i32;
        Ok(whole)
    } else {
        Err(format!("a trip of {duration} s; expected 0 to {MAX_TRAVEL_S}"))
    }
}
