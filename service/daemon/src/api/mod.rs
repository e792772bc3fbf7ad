//! The REST interface under `/api/v1`.

pub mod access;
pub(crate) mod audit;
pub mod auth;
mod body;
mod bulk;
pub mod caller;
mod checks;
pub(crate) mod crud;
pub mod error;
pub mod etag;
pub mod extract;
pub(crate) mod fallback;
pub(crate) mod file_body;
pub mod handlers;
pub mod middleware;
pub mod openapi;
pub mod operations;
pub mod page;
mod prefer;
pub mod problem;
mod query;
pub(crate) mod transact;
pub mod types;
pub(crate) mod visibility;
