//! What happens to every request before and after its handler, outermost first.

pub mod authenticate;
pub mod idempotency;
pub mod limit;
pub mod observe;
