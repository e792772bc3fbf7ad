//! Ids and quantities.
