//! Pictures as SVG: plain values in, a document out.

pub mod season_curve;
pub(crate) mod route_map;
pub(crate) mod weeks;
