//! Server-sent events of a run, as the HTML standard has them (section 9.2).

use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use actix_web::body::{BodySize, MessageBody};
use actix_web::web::{self, Bytes};
use hotspell_domain::{BranchId, RunId};
use hotspell_store::runs;
use tokio::sync::mpsc;

use crate::api::transact::read;
use crate::api::types::runs::{RunEventView, RunStanding};
use crate::app::background;
use crate::state::AppState;

/// Between two looks at the run.
const LOOK: Duration = Duration::from_millis(500);

/// A body that ends with the run.
pub(super) struct Events(mpsc::Receiver<Bytes>);

impl MessageBody for Events {
    type Error = Infallible;

    fn size(&self) -> BodySize {
        BodySize::Stream
    }

    fn poll_next(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Bytes, Infallible>>> {
        self.get_mut().0.poll_recv(context).map(|event| event.map(Ok))
    }
}

/// Looks at a run until it has ended or the client has gone.
pub(super) fn follow(state: web::Data<AppState>, branch: BranchId, run: RunId) -> Events {
    let (events, body) = mpsc::channel(1);
    actix_web::rt::spawn(async move {
        loop {
            let found = read(&state, move |conn| Ok(runs::find(conn, branch, run)?)).await;
            let record = match found {
                Ok(record) => record,
                Err(error) => {
                    tracing::warn!(%run, error = %error, "events of a run end early");
                    return;
                }
            };
            let event = RunEventView {
                run_id: run,
                standing: background::standing(&state, &record).into(),
                progress: background::progress(&state, &record).unwrap_or(0.0),
            };
            let ended = !matches!(event.standing, RunStanding::Running | RunStanding::Stopping);
            if events.send(told(&event, ended)).await.is_err() || ended {
                return;
            }
            tokio::time::sleep(LOOK).await;
        }
    });
    Events(body)
}

fn told(event: &RunEventView, ended: bool) -> Bytes {
    let name = if ended { "ended" } else { "progress" };
    let data = serde_json::json!(event);
    Bytes::from(format!("event: {name}\ndata: {data}\n\n"))
}
