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

/// The argument at which the rising function `risk` reaches `level`, to a relative 1e-7: a
/// bracket by doubling or halving from `scale`, then T. Chandrupatla's mixture of inverse
/// quadratic interpolation and bisection (Adv. Eng. Softw. 28 (1997) 145-149). Some ten calls.
pub(crate) fn invert(risk: impl Fn(f64) -> f64, level: f64, scale: f64) -> f64 {
    let off = |at: f64| risk(at) - level;
    let mut a = scale.max(1.0);
    let mut f_a = off(a);
    let (mut b, mut f_b) = (a, f_a);
    // `b` ends below the level and `a` at or above it.
    while f_a < 0.0 && a < 1e12 {
        (b, f_b) = (a, f_a);
        a *= 2.0;
        f_a = off(a);
    }
    while f_b >= 0.0 && b > 1e-9 * scale {
        (a, f_a) = (b, f_b);
        b *= 0.5;
        f_b = off(b);
    }
    if f_a < 0.0 || f_b >= 0.0 {
        return if f_a < 0.0 { a } else { b };
    }
    let mut share = 0.5;
    for _ in 0..100 {
        let next = a + share * (b - a);
        let f_next = off(next);
        let (c, f_c);
        if (f_next > 0.0) == (f_a > 0.0) {
            (c, f_c) = (a, f_a);
        } else {
            (c, f_c) = (b, f_b);
            (b, f_b) = (a, f_a);
        }
        (a, f_a) = (next, f_next);
        let (best, f_best) = if f_a.abs() < f_b.abs() { (a, f_a) } else { (b, f_b) };
        let least = 1e-7 * best.abs() / (b - a).abs();
        if least > 0.5 || f_best.abs() <= 0.0 {
            return best;
        }
        let (x, y) = ((a - b) / (c - b), (f_a - f_b) / (f_c - f_b));
        share = if y * y < x && (1.0 - y) * (1.0 - y) < 1.0 - x {
            f_a / (f_b - f_a) * f_c / (f_b - f_c)
                + (c - a) / (b - a) * f_a / (f_c - f_a) * f_b / (f_c - f_b)
        } else {
            0.5
        };
        share = share.clamp(least, 1.0 - least);
    }
    a
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
    fn the_inverse_is_found_in_few_calls_wherever_it_lies() {
        let calls = core::cell::Cell::new(0);
        let mut worst = 0;
        for shape in [0.7, 2.5, 9.0] {
            for level in [1e-6, 0.01, 0.5, 3.0, 40.0] {
                calls.set(0);
                let found = invert(
                    |t| {
                        calls.set(calls.get() + 1);
                        (t / 9000.0_f64).powf(shape)
                    },
                    level,
                    9000.0,
                );
                let exact = 9000.0 * level.powf(1.0 / shape);
                assert!((found / exact - 1.0).abs() < 1e-6, "{shape} {level}: {found} {exact}");
                worst = worst.max(calls.get());
            }
        }
        assert!(worst < 45, "{worst} calls");
        // A step, as of a part that is sure to cross its limit: no smoothness to lean on.
        let step = invert(|t| if t < 1234.5 { 0.001 } else { 700.0 }, 0.5, 9000.0);
        assert!((step - 1234.5).abs() < 1e-3, "{step}");
    }

    #[test]
    fn a_tail_without_a_mean_has_none() {
        assert!(expected_heat_left(|s: f64| s.powi(-2), 0.5).is_none());
    }
}
