//! The daemon `hotspell` as a library: configuration, HTTP API, pages, jobs, feeds and the
//! command line.
//!
//! The daemon fetches, stores, calls the pure rooms and sends; it holds no arithmetic of the
//! trade. Handlers call [`app`], `app` calls the store and the pure functions.

pub mod api;
pub mod app;
pub mod cli;
pub mod clock;
pub mod config;
pub mod demo;
pub mod feeds;
pub mod jobs;
pub mod pages;
pub mod routing;
pub mod server;
pub mod state;
