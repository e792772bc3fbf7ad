//! Where a home or a depot is.

use serde::{Deserialize, Serialize};

use crate::quantity::OutOfRange;

/// A point on the earth, WGS 84, in degrees.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Position {
    /// North positive, -90 to 90 degrees.
    pub latitude_degrees: f64,
    /// East positive, -180 to 180 degrees.
    pub longitude_degrees: f64,
}

impl Position {
    /// Checks both ranges.
    ///
    /// # Errors
    /// [`OutOfRange`] names the coordinate that is wrong.
    pub fn new(latitude_degrees: f64, longitude_degrees: f64) -> Result<Self, OutOfRange> {
        let check = |what, value: f64, limit: f64| {
            if value.abs() <= limit {
                Ok(())
            } else {
                Err(OutOfRange { what, value, low: -limit, high: limit, unit: "degrees" })
            }
        };
        check("latitude", latitude_degrees, 90.0)?;
        check("longitude", longitude_degrees, 180.0)?;
        Ok(Self { latitude_degrees, longitude_degrees })
    }

    /// Great-circle distance in metres by the haversine formula on the mean radius of the earth
    /// (IUGG R1, 6,371,008.8 m).
    #[must_use]
    pub fn distance_meters(&self, other: &Self) -> f64 {
        const EARTH_RADIUS_METERS: f64 = 6_371_008.8;
        let (from, to) = (self.latitude_degrees.to_radians(), other.latitude_degrees.to_radians());
        let half_north = (to - from) / 2.0;
        let half_east = (other.longitude_degrees - self.longitude_degrees).to_radians() / 2.0;
        let h = half_north.sin().powi(2) + from.cos() * to.cos() * half_east.sin().powi(2);
        2.0 * EARTH_RADIUS_METERS * h.sqrt().min(1.0).asin()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One degree along a meridian of the sphere is its circumference over 360: 111,195 m.
    #[test]
    fn a_degree_of_latitude_is_111_kilometres() {
        let at = |north: f64, east: f64| Position::new(north, east).unwrap();
        let apart = at(33.0, -112.0).distance_meters(&at(34.0, -112.0));
        assert!((apart - 111_195.1).abs() < 1.0, "{apart}");
        assert!(at(33.0, -112.0).distance_meters(&at(33.0, -112.0)) < 1e-9);
        let across = at(0.0, 179.5).distance_meters(&at(0.0, -179.5));
        assert!((across - 111_195.1).abs() < 1.0, "{across}");
    }
}
