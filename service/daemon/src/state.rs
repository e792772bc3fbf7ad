//! What every request and job shares.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use hotspell_notices::links::LinkKey;
use hotspell_store::Store;

use crate::app::background::AtWork;
use crate::clock::Clock;
use crate::config::Config;
use crate::feeds::Sources;

/// Handles to everything with a state of its own; cheap to clone.
#[derive(Clone)]
pub struct AppState {
    /// The database.
    pub store: Store,
    /// The time.
    pub clock: Arc<dyn Clock>,
    /// The settings.
    pub config: Arc<Config>,
    /// The key that signs links in mail.
    pub links: LinkKey,
    /// What is remembered of the sources of weather.
    pub sources: Sources,
    /// The long work of this process.
    pub at_work: AtWork,
}

impl AppState {
    /// Brings the parts together. Without a configured signing key a random one is made: links
    /// in earlier mail then stop working at each start, which the log says.
    ///
    /// # Errors
    /// When the configured key is too short.
    pub fn new(
        store: Store,
        clock: Arc<dyn Clock>,
        config: Config,
    ) -> Result<Self, hotspell_notices::links::KeyTooShort> {
        let links = match &config.links.signing_key {
            Some(key) => LinkKey::new(key.reveal().as_bytes())?,
            None => {
                tracing::warn!(
                    "links.signing_key is not set: links in mail stop working at the next start"
                );
                // Two random UUIDs are 244 bits from the system's generator.
                let random = [uuid::Uuid::new_v4(), uuid::Uuid::new_v4()];
                LinkKey::new(&random.map(uuid::Uuid::into_bytes).concat())?
            }
        };
        Ok(Self {
            store,
            clock,
            config: Arc::new(config),
            links,
            sources: Sources::default(),
            at_work: AtWork::default(),
        })
    }

    /// The present instant.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }
}
