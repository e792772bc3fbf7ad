//! Whole-daemon tests.
