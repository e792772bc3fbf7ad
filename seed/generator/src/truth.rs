//! The law by which the invented parts really live and drift. No other room knows these numbers;
//! the risk model has to find them again from the records.
//!
//! All values are invented to agree with common practice (no source): run capacitors last about
//! five to ten years, some fifteen, some fail within four.

use hotspell_domain::ComponentClass;

/// Weibull law on heat age.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LifeLaw {
    /// Shape.
    pub(crate) shape: f64,
    /// Scale, in average years of the station's heat of a part in part sun.
    pub(crate) scale_years: f64,
}

/// The law of a class.
pub(crate) const fn life_law(class: ComponentClass) -> LifeLaw {
    match class {
        ComponentClass::RunCapacitorDual => LifeLaw { shape: 2.8, scale_years: 10.8 },
        ComponentClass::RunCapacitorSingle => LifeLaw { shape: 2.6, scale_years: 12.8 },
        ComponentClass::Contactor => LifeLaw { shape: 2.4, scale_years: 21.0 },
        ComponentClass::FanMotor => LifeLaw { shape: 2.5, scale_years: 22.0 },
        ComponentClass::BlowerMotor => LifeLaw { shape: 2.5, scale_years: 24.0 },
        ComponentClass::Compressor => LifeLaw { shape: 3.0, scale_years: 30.0 },
    }
}

/// Variance of the gamma frailty that all parts of a site share; its mean is 1.
pub(crate) const FRAILTY_VARIANCE: f64 = 0.4;
/// Log hazard ratio of each ton of capacity above [`REFERENCE_TONS`].
pub(crate) const LOG_HAZARD_PER_TON: f64 = 0.12;
/// Capacity of the reference unit, tons of refrigeration.
pub(crate) const REFERENCE_TONS: f64 = 3.5;
/// Capacitance of a new section against its rating, mean and spread, percent.
pub(crate) const NEW_PERCENT: (f64, f64) = (0.8, 1.6);
/// Average years of heat in which the middle section loses ten percent.
pub(crate) const YEARS_TO_TEN_PERCENT: f64 = 17.0;
/// Spread of the log drift between sections.
pub(crate) const LOG_DRIFT_DEVIATION: f64 = 0.45;
/// Power of the site's frailty that also quickens the drift.
pub(crate) const DRIFT_FRAILTY_POWER: f64 = 0.5;
/// Spread of one measurement, percent.
pub(crate) const METER_PERCENT: f64 = 0.8;

/// Share of capacitor failures that nobody notices before the next visit.
pub(crate) const QUIET_SHARE: f64 = 0.14;
