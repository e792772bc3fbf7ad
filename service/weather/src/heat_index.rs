//! The heat index of the U.S. National Weather Service, for notices and the safety of crews. The
//! load of an air conditioner follows the temperature, not this.

/// Heat index, °F, for a shade temperature in °F and a relative humidity in percent.
///
/// The mean of Steadman's simple form and the temperature where that is below 80 °F; else the
/// regression of Rothfusz with its two adjustments.
///
/// # Sources
/// NWS Weather Prediction Center, "The Heat Index Equation"; L. P. Rothfusz, NWS Southern Region
/// technical attachment SR 90-23 (1990); R. G. Steadman, Journal of Applied Meteorology 18 (1979)
/// 861-873.
pub fn heat_index_fahrenheit(temperature_fahrenheit: f64, relative_humidity_percent: f64) -> f64 {
    let (t, r) = (temperature_fahrenheit, relative_humidity_percent);
    let simple = 0.5 * (t + 61.0 + (t - 68.0) * 1.2 + r * 0.094);
    let averaged = f64::midpoint(simple, t);
    if averaged < 80.0 {
        return averaged;
    }
    let index = rothfusz(t, r);
    if r < 13.0 && (80.0..=112.0).contains(&t) {
        index - (13.0 - r) / 4.0 * ((17.0 - (t - 95.0).abs()) / 17.0).sqrt()
    } else if r > 85.0 && (80.0..=87.0).contains(&t) {
        index + (r - 85.0) / 10.0 * ((87.0 - t) / 5.0)
    } else {
        index
    }
}

fn rothfusz(t: f64, r: f64) -> f64 {
    -42.379 + 2.049_015_23 * t + 10.143_331_27 * r
        - 0.224_755_41 * t * r
        - 0.006_837_83 * t * t
        - 0.054_817_17 * r * r
        + 0.001_228_74 * t * t * r
        + 0.000_852_82 * t * r * r
        - 0.000_001_99 * t * t * r * r
}
