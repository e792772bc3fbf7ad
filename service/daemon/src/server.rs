//! The HTTP server: one function that `serve`, the demo and the tests call alike.

use std::net::TcpListener;
use std::time::Duration;

use actix_web::middleware::from_fn;
use actix_web::{App, HttpServer, web};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use utoipa_actix_web::service_config::ServiceConfig;
use utoipa_swagger_ui::SwaggerUi;

use crate::api::auth::session::SignIns;
use crate::api::extract::extractors;
use crate::api::fallback::nothing_here;
use crate::api::middleware::limit::Limiter;
use crate::api::middleware::{authenticate, idempotency, observe};
use crate::api::operations::Operations;
use crate::api::{handlers, openapi};
use crate::state::AppState;

/// Where others join in.
#[derive(Debug, Clone, Copy)]
pub struct Hooks {
    /// Registers the pages; their paths are outside `/api/`.
    pub pages: fn(&mut web::ServiceConfig),
    /// Starts the jobs: each task watches the token and is tracked.
    pub jobs: fn(&AppState, &CancellationToken, &TaskTracker),
}

impl Hooks {
    /// The interface alone.
    pub const NONE: Self = Self { pages: |_| {}, jobs: |_, _, _| {} };
}

/// Serves on the listener until `stop` is cancelled. Then no new connection is taken, requests
/// and jobs in progress get the configured time to end, and the function returns.
///
/// # Errors
/// When the listener cannot be used.
pub async fn run(
    state: AppState,
    listener: TcpListener,
    hooks: Hooks,
    stop: CancellationToken,
) -> std::io::Result<()> {
    let settings = state.config.server.clone();
    let jobs = TaskTracker::new();
    (hooks.jobs)(&state, &stop, &jobs);
    let shared = Shared::new(state);
    let server = HttpServer::new(move || {
        let shared = shared.clone();
        App::new()
            .configure(|config| shared.register(config, hooks.pages))
            .wrap(from_fn(idempotency::once))
            .wrap(from_fn(authenticate::authenticate))
            .wrap(from_fn(observe::observe))
    })
    .disable_signals()
    .shutdown_timeout(settings.stop_timeout_s);
    let server = if settings.workers == 0 { server } else { server.workers(settings.workers) };
    let server = server.listen(listener)?.run();
    let handle = server.handle();
    // The server has a task of its own, so that stopping it and waiting for it do not wait for
    // each other.
    let mut server = tokio::spawn(server);
    tokio::select! {
        () = stop.cancelled() => {
            tracing::info!("stopping");
            handle.stop(true).await;
            server.await??;
        }
        ended = &mut server => {
            stop.cancel();
            ended??;
        }
    }
    jobs.close();
    let limit = Duration::from_secs(settings.stop_timeout_s);
    if tokio::time::timeout(limit, jobs.wait()).await.is_err() {
        tracing::warn!(tasks = jobs.len(), "jobs did not end in time and are left");
    }
    tracing::info!("stopped");
    Ok(())
}

/// What every worker thread shares.
#[derive(Clone)]
struct Shared {
    state: web::Data<AppState>,
    operations: web::Data<Operations>,
    limiter: web::Data<Limiter>,
    sign_ins: web::Data<SignIns>,
    document: utoipa::openapi::OpenApi,
}

impl Shared {
    fn new(state: AppState) -> Self {
        let document = openapi::document();
        Self {
            operations: web::Data::new(Operations::of(&document)),
            limiter: web::Data::new(Limiter::new(state.config.server.requests_per_minute)),
            sign_ins: web::Data::default(),
            state: web::Data::new(state),
            document,
        }
    }

    fn register(self, config: &mut web::ServiceConfig, pages: fn(&mut web::ServiceConfig)) {
        let extractors = extractors(self.state.config.server.body_limit_bytes);
        config
            .app_data(self.state)
            .app_data(self.operations)
            .app_data(self.limiter)
            .app_data(self.sign_ins)
            .app_data(extractors.json)
            .app_data(extractors.query)
            .app_data(extractors.path)
            .app_data(extractors.payload);
        handlers::routes(&mut ServiceConfig::new(config));
        config.service(SwaggerUi::new("/docs/{_:.*}").url("/openapi.json", self.document));
        config.configure(pages);
        config.default_service(web::route().to(nothing_here));
    }
}

/// Cancels `stop` on SIGTERM or ctrl-c.
///
/// # Errors
/// When the process may not listen for signals.
pub fn stop_on_signal(stop: CancellationToken) -> std::io::Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let (mut terminate, mut interrupt) =
        (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
    tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        stop.cancel();
    });
    Ok(())
}
