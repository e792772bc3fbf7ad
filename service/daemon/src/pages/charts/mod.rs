//! Pictures as SVG: plain values in, a document out.

pub(crate) mod gain;
pub(crate) mod route_map;
pub mod season_curve;
pub(crate) mod weeks;
