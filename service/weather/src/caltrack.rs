//! How much may be missing: the sufficiency limits of the CalTRACK 2.0 methods.
//!
//! Source: CalTRACK methods, sections 2.2.1.2, 2.2.2.3, 2.2.3.2, 2.2.4.1 (openeemeter/caltrack,
//! `docs/methods.rst`, CC0).

use thiserror::Error;

/// Section 2.2.1.2: at most this share of a baseline's days may be missing (37 of 365 days, so the
/// share is rounded up to whole days).
pub const BASELINE_MISSING_SHARE: f64 = 0.10;
/// Section 2.2.2.3: a daily mean needs at least this share of its hours.
pub const DAILY_MEAN_PRESENT_SHARE: f64 = 0.50;
/// Section 2.2.3.2: the mean of a billing period needs at least this share of its hours.
pub const PERIOD_MEAN_PRESENT_SHARE: f64 = 0.90;
/// Section 2.2.4.1: at most this many consecutive hours may be interpolated.
pub const INTERPOLATED_HOURS: usize = 6;

/// Too much is missing.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Insufficient {
    /// Too many days of a baseline.
    #[error(
        "{missing} of {total} days are missing and CalTRACK 2.2.1.2 allows {allowed}; choose a station or a period with a fuller record, or leave the gaps open"
    )]
    Days {
        /// Days without a value.
        missing: usize,
        /// Days of the period.
        total: usize,
        /// Days that may be missing.
        allowed: usize,
    },
    /// Too few hours for a mean.
    #[error(
        "{missing} of {total} hours are missing, more than CalTRACK {section} allows for a mean"
    )]
    Hours {
        /// Hours without a value.
        missing: usize,
        /// Hours of the period.
        total: usize,
        /// The section that says so.
        section: &'static str,
    },
    /// A gap too long to draw a line over.
    #[error("a gap of {hours} hours is longer than the 6 that CalTRACK 2.2.4.1 interpolates")]
    Gap {
        /// Consecutive missing hours.
        hours: usize,
    },
}

/// Days of a baseline that may be missing: a tenth, rounded up to a whole day (37 of 365).
pub fn allowed_missing_days(total: usize) -> usize {
    total.div_ceil(10)
}

/// Section 2.2.1.2 for a baseline of `total` days.
///
/// # Errors
/// [`Insufficient::Days`] when more are missing than allowed.
pub fn check_baseline_days(total: usize, missing: usize) -> Result<(), Insufficient> {
    let allowed = allowed_missing_days(total);
    if missing > allowed {
        return Err(Insufficient::Days { missing, total, allowed });
    }
    Ok(())
}

/// Section 2.2.2.3 for the mean of one day.
///
/// # Errors
/// [`Insufficient::Hours`] when fewer than half of the hours are there.
pub fn check_daily_mean(total: usize, missing: usize) -> Result<(), Insufficient> {
    check_hours(total, missing, DAILY_MEAN_PRESENT_SHARE, "2.2.2.3")
}

/// Section 2.2.3.2 for the mean of a billing period.
///
/// # Errors
/// [`Insufficient::Hours`] when fewer than nine tenths of the hours are there.
pub fn check_period_mean(total: usize, missing: usize) -> Result<(), Insufficient> {
    check_hours(total, missing, PERIOD_MEAN_PRESENT_SHARE, "2.2.3.2")
}

fn check_hours(
    total: usize,
    missing: usize,
    share: f64,
    section: &'static str,
) -> Result<(), Insufficient> {
    let present = total.saturating_sub(missing) as f64;
    // A billionth forgives the rounding of the share itself.
    if present + 1e-9 < share * total as f64 {
        return Err(Insufficient::Hours { missing, total, section });
    }
    Ok(())
}

/// Section 2.2.4.1: whether a gap of consecutive hours may be interpolated.
///
/// # Errors
/// [`Insufficient::Gap`] when it is longer than six hours.
pub fn check_hourly_gap(hours: usize) -> Result<(), Insufficient> {
    if hours > INTERPOLATED_HOURS {
        return Err(Insufficient::Gap { hours });
    }
    Ok(())
}
