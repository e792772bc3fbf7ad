//! Mail and calendar from plain values, and the channels that deliver them.
//!
//! The room knows no database and no HTTP server, and reads no clock: moments and seeds come in
//! as arguments. The way of a notice:
//!
//! 1. [`quiet`] says when a household may be written to;
//! 2. [`links`] makes the signed links that its mail carries;
//! 3. [`compose`] turns plain values into subject, text, HTML and a [`calendar`] part;
//! 4. [`message`] makes the mail of it, the same bytes at each attempt;
//! 5. a [`channel`] delivers it and says how that ended;
//! 6. [`retry`] says when to try again, and [`bounce`] reads what comes back later.

pub mod bounce;
pub mod calendar;
pub mod channel;
pub mod compose;
pub mod links;
pub mod message;
pub mod quiet;
#[cfg(feature = "test-receiver")]
pub mod receiver;
pub mod retry;
pub mod samples;
