//! What every request and job shares.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use hotspell_store::Store;

use crate::clock::Clock;
use crate::config::Config;

/// Handles to everything with a state of its own; cheap to clone.
#[derive(Clone)]
pub struct AppState {
    /// The database.
    pub store: Store,
    /// The time.
    pub clock: Arc<dyn Clock>,
    /// The settings.
    pub config: Arc<Config>,
}

impl AppState {
    /// The present instant.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }
}
