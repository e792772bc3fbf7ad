//! What every whole-daemon test needs: the real binary on a free port with a folder of its own, a
//! client with a token, and a browser.
//!
//! Nothing here knows the daemon's code: tests see what a person with a terminal, a mail reader and
//! a browser sees.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    clippy::missing_panics_doc,
    reason = "only tests use this crate: an assumption that fails is a failed test"
)]

pub mod browser;
pub mod client;
pub mod daemon;
pub mod devtools;
pub mod html;
pub mod keyboard;
pub mod wait;

pub use client::{Answer, Client};
pub use daemon::{Daemon, Outcome, Setup};
pub use wait::eventually;
