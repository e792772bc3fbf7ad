//! Waiting for a condition, never for a time.

use std::time::{Duration, Instant};

/// Longest wait for anything that a test expects; a healthy daemon needs a fraction of it.
pub const LIMIT: Duration = Duration::from_secs(60);

/// Asks again and again until `probe` gives a value.
///
/// # Panics
/// When it has given none within [`LIMIT`].
pub async fn eventually<T, F>(what: &str, mut probe: impl FnMut() -> F) -> T
where
    F: Future<Output = Option<T>>,
{
    let deadline = Instant::now() + LIMIT;
    loop {
        if let Some(value) = probe().await {
            return value;
        }
        assert!(Instant::now() < deadline, "not within {} s: {what}", LIMIT.as_secs());
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}
