//! What every whole-daemon test needs.
