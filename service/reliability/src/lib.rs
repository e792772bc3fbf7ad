//! Lifetimes, fits, frailty, drift, risk with reasons, stock-out and rehearsal.
//!
//! Invariant: nothing here reads a clock, a file or a database, and nothing knows of HTTP. The
//! same input and seed give the same output whatever the number of threads.

pub mod backtest;
pub mod cox_frailty;
pub mod decisions;
pub mod diagnosis;
pub mod drift;
pub mod drift_line;
pub mod ensemble;
pub mod frailty_fit;
pub mod frailty_law;
pub mod gamma_mixture;
pub mod heat_age;
pub mod heat_rate;
pub mod history;
pub mod horizon;
pub mod intervals;
pub mod lifetime;
pub mod location_scale;
mod lognormal_mixture;
pub mod matrix;
pub mod metrics;
pub mod needs;
pub mod newton;
pub mod nonparametric;
pub mod parametric;
pub mod priors;
pub mod reason;
pub mod recovery;
pub mod rehearsal;
pub mod report;
pub mod risk_model;
pub mod score;
pub mod shared_frailty;
pub mod stock;
mod survival_sum;
pub mod table;
pub mod weibull;
