//! Mean of a remaining life from its quantiles, and the inverse of a rising cumulative risk.

/// Nodes and weights of the 16-point Gauss-Legendre rule on (0, 1), upper half (the rule is
/// symmetric). Abramowitz & Stegun, Handbook of Mathematical Functions, table 25.4, n = 16.
const GAUSS_LEGENDRE_16: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_5),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_6),
    (0.458_016_777_657_227_39, 0.169_156_519_395_002_54),
    (0.617_876_244_402_643_8, 0.149_595_988_816_576_73),
    (0.755_404_408_355_003, 0.124_628_971_255_533_87),
    (0.865_631_202_387_831_8, 0.095_158_511_682_492_78),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_89),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_095),
];

/// Integral of `f` over (0, 1).
pub(crate) fn integrate_unit(f: impl Fn(f64) -> f64) -> f64 {
    GAUSS_LEGENDRE_16.iter().map(|(x, w)| 0.5 * w * (f(0.5 * (1.0 + x)) + f(0.5 * (1.0 - x)))).sum()
}

/// Mean remaining life `integral of quantile(survival) d survival`, with the tail stretched so
/// that heavy tails are still resolved.
///
/// `tail`: exponent with which survival falls for long lives (frailty shape times Weibull shape);
/// at or below 1 the mean is infinite and the answer none.
pub(crate) fn expected_heat_left(quantile: impl Fn(f64) -> f64, tail: f64) -> Option<f64> {
    if tail <= 1.0 {
        return None;
    }
    // survival = w^m with m large enough that w^(m-1) beats the tail's w^(-m/tail), and
    // w = 1 - (1 - v)^2 smooths the short lives near survival 1.
    let power = (4.0 / (1.0 - 1.0 / tail)).clamp(4.0, 40.0);
    Some(integrate_unit(|v| {
        let w = v * (2.0 - v);
        2.0 * (1.0 - v) * power * w.powf(power - 1.0) * quantile(w.powf(power))
    }))
}

/// The argument at which the rising function `risk` reaches `level`, by doubling and bisection.
pub(crate) fn invert(risk: impl Fn(f64) -> f64, level: f64, scale: f64) -> f64 {
    let mut high = scale.max(1.0);
    while risk(high) < level && high < 1e12 {
        high *= 2.0;
    }
    let mut low = 0.0;
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if risk(middle) < level {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_of_a_new_weibull_life_is_the_gamma_function() {
        // Shape 3, scale 12: 12 Gamma(4/3), case D01.
        let quantile = |s: f64| 12.0 * (-s.ln()).powf(1.0 / 3.0);
        let mean = expected_heat_left(quantile, f64::INFINITY).unwrap();
        assert!((mean - 10.715_754_138_831).abs() < 2e-3, "{mean}");
    }

    #[test]
    fn a_tail_without_a_mean_has_none() {
        assert!(expected_heat_left(|s: f64| s.powi(-2), 0.5).is_none());
    }
}
