//! Heat: what the thermometer said, whether to believe it, and what it means for air conditioners.
//!
//! The way of a temperature through this crate:
//!
//! ```text
//! formats --> quality (findings, dropped values) --> gaps (leave or fill, marked) --> StationSeries
//!    StationSeries --> degree_days, normals, excess_heat and hot_spells, run_hours
//!    StationSeries + as-of day + forecast --> season (ensemble of weather paths, outlook)
//! ```
//!
//! Invariants: no files, no network, no clock, no randomness. Everything is a function of its
//! arguments, in degrees Celsius unless a name says otherwise; results in a chosen unit carry it.

pub mod caltrack;
pub mod degree_days;
pub mod formats;
pub mod gaps;
pub mod heat_index;
pub mod hot_spells;
pub mod hourly;
pub mod normals;
pub mod quality;
pub mod quantile;
pub mod report;
pub mod run_hours;
pub mod season;
pub mod series;
pub mod stations;
pub mod temperature;
