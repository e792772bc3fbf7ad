//! Passwords and sessions.

pub mod password;
pub mod session;
