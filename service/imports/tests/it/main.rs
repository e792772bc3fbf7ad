//! Whole files into both databases.

mod bad_input;
mod files;
mod fixture;
