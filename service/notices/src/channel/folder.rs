//! Mail as files in a folder, for a demo or a house without a mail server.

use std::path::{Path, PathBuf};

use async_trait::async_trait;
use chrono::{DateTime, Utc};

use super::{Channel, DeliveryOutcome, chain};
use crate::message::{OutgoingNotice, build};

/// Writes each mail as one `.eml` file (RFC 5322), named by its Message-ID: delivering it again
/// replaces the same file.
#[derive(Debug, Clone)]
pub struct FolderChannel {
    folder: PathBuf,
}

impl FolderChannel {
    /// A channel into a folder, which is made at the first delivery.
    #[must_use]
    pub fn new(folder: impl Into<PathBuf>) -> Self {
        Self { folder: folder.into() }
    }

    /// Where the mail of a notice lies once delivered.
    #[must_use]
    pub fn path(&self, notice: &OutgoingNotice) -> PathBuf {
        let name: String = notice
            .message_id()
            .chars()
            .map(
                |c| if c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '@') { c } else { '_' },
            )
            .collect();
        self.folder.join(format!("{name}.eml"))
    }

    async fn write(&self, path: &Path, bytes: &[u8]) -> std::io::Result<()> {
        tokio::fs::create_dir_all(&self.folder).await?;
        // A reader of the folder sees a whole mail or none: rename is atomic within a folder.
        let unfinished = path.with_extension("eml.part");
        let mut file = tokio::fs::File::create(&unfinished).await?;
        tokio::io::AsyncWriteExt::write_all(&mut file, bytes).await?;
        file.sync_all().await?;
        tokio::fs::rename(&unfinished, path).await
    }
}

#[async_trait]
impl Channel for FolderChannel {
    fn name(&self) -> &'static str {
        "folder"
    }

    async fn deliver(&self, notice: &OutgoingNotice, _now: DateTime<Utc>) -> DeliveryOutcome {
        let message = match build(notice, None) {
            Ok(message) => message,
            Err(error) => return DeliveryOutcome::Refused { reason: chain(&error) },
        };
        let path = self.path(notice);
        match self.write(&path, &message.formatted()).await {
            Ok(()) => DeliveryOutcome::Delivered { answer: path.display().to_string() },
            Err(error) => DeliveryOutcome::TryAgain {
                reason: format!("{} could not be written: {error}", path.display()),
            },
        }
    }
}
