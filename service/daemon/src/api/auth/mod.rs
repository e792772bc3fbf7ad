//! Tokens, passwords and sessions.

pub mod password;
pub mod session;
pub mod token;
