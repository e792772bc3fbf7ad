//! What goes over the wire, one file for each resource: `XInput` is sent, `XView` is answered.

pub mod accounts;
pub mod actions;
pub mod agreements;
pub mod backtests;
pub mod branches;
pub mod components;
pub mod contacts;
pub mod decisions;
pub mod geojson;
pub mod notices;
pub mod photos;
pub mod plan_changes;
pub mod plans;
pub mod readings;
pub mod rehearsals;
pub mod repairs;
pub mod routes;
pub mod runs;
pub mod season;
pub mod sites;
mod stored;
pub mod technicians;
pub mod trail;
pub mod units;
pub mod visits;
pub mod weather;
pub mod weekday;
