//! Pictures as SVG: plain values in, a document out.

pub(crate) mod calls;
pub(crate) mod gain;
pub(crate) mod route_map;
pub mod season_curve;
mod tiles;
pub(crate) mod weeks;

/// Writing into a `String` cannot fail; this keeps the pictures free of the formality.
fn put(svg: &mut String, text: std::fmt::Arguments<'_>) {
    if std::fmt::Write::write_fmt(svg, text).is_err() {
        svg.push_str("<!-- cut -->");
    }
}
