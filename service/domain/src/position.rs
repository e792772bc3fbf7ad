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
}
