//! Cases on data that are printed in books: A02, A06, A12, A13, A16, A19, E04. The source of the
//! numbers stands beside each table.

use hotspell_reliability::drift_line::{LeastSquaresLine, slope_through_origin};
use hotspell_reliability::lifetime::Lifetime;
use hotspell_reliability::location_scale::Distribution;
use hotspell_reliability::parametric::{Sample, fit};

use crate::fits::{at_stress, check_fit, check_laws, more, none, right_censored};
use crate::harness::{Case, Table};

/// W. Meeker & L. Escobar, Statistical Methods for Reliability Data, Wiley 1998, table C.2 (both
/// modes of failure together): miles to failure, miles of those still working.
const SHOCK_ABSORBERS_FAILED: [f64; 11] = [
    6700.0, 9120.0, 12200.0, 13150.0, 14300.0, 17520.0, 20100.0, 20900.0, 22700.0, 26510.0, 27490.0,
];
const SHOCK_ABSORBERS_WORKING: [f64; 27] = [
    6950.0, 7820.0, 8790.0, 9660.0, 9820.0, 11310.0, 11690.0, 11850.0, 11880.0, 12140.0, 12870.0,
    13330.0, 13470.0, 14040.0, 17540.0, 17890.0, 18450.0, 18960.0, 18980.0, 19410.0, 20100.0,
    20150.0, 20320.0, 23490.0, 27410.0, 27890.0, 28100.0,
];

#[test]
fn a02_shock_absorbers_three_laws() {
    let failed = SHOCK_ABSORBERS_FAILED.map(|miles| (miles, 1.0));
    let working = SHOCK_ABSORBERS_WORKING.map(|miles| (miles, 0.0));
    let (miles, failed): (Vec<f64>, Vec<f64>) =
        [&failed[..], &working[..]].concat().into_iter().unzip();
    let sample = Sample::without_covariates(right_censored(&miles, &failed, None));
    let case = check_laws("A02", &sample, &["weibull", "lognormal", "loglogistic"]);
    let fitted = fit(&sample, Distribution::Weibull).unwrap();
    let covariance = [
        fitted.covariance.get(0, 0),
        fitted.sigma * fitted.covariance.get(0, 1),
        fitted.sigma.powi(2) * fitted.covariance.get(1, 1),
    ];
    case.check_list("weibull.cov_mu_sigma_published", &covariance);
    case.close();
}

/// W. Nelson & J. Schmee, Technometrics 21 (1979) 43-54: thousand miles to failure of 37
/// locomotive controls; 59 more worked at 135.
const LOCOMOTIVE_CONTROLS: [f64; 37] = [
    22.5, 37.5, 46.0, 48.5, 51.5, 53.0, 54.5, 57.5, 66.5, 68.0, 69.5, 76.5, 77.0, 78.5, 80.0, 81.5,
    82.0, 83.0, 84.0, 91.5, 93.5, 102.5, 107.0, 108.5, 112.5, 113.5, 116.0, 117.0, 118.5, 119.0,
    120.0, 122.5, 123.0, 127.5, 131.0, 132.5, 134.0,
];

#[test]
fn a06_locomotive_controls_singly_censored() {
    let mut ages = LOCOMOTIVE_CONTROLS.to_vec();
    let mut failed = vec![1.0; ages.len()];
    let mut weights = vec![1.0; ages.len()];
    ages.push(135.0);
    failed.push(0.0);
    weights.push(59.0);
    let sample = Sample::without_covariates(right_censored(&ages, &failed, Some(&weights)));
    let case = check_laws("A06", &sample, &["weibull", "lognormal"]);
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    case.check("lognormal.mu_log10", fitted.coefficients[0] / 10.0_f64.ln());
    case.check("lognormal.sigma_log10", fitted.sigma / 10.0_f64.ln());
    case.close();
}

/// W. Nelson, Applied Life Data Analysis, Wiley 1982, p. 105: kilovolts, minutes to breakdown
/// (four of the seven voltages).
const INSULATING_FLUID: [(f64, &[f64]); 4] = [
    (26.0, &[5.79, 1579.52, 2323.7]),
    (30.0, &[7.74, 17.05, 20.46, 21.02, 22.66, 43.4, 47.3, 139.07, 144.12, 175.88, 194.9]),
    (
        34.0,
        &[
            0.19, 0.78, 0.96, 1.31, 2.78, 3.16, 4.15, 4.67, 4.85, 6.5, 7.35, 8.01, 8.27, 12.06,
            31.75, 32.52, 33.91, 36.71, 72.89,
        ],
    ),
    (38.0, &[0.09, 0.39, 0.47, 0.73, 0.74, 1.13, 1.4, 2.38]),
];

#[test]
fn a12_insulating_fluid_inverse_power_law() {
    let case = Case::open("A12");
    let mut all = Sample::default();
    for (kilovolts, minutes) in INSULATING_FLUID {
        let lifetimes = right_censored(minutes, &vec![1.0; minutes.len()], None);
        all.lifetimes.extend(&lifetimes);
        all.covariates.extend(minutes.iter().map(|_| vec![kilovolts.ln()]));
        let fitted = fit(&Sample::without_covariates(lifetimes), Distribution::Weibull).unwrap();
        check_fit(&case, &format!("{kilovolts}kV."), &fitted, none);
    }
    let fitted = fit(&all, Distribution::Weibull).unwrap();
    check_fit(&case, "ipl.", &fitted, |name| at_stress(&fitted, name, "kV", |v| vec![v.ln()]));
    case.close();
}

/// M. Zelen, Technometrics 1 (1959) 269-288: degrees Celsius, volts, hours at which four of eight
/// glass capacitors failed; the other four worked at the last of these.
const GLASS_CAPACITORS: [(f64, f64, [f64; 4]); 8] = [
    (170.0, 200.0, [439.0, 904.0, 1092.0, 1105.0]),
    (170.0, 250.0, [572.0, 690.0, 904.0, 1090.0]),
    (170.0, 300.0, [315.0, 315.0, 439.0, 628.0]),
    (170.0, 350.0, [258.0, 258.0, 347.0, 588.0]),
    (180.0, 200.0, [959.0, 1065.0, 1065.0, 1087.0]),
    (180.0, 250.0, [216.0, 315.0, 455.0, 473.0]),
    (180.0, 300.0, [241.0, 315.0, 332.0, 380.0]),
    (180.0, 350.0, [241.0, 241.0, 435.0, 455.0]),
];

#[test]
fn a13_glass_capacitors_temperature_and_voltage() {
    let case = Case::open("A13");
    let (mut lifetimes, mut conditions) = (Vec::new(), Vec::new());
    for (celsius, volts, hours) in GLASS_CAPACITORS {
        let ages = [hours, [hours[3]; 4]].concat();
        let failed = [[1.0; 4], [0.0; 4]].concat();
        lifetimes.extend(right_censored(&ages, &failed, None));
        conditions.extend([(celsius, volts); 8]);
    }
    let with = |covariates: &dyn Fn(f64, f64) -> Vec<f64>| Sample {
        lifetimes: lifetimes.clone(),
        covariates: conditions.iter().map(|&(c, v)| covariates(c, v)).collect(),
    };
    let linear = fit(&with(&|c, v| vec![c, v]), Distribution::Weibull).unwrap();
    check_fit(&case, "linear.", &linear, none);
    let physical = |c: f64, v: f64| vec![11_604.5 / (273.15 + c), v.ln()];
    let fitted = fit(&with(&physical), Distribution::Weibull).unwrap();
    check_fit(&case, "physical.", &fitted, none);
    let median = fitted.quantile(0.5, &physical(150.0, 200.0), 0.95);
    case.check("physical.t0.5_at_150C_200V", median.value);
    case.check("physical.t0.5_at_150C_200V_se", median.standard_error);
    case.check_list("physical.t0.5_at_150C_200V_ci95_log_wald", &median.interval);
    case.close();
}

/// Degrees Celsius, volts, hours of failures, hours and number of those still working.
type Cell = (f64, f64, &'static [f64], (f64, f64));

/// N. Singpurwalla, V. Castellino & D. Goldschen 1975, as in Meeker & Escobar 1998, chapter 20.
const TANTALUM_CAPACITORS: [Cell; 8] = [
    (85.0, 35.0, &[20.0, 90.0, 700.0, 37000.0], (37000.0, 996.0)),
    (85.0, 40.6, &[20.0, 3600.0, 9500.0, 27000.0], (27000.0, 196.0)),
    (85.0, 46.5, &[800.0, 2800.0], (2800.0, 48.0)),
    (85.0, 51.5, &[500.0, 800.0, 2400.0, 10700.0], (10700.0, 49.0)),
    (45.0, 46.5, &[100.0, 1200.0, 7500.0, 20000.0, 26000.0, 27300.0], (27300.0, 496.0)),
    (5.0, 46.5, &[1000.0], (1000.0, 174.0)),
    (
        5.0,
        62.5,
        &[
            25.0, 50.0, 165.0, 500.0, 620.0, 720.0, 820.0, 910.0, 980.0, 1270.0, 1600.0, 2270.0,
            2370.0, 4590.0, 4880.0, 7560.0, 8730.0, 12500.0,
        ],
        (12500.0, 156.0),
    ),
    (45.0, 57.0, &[8900.0], (8900.0, 49.0)),
];

#[test]
fn a16_tantalum_capacitors_forty_failures_of_2204() {
    let mut sample = Sample::default();
    for (celsius, volts, failures, (until, working)) in TANTALUM_CAPACITORS {
        let mut ages = failures.to_vec();
        let mut failed = vec![1.0; ages.len()];
        let mut weights = failed.clone();
        ages.push(until);
        failed.push(0.0);
        weights.push(working);
        sample
            .covariates
            .extend(ages.iter().map(|_| vec![volts.ln(), 11605.0 / (273.15 + celsius)]));
        sample.lifetimes.extend(right_censored(&ages, &failed, Some(&weights)));
    }
    let case = Case::open("A16");
    let fitted = fit(&sample, Distribution::Weibull).unwrap();
    assert!((fitted.units - 2204.0).abs() < 1e-9 && (fitted.failures - 40.0).abs() < 1e-9);
    check_fit(&case, "", &fitted, none);
    case.close();
}

/// The ovarian data with ends blurred as in the example of R package survival's regression tests:
/// deaths known to ten days either way, but two known only to have been before day 150 and two
/// taken ten days early as exact.
#[test]
fn a19_exact_interval_left_and_right_ends_together() {
    let table = Table::read("ovarian.csv");
    let (time, died) = (table.column("futime"), table.column("fustat"));
    let lifetimes = time.iter().zip(&died).map(|(&days, &died)| {
        let (lower, upper) = if died < 0.5 {
            (Some(days), None)
        } else if days < 150.0 {
            (None, Some(150.0))
        } else if (days - 431.0).abs() < 0.5 || (days - 365.0).abs() < 0.5 {
            let shifted = if days > 400.0 { 421.0 } else { 375.0 };
            (Some(shifted), Some(shifted))
        } else {
            (Some(days - 10.0), Some(days + 10.0))
        };
        Lifetime::from_bounds(0.0, lower, upper, 1.0).unwrap()
    });
    let (age, ecog) = (table.column("age"), table.column("ecog_ps"));
    let sample = Sample {
        lifetimes: lifetimes.collect(),
        covariates: age.iter().zip(&ecog).map(|(a, e)| vec![*a, *e]).collect(),
    };
    check_laws("A19", &sample, &["weibull", "loglogistic", "lognormal"]).close();
}

/// Meeker & Escobar 1998, table C.17: percent increase of the operating current of 15 lasers at
/// 80 degrees Celsius, every 250 hours from 250 to 4000.
const LASERS: [[f64; 16]; 15] = [
    [
        0.4741, 0.9255, 2.1147, 2.7168, 3.511, 4.3415, 4.9076, 5.4782, 5.9925, 6.7224, 7.1303,
        8.0006, 8.9193, 9.494, 9.8675, 10.9446,
    ],
    [
        0.7078, 1.2175, 1.8955, 2.2954, 2.865, 3.7454, 4.4192, 4.9894, 5.5148, 6.0668, 6.6385,
        7.1615, 7.7778, 8.4242, 8.9092, 9.2834,
    ],
    [
        0.7074, 1.1651, 1.7253, 1.9888, 2.5325, 2.9695, 3.2977, 3.9354, 4.1613, 4.4459, 4.889,
        5.2696, 5.6913, 6.0216, 6.4485, 6.8849,
    ],
    [
        0.3634, 0.6161, 1.3597, 1.9525, 2.2995, 2.9468, 3.3871, 3.7863, 4.1116, 4.5013, 4.7209,
        4.9766, 5.2812, 5.615, 5.9503, 6.1438,
    ],
    [
        0.2707, 0.6144, 1.1093, 1.773, 2.0625, 2.5835, 2.9863, 3.3765, 4.0491, 4.626, 5.237,
        5.6191, 6.0449, 6.3167, 7.0952, 7.5941,
    ],
    [
        0.3584, 1.3922, 1.9541, 2.8617, 3.4552, 3.8117, 4.533, 5.3541, 5.9217, 6.7078, 7.7027,
        8.6053, 9.1477, 9.951, 10.4857, 11.0096,
    ],
    [
        0.3637, 0.9237, 1.2098, 1.4591, 1.9323, 2.3862, 2.6799, 2.9397, 3.4183, 4.0857, 4.5843,
        4.8402, 5.1145, 5.5691, 6.114, 7.1723,
    ],
    [
        0.458, 1.0678, 1.4163, 1.7659, 2.1061, 2.3969, 2.78, 3.0187, 3.289, 3.7542, 4.1595, 4.7575,
        5.1597, 5.4591, 5.8085, 6.245,
    ],
    [
        0.5098, 0.9308, 1.5713, 1.9576, 2.5871, 3.2892, 3.6075, 4.1148, 4.5964, 4.913, 5.3408,
        5.8418, 6.3961, 6.8441, 7.2037, 7.8848,
    ],
    [
        0.4136, 1.488, 2.381, 2.995, 3.835, 4.501, 5.251, 6.256, 7.051, 7.803, 8.321, 8.93, 9.554,
        10.45, 11.28, 12.21,
    ],
    [
        0.4435, 0.9978, 1.5738, 1.9584, 2.5093, 2.8436, 3.4682, 4.007, 4.5124, 4.8018, 5.2042,
        5.6556, 6.1951, 6.5405, 6.9626, 7.4238,
    ],
    [
        0.3864, 0.7988, 1.3521, 1.741, 2.979, 3.5871, 4.0315, 4.4393, 4.7906, 5.2205, 5.4848,
        5.9639, 6.2276, 6.9877, 7.3671, 7.8841,
    ],
    [
        0.3034, 0.7448, 1.5225, 1.8548, 2.3897, 2.9473, 3.5104, 3.9207, 5.0316, 5.4708, 5.8362,
        6.4962, 6.9372, 7.3883, 7.8472, 8.087,
    ],
    [
        0.438, 0.6979, 1.0515, 1.3526, 1.7998, 2.5514, 2.8274, 3.3908, 3.7159, 4.0906, 4.8296,
        5.4145, 5.759, 6.1419, 6.5086, 6.8823,
    ],
    [
        0.5056, 0.8349, 1.2864, 1.5191, 1.9148, 2.2697, 2.7763, 3.4153, 3.7814, 4.1053, 4.3754,
        4.6295, 5.3831, 5.8391, 6.1618, 6.6247,
    ],
];

#[test]
fn e04_lasers_by_their_degradation_paths() {
    let case = Case::open("E04");
    let mut lives = Vec::new();
    let mut crossed = 0.0;
    for (increase, unit) in LASERS.iter().zip(101..) {
        let points: Vec<(f64, f64)> =
            increase.iter().zip(1..).map(|(y, n)| (250.0 * f64::from(n), *y)).collect();
        let life = 10.0 / slope_through_origin(&points);
        case.check(&format!("unit {unit}: pseudo life, line through the origin"), life);
        crossed += f64::from(u8::from(increase.iter().any(|y| *y > 10.0)));
        lives.push(life);
        if unit == 101 {
            let from_new = [&[(0.0, 0.0)], &points[..]].concat();
            let line = LeastSquaresLine::fit(&from_new).unwrap();
            case.check(
                "unit 101: pseudo life, line with intercept",
                (10.0 - line.intercept) / line.slope,
            );
        }
    }
    case.check("units that crossed 10 % within 4000 h", crossed);
    let sample = Sample::without_covariates(right_censored(&lives, &[1.0; 15], None));
    for (name, law) in [("lognormal", Distribution::Lognormal), ("weibull", Distribution::Weibull)]
    {
        let fitted = fit(&sample, law).unwrap();
        check_fit(&case, &format!("{name}."), &fitted, |bare| more(&sample, &fitted, bare));
    }
    case.close();
}
