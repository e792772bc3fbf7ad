//! One day's degree days from its extremes, as plain numbers in one unit.
//!
//! `low`, `high`: the day's extremes; `base`: lower threshold; all in the same unit.
//!
//! # Sources
//! - Single sine: G. L. Baskerville & P. Emin, Ecology 50 (1969) 514-517.
//! - Double sine and triangles: F. G. Zalom, P. B. Goodell, L. T. Wilson, W. W. Barnett &
//!   W. J. Bentley, "Degree-days: the calculation and use of heat units in pest management",
//!   University of California DANR leaflet 21373 (1983).
//! - Simple and modified mean: G. S. `McMaster` & W. W. Wilhelm, Agricultural and Forest Meteorology
//!   87 (1997) 291-300, methods 1 and 2.

use std::f64::consts::{FRAC_PI_2, PI};

/// Mean over the day of the excess of a sine between the extremes above the base.
#[inline]
pub fn sine_excess(low: f64, high: f64, base: f64) -> f64 {
    if high <= base {
        return 0.0;
    }
    let mean = f64::midpoint(low, high);
    if low >= base {
        return mean - base;
    }
    let half_width = (high - low) / 2.0;
    // The bound keeps rounding from pushing the ratio past an end, where asin has no value.
    let ratio = ((base - mean) / half_width).clamp(-1.0, 1.0);
    let cosine = (1.0 - ratio * ratio).sqrt();
    ((mean - base) * (FRAC_PI_2 - ratio.asin()) + half_width * cosine) / PI
}

/// Mean over the day of the excess of a triangle between the extremes above the base.
#[inline]
pub fn triangle_excess(low: f64, high: f64, base: f64) -> f64 {
    if high <= base {
        0.0
    } else if low >= base {
        f64::midpoint(low, high) - base
    } else {
        (high - base) * (high - base) / (2.0 * (high - low))
    }
}

/// Excess of the mean of the extremes above the base.
#[inline]
pub fn mean_excess(low: f64, high: f64, base: f64) -> f64 {
    (f64::midpoint(low, high) - base).max(0.0)
}

/// Excess of the mean above the base, where each extreme below the base first counts as the base.
#[inline]
pub fn modified_mean_excess(low: f64, high: f64, base: f64) -> f64 {
    f64::midpoint(low.max(base), high.max(base)) - base
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn the_methods_keep_their_order(low in -40.0..120.0f64, span in 0.0..60.0f64, base in 0.0..90.0f64) {
            let high = low + span;
            let (mean, sine, triangle, modified) = (
                mean_excess(low, high, base),
                sine_excess(low, high, base),
                triangle_excess(low, high, base),
                modified_mean_excess(low, high, base),
            );
            // A curve's excess is never below that of its mean; the sine dwells longest at its ends.
            prop_assert!(mean <= triangle + 1e-9);
            prop_assert!(triangle <= sine + 1e-9);
            prop_assert!(sine <= modified + 1e-9);
        }

        #[test]
        fn a_shift_of_all_temperatures_changes_nothing(low in -40.0..120.0f64, span in 0.0..60.0f64, base in 0.0..90.0f64, shift in -30.0..30.0f64) {
            let high = low + span;
            for excess in [sine_excess, triangle_excess, mean_excess, modified_mean_excess] {
                let here = excess(low, high, base);
                let there = excess(low + shift, high + shift, base + shift);
                prop_assert!((here - there).abs() < 1e-6);
            }
        }
    }
}
