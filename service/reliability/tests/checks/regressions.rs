//! Laws with covariates: A10, A11, A14, A15, A17, B01, B02, E05.

use hotspell_reliability::location_scale::Distribution;
use hotspell_reliability::parametric::{Sample, fit};

use crate::fits::{LAWS, at_stress, check_fit, check_laws, none, right_censored};
use crate::harness::{Case, Table};

#[test]
fn a10_motorettes_arrhenius_lognormal_extrapolated() {
    let table = Table::read("motorettes.csv");
    let kelvin = |celsius: f64| vec![1000.0 / (273.2 + celsius)];
    let celsius = table.column("celsius");
    let all = right_censored(&table.column("hours"), &table.column("failed"), None);
    let hot: Vec<usize> = (0..table.rows).filter(|&i| celsius[i] > 150.0).collect();
    let sample = Sample {
        lifetimes: hot.iter().map(|&i| all[i]).collect(),
        covariates: hot.iter().map(|&i| kelvin(celsius[i])).collect(),
    };
    let case = Case::open("A10");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", kelvin));
    case.close();
}

#[test]
fn a11_motorettes_weibull_linear_in_temperature() {
    let table = Table::read("motorettes.csv");
    let sample = Sample {
        lifetimes: right_censored(&table.column("hours"), &table.column("failed"), None),
        covariates: table.column("celsius").iter().map(|c| vec![*c]).collect(),
    };
    let case = Case::open("A11");
    let fitted = fit(&sample, Distribution::Weibull).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", |c| vec![c]));
    case.close();
}

#[test]
fn a14_device_a_none_failed_at_use_temperature() {
    let table = Table::read("device_a.csv");
    let electronvolts = |celsius: f64| vec![11605.0 / (273.15 + celsius)];
    let sample = Sample {
        lifetimes: right_censored(
            &table.column("hours"),
            &table.column("failed"),
            Some(&table.column("count")),
        ),
        covariates: table.column("celsius").iter().map(|c| electronvolts(*c)).collect(),
    };
    let case = Case::open("A14");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", electronvolts));
    check_fit(&case, "weibull.", &fit(&sample, Distribution::Weibull).unwrap(), none);
    case.close();
}

#[test]
fn a15_mylar_inverse_power_law() {
    let table = Table::read("mylar_polyurethane.csv");
    let sample = Sample {
        lifetimes: right_censored(&table.column("minutes"), &table.column("failed"), None),
        covariates: table.column("kv_per_mm").iter().map(|v| vec![v.ln()]).collect(),
    };
    let case = Case::open("A15");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "50", |v| vec![v.ln()]));
    case.close();
}

#[test]
fn a17_six_rows_four_laws() {
    // R package survival, tests/testreg.R (data of the smallest regression): time, status, x.
    let rows = [(9.0, 1.0, 0.0), (1.0, 1.0, 1.0), (1.0, 0.0, 1.0), (6.0, 1.0, 1.0)];
    let rows = [&rows[..], &[(6.0, 1.0, 0.0), (8.0, 0.0, 0.0)]].concat();
    let (ages, failed): (Vec<f64>, Vec<f64>) = rows.iter().map(|r| (r.0, r.1)).unzip();
    let sample = Sample {
        lifetimes: right_censored(&ages, &failed, None),
        covariates: rows.iter().map(|r| vec![r.2]).collect(),
    };
    check_laws("A17", &sample, &["weibull", "lognormal", "loglogistic", "exponential"]).close();
}

#[test]
fn b01_lung() {
    let table = Table::read("lung.csv");
    let lifetimes = right_censored(&table.column("time"), &table.column("status"), None);
    let (age, sex) = (table.column("age"), table.column("sex"));
    let ecog = table.optional("ph_ecog");
    let two = Sample {
        lifetimes: lifetimes.clone(),
        covariates: (0..table.rows).map(|i| vec![age[i], sex[i]]).collect(),
    };
    let known: Vec<usize> = (0..table.rows).filter(|&i| ecog[i].is_some()).collect();
    let three = Sample {
        lifetimes: known.iter().map(|&i| lifetimes[i]).collect(),
        covariates: known.iter().map(|&i| vec![age[i], sex[i], ecog[i].unwrap()]).collect(),
    };
    let case = Case::open("B01");
    for (name, law) in LAWS {
        check_fit(&case, &format!("{name}.age_sex."), &fit(&two, law).unwrap(), none);
    }
    let fitted = fit(&three, Distribution::Weibull).unwrap();
    check_fit(&case, "weibull.age_sex_ecog.", &fitted, none);
    case.close();
}

#[test]
fn b02_ovarian() {
    let table = Table::read("ovarian.csv");
    let (ecog, rx) = (table.column("ecog_ps"), table.column("rx"));
    let sample = Sample {
        lifetimes: right_censored(&table.column("futime"), &table.column("fustat"), None),
        covariates: ecog.iter().zip(&rx).map(|(a, b)| vec![*a, *b]).collect(),
    };
    let case = Case::open("B02");
    for (name, law) in LAWS {
        check_fit(&case, &format!("{name}."), &fit(&sample, law).unwrap(), none);
    }
    case.close();
}

#[test]
fn e05_degradation_at_three_temperatures() {
    use hotspell_reliability::drift_line::slope_through_origin;
    let table = Table::read("nist_degradation.csv");
    let (celsius, unit) = (table.column("celsius"), table.column("unit"));
    let (hours, percent) = (table.column("hours"), table.column("percent"));
    let mut lives: Vec<(f64, f64)> = Vec::new();
    for temperature in [65.0, 85.0, 105.0] {
        for number in 1..=5 {
            let points: Vec<(f64, f64)> = (0..table.rows)
                .filter(|&i| (celsius[i] - temperature).abs() < 0.1)
                .filter(|&i| (unit[i] - f64::from(number)).abs() < 0.1)
                .map(|i| (hours[i], percent[i]))
                .collect();
            lives.push((temperature, 30.0 / slope_through_origin(&points)));
        }
    }
    let electronvolts = |celsius: f64| vec![11605.0 / (celsius + 273.16)];
    let (temperatures, ages): (Vec<f64>, Vec<f64>) = lives.iter().copied().unzip();
    let sample = Sample {
        lifetimes: right_censored(&ages, &vec![1.0; ages.len()], None),
        covariates: temperatures.iter().map(|c| electronvolts(*c)).collect(),
    };
    let case = Case::open("E05");
    let fitted = fit(&sample, Distribution::Lognormal).unwrap();
    check_fit(&case, "", &fitted, |name| at_stress(&fitted, name, "C", electronvolts));
    for (i, temperature) in [65, 85, 105].iter().enumerate() {
        let mut five: Vec<f64> = ages[5 * i..5 * i + 5].to_vec();
        five.sort_by(f64::total_cmp);
        case.check(&format!("{temperature}C: median pseudo life (sample)"), five[2]);
    }
    case.close();
}
