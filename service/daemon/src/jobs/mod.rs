//! Work that the daemon does by itself, each piece once when it is due.

pub mod due;
