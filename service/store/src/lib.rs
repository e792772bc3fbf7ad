//! The only room that knows the database.
//!
//! Open a [`Store`], then hand its connection to the functions of the modules inside
//! [`Store::read`] or [`Store::write`]: no function starts a transaction of its own, so that a use
//! case decides what belongs together. What goes in and comes out are plain values of the domain.
//! The same code runs on SQLite and PostgreSQL.

mod columns;
mod connection;
mod error;
mod listing;
mod migrations;
mod owned;
mod page;
mod record;
mod schema;
mod sorting;
mod store;

pub mod accounts;
pub mod agreements;
pub mod answers;
pub mod audit;
pub mod branch_stations;
pub mod branches;
pub mod changes;
pub mod components;
pub mod contacts;
pub mod holds;
pub mod idempotency;
pub mod import_previews;
pub mod jobs;
pub mod link_generations;
pub mod no_cool;
pub mod notice_wordings;
pub mod notices;
pub mod photos;
pub mod plans;
pub mod readings;
pub mod routes;
pub mod runs;
pub mod scores;
pub mod sightings;
pub mod sites;
pub mod subscriptions;
pub mod technicians;
pub mod to_plan;
pub mod travel;
pub mod units;
pub mod visits;
pub mod weather;
pub mod weather_sources;
pub mod weekdays;
pub mod words;

pub use connection::{AnyConnection, attempt};
pub use error::StoreError;
pub use page::Page;
pub use record::{BOUND_VALUES, KeyedRecord, Upserted};
pub use sorting::{Order, Place, Placed, SortKey, SortValue, SortedPage};
pub use store::{DatabaseKind, Store, StoreOptions};
pub use weekdays::WeekdaySet;
