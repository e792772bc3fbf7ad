//! The REST interface under `/api/v1`.

pub mod error;
pub mod etag;
pub mod extract;
pub mod openapi;
pub mod page;
pub mod problem;
