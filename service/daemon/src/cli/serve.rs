//! `hotspell serve`: the daemon.

use std::io::IsTerminal as _;
use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;
use hotspell_store::{Store, StoreOptions};
use tokio_util::sync::CancellationToken;

use super::CommandError;
use crate::clock::SystemClock;
use crate::config::{Config, LogFormat};
use crate::server::{self, Hooks};
use crate::state::AppState;

/// Where the settings are.
#[derive(Debug, Clone, Args)]
pub(crate) struct ConfigArg {
    /// File with the settings; every key can also be set as `HOTSPELL_SECTION__KEY`.
    #[arg(long, value_name = "FILE")]
    pub(crate) config: Option<PathBuf>,
}

impl ConfigArg {
    /// Reads the settings.
    pub(crate) fn load(&self) -> Result<Config, CommandError> {
        crate::config::load(self.config.as_deref(), std::env::vars())
            .map_err(|error| CommandError::Input(error.to_string()))
    }
}

/// Serves with the pages and jobs of the hooks until SIGTERM or ctrl-c.
pub(crate) fn run(args: &ConfigArg, hooks: Hooks) -> Result<(), CommandError> {
    let config = args.load()?;
    log_to_stderr(&config)?;
    let store = open_store(&config)?;
    let listener = TcpListener::bind(config.server.bind).map_err(|error| {
        CommandError::Input(format!(
            "server.bind: cannot listen on {}: {error}",
            config.server.bind
        ))
    })?;
    let state = AppState::new(store, Arc::new(SystemClock), config)
        .map_err(|error| CommandError::Input(format!("links.signing_key: {error}")))?;
    runtime()?.block_on(async {
        let stop = CancellationToken::new();
        server::stop_on_signal(stop.clone()).map_err(CommandError::failure)?;
        tracing::info!(address = %listener.local_addr().map_err(CommandError::failure)?, "listening");
        server::run(state, listener, hooks, stop).await.map_err(CommandError::failure)
    })
}

/// Opens the database and brings its schema up to date.
pub(crate) fn open_store(config: &Config) -> Result<Store, CommandError> {
    let options =
        StoreOptions { pool_size: config.database.connections, ..StoreOptions::default() };
    Store::open_with(config.database.url.reveal(), options).map_err(CommandError::failure)
}

/// The threads on which everything asynchronous runs.
pub(crate) fn runtime() -> Result<tokio::runtime::Runtime, CommandError> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(CommandError::failure)
}

/// Starts the log as the settings say.
pub(crate) fn log_to_stderr(config: &Config) -> Result<(), CommandError> {
    let filter = tracing_subscriber::EnvFilter::try_new(&config.log.filter)
        .map_err(|error| CommandError::Input(format!("log.filter: {error}")))?;
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::stderr().is_terminal())
        .with_writer(std::io::stderr);
    match config.log.format {
        LogFormat::Text => log.try_init(),
        LogFormat::Json => log.json().flatten_event(true).try_init(),
    }
    .map_err(CommandError::Failure)
}
