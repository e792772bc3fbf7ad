//! Work that the daemon does by itself, each piece once when it is due.

pub mod driver;
pub mod due;
pub mod tasks;
