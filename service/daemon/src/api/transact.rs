//! From a handler into the database and back, off the request threads.

use actix_web::web;
use hotspell_store::AnyConnection;

use super::error::ApiError;
use crate::state::AppState;

/// Several queries over one unchanging view.
///
/// # Errors
/// The work's own refusal, or that of the database.
pub(crate) async fn read<T: Send + 'static>(
    state: &AppState,
    work: impl FnOnce(&mut AnyConnection) -> Result<T, ApiError> + Send + 'static,
) -> Result<T, ApiError> {
    let store = state.store.clone();
    web::block(move || store.read(work)).await?
}

/// Everything that the work does, or nothing when it refuses.
///
/// # Errors
/// The work's own refusal, or that of the database.
pub(crate) async fn write<T: Send + 'static>(
    state: &AppState,
    work: impl FnOnce(&mut AnyConnection) -> Result<T, ApiError> + Send + 'static,
) -> Result<T, ApiError> {
    let store = state.store.clone();
    web::block(move || store.write(work)).await?
}

/// Runs a use case that handles its transactions itself.
///
/// # Errors
/// The use case's refusal.
pub(crate) async fn run<T: Send + 'static, E: Into<ApiError> + Send + 'static>(
    work: impl FnOnce() -> Result<T, E> + Send + 'static,
) -> Result<T, ApiError> {
    web::block(work).await?.map_err(Into::into)
}
