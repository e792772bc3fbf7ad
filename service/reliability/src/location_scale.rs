//! Standardised log-location-scale laws: `ln T = mu + sigma W`.

use serde::{Deserialize, Serialize};
use statrs::function::erf::erfc;

use crate::intervals::normal_quantile;

/// The law of `W`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Distribution {
    /// Smallest extreme value: `T` is Weibull with shape `1 / sigma` and scale `exp(mu)`.
    Weibull,
    /// Standard normal.
    Lognormal,
    /// Standard logistic.
    Loglogistic,
    /// Smallest extreme value with `sigma` fixed at 1.
    Exponential,
}

/// A name that is no distribution.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("«{0}» is no distribution; expected weibull, lognormal, loglogistic or exponential")]
pub struct UnknownDistribution(pub String);

impl core::str::FromStr for Distribution {
    type Err = UnknownDistribution;

    fn from_str(name: &str) -> Result<Self, UnknownDistribution> {
        match name {
            "weibull" => Ok(Self::Weibull),
            "lognormal" => Ok(Self::Lognormal),
            "loglogistic" => Ok(Self::Loglogistic),
            "exponential" => Ok(Self::Exponential),
            other => Err(UnknownDistribution(other.to_owned())),
        }
    }
}

const HALF_LOG_TWO_PI: f64 = 0.918_938_533_204_672_8;

/// `ln(1 - exp(-x))` for positive `x` (M. Maechler, Accurately computing log(1 - exp(-|a|)), 2012).
fn log_one_minus_exp(x: f64) -> f64 {
    if x < core::f64::consts::LN_2 { (-(-x).exp_m1()).ln() } else { (-(-x).exp()).ln_1p() }
}

fn softplus(z: f64) -> f64 {
    z.max(0.0) + (-z.abs()).exp().ln_1p()
}

/// Logarithm of the upper tail of the standard normal distribution.
fn normal_log_survival(z: f64) -> f64 {
    if z < 25.0 {
        (0.5 * erfc(z * core::f64::consts::FRAC_1_SQRT_2)).ln()
    } else {
        // Asymptotic series; Abramowitz & Stegun 26.2.12. Relative error below 1e-9 here.
        let r = 1.0 / (z * z);
        -0.5 * z * z - HALF_LOG_TWO_PI - z.ln() + (r * (-1.0 + r * (3.0 - 15.0 * r))).ln_1p()
    }
}

impl Distribution {
    /// Whether `sigma` is fixed at 1.
    #[must_use]
    pub const fn has_fixed_scale(self) -> bool {
        matches!(self, Self::Exponential)
    }

    /// Log density of `W` with its first two derivatives.
    #[must_use]
    pub fn log_density(self, z: f64) -> [f64; 3] {
        match self {
            Self::Weibull | Self::Exponential => {
                let h = z.exp();
                [z - h, 1.0 - h, -h]
            }
            Self::Lognormal => [-0.5 * z * z - HALF_LOG_TWO_PI, -z, -1.0],
            Self::Loglogistic => {
                let p = 1.0 / (1.0 + (-z).exp());
                [z - 2.0 * softplus(z), 1.0 - 2.0 * p, -2.0 * p * (1.0 - p)]
            }
        }
    }

    /// Log survival of `W`.
    #[must_use]
    pub fn log_survival(self, z: f64) -> f64 {
        match self {
            Self::Weibull | Self::Exponential => -z.exp(),
            Self::Lognormal => normal_log_survival(z),
            Self::Loglogistic => -softplus(z),
        }
    }

    /// Log survival with its first two derivatives.
    #[must_use]
    pub fn log_survival_derivatives(self, z: f64) -> [f64; 3] {
        let [log_density, slope, _] = self.log_density(z);
        let log_survival = self.log_survival(z);
        let hazard = (log_density - log_survival).exp();
        [log_survival, -hazard, -hazard * (slope + hazard)]
    }

    /// `ln(S(low) - S(high))`; `low` may be negative infinity.
    #[must_use]
    pub fn log_interval(self, low: f64, high: f64) -> f64 {
        match self {
            Self::Weibull | Self::Exponential => {
                let (first, last) = (low.exp(), high.exp());
                let mass =
                    if low > f64::NEG_INFINITY { first * (high - low).exp_m1() } else { last };
                -first + log_one_minus_exp(mass)
            }
            Self::Lognormal => {
                if low > 0.0 {
                    let first = normal_log_survival(low);
                    first + log_one_minus_exp(first - normal_log_survival(high))
                } else if high < 0.0 {
                    let last = normal_log_survival(-high);
                    last + log_one_minus_exp(last - normal_log_survival(-low))
                } else {
                    let below = normal_log_survival(-low).exp();
                    (-(below + normal_log_survival(high).exp())).ln_1p()
                }
            }
            Self::Loglogistic => {
                if low > f64::NEG_INFINITY {
                    high + log_one_minus_exp(high - low) - softplus(low) - softplus(high)
                } else {
                    high - softplus(high)
                }
            }
        }
    }

    /// Quantile of `W`.
    #[must_use]
    pub fn quantile(self, probability: f64) -> f64 {
        match self {
            Self::Weibull | Self::Exponential => (-(-probability).ln_1p()).ln(),
            Self::Lognormal => normal_quantile(probability),
            Self::Loglogistic => (probability / (1.0 - probability)).ln(),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const ALL: [Distribution; 4] = [
        Distribution::Weibull,
        Distribution::Lognormal,
        Distribution::Loglogistic,
        Distribution::Exponential,
    ];

    proptest! {
        #[test]
        fn derivatives_agree_with_differences(z in -6.0_f64..3.0) {
            let step = 1e-5;
            for law in ALL {
                let slope = |f: &dyn Fn(f64) -> f64| (f(z + step) - f(z - step)) / (2.0 * step);
                let close = |a: f64, b: f64| (a - b).abs() < 1e-6 * (1.0 + a.abs());
                let density = law.log_density(z);
                prop_assert!(close(density[1], slope(&|x| law.log_density(x)[0])));
                prop_assert!(close(density[2], slope(&|x| law.log_density(x)[1])));
                let survival = law.log_survival_derivatives(z);
                prop_assert!(close(survival[1], slope(&|x| law.log_survival(x))), "{law:?}");
                prop_assert!(close(survival[2], slope(&|x| law.log_survival_derivatives(x)[1])));
            }
        }

        #[test]
        fn quantiles_invert_survival(p in 0.001_f64..0.999) {
            for law in ALL {
                prop_assert!((1.0 - law.log_survival(law.quantile(p)).exp() - p).abs() < 1e-10);
            }
        }

        #[test]
        fn intervals_are_differences_of_survival(low in -5.0_f64..2.0, width in 0.01_f64..3.0) {
            for law in ALL {
                let plain =
                    law.log_survival(low).exp() - law.log_survival(low + width).exp();
                prop_assert!((law.log_interval(low, low + width).exp() - plain).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn far_tails_keep_their_logarithm() {
        // ln of the upper normal tail at 30 is -454.3212439955; Abramowitz & Stegun 26.2.12 with
        // five terms by hand.
        assert!((normal_log_survival(30.0) + 454.321_243_995_5).abs() < 1e-6);
        let near = normal_log_survival(25.0 - 1e-9) - normal_log_survival(25.0 + 1e-9);
        assert!(near.abs() < 1e-6);
    }
}
