//! Measurements, drift and ageing: E01 to E03, E06, E07.

use hotspell_domain::quantity::{Amperes, Volts, microfarads_under_load};
use hotspell_reliability::drift_line::LeastSquaresLine;
use hotspell_reliability::heat_age::{AgingLaw, TemperatureLaw, activation_energy_of_halving_ev};

use crate::harness::{Case, Table, number_after, numbers};

fn microfarads(amperes: f64, volts: f64, hertz: f64) -> f64 {
    let (amperes, volts) = (Amperes::new(amperes).unwrap(), Volts::new(volts).unwrap());
    microfarads_under_load(volts, amperes, hertz).unwrap().get()
}

#[test]
fn e01_capacitance_under_load() {
    let case = Case::open("E01");
    for name in case.names() {
        let n = numbers(&name);
        if let (Some(amperes), Some(volts)) = (n.get("I"), n.get("V")) {
            case.check(&name, microfarads(*amperes, *volts, n["f"]));
        }
    }
    // The constants are the microfarads of 1 A at 1 V; 100 A at 400 V keeps within the ranges.
    for hertz in [60.0, 50.0] {
        case.check(&format!("constant {hertz} Hz"), 4.0 * microfarads(1.0, 100.0, hertz) * 25.0);
    }
    let trade = microfarads(8.3, 295.4, 60.0);
    case.check("trade example with 2652: uF", trade);
    case.check("trade example deviation from 70 uF, percent", 100.0 * (trade / 70.0 - 1.0));
    // First-order uncertainty of a quotient: relative errors add in squares.
    let relative = (0.083_f64 / 8.3).hypot(1.5 / 295.4);
    case.check(
        "standard uncertainty for 8.3 +- 0.083 A (1 sigma), 295.4 +- 1.5 V: uF",
        trade * relative,
    );
    case.close();
}

fn check_drift(id: &str, file: &str, rated: f64) {
    let table = Table::read(file);
    let (years, values) = (table.column("years"), table.column("microfarad"));
    let points: Vec<(f64, f64)> =
        years.iter().zip(&values).map(|(t, c)| (*t, 100.0 * (c / rated - 1.0))).collect();
    let line = LeastSquaresLine::fit(&points).unwrap();
    let case = Case::open(id);
    case.check("intercept_percent", line.intercept);
    case.check("slope_percent_per_year", line.slope);
    case.check("se_slope", line.slope_error);
    case.check("residual_sd", line.residual_sd);
    case.check("r_squared", line.r_squared);
    for limit in [6.0, 10.0] {
        let prefix = format!("crossing of -{limit} %: ");
        let crossing = line.crossing(-limit, 0.95).unwrap();
        case.check(&format!("{prefix}years"), crossing.at);
        case.check(&format!("{prefix}delta-method se"), crossing.standard_error);
        for percent in [90, 95] {
            let name = format!("{prefix}Fieller {percent}% interval");
            let found = line.crossing(-limit, f64::from(percent) / 100.0).unwrap().interval;
            if case.has_value(&name) {
                case.check_list(&name, &found.unwrap());
            } else {
                case.check_none(&name, found);
            }
        }
    }
    let next = years.last().unwrap() + 1.0;
    case.check(
        "P(reading one year after the last is below the first limit)",
        line.probability_reading_below(-6.0, next).unwrap(),
    );
    case.close();
}

#[test]
fn e02_a_drifting_capacitor() {
    check_drift("E02", "capacitor_drift.csv", 45.0);
}

#[test]
fn e03_a_steady_capacitor_has_no_date() {
    check_drift("E03", "capacitor_flat.csv", 5.0);
}

#[test]
fn e06_acceleration_factors() {
    let case = Case::open("E06");
    for name in case.names() {
        let two = |unit: &str| {
            let (before, after) = name.split_once(" to ").unwrap();
            let first = before.trim_end_matches(unit).trim().rsplit(' ').next().unwrap();
            (first.parse::<f64>().unwrap(), number_after(after, ""))
        };
        let got = if name.starts_with("Arrhenius") {
            let (from, to) = two(" C");
            let law = TemperatureLaw::Arrhenius { activation_energy_ev: numbers(&name)["Ea"] };
            law.factor(from, to)
        } else if name.starts_with("life halves") {
            let (from, to) = two(" C");
            let law = TemperatureLaw::Halving { kelvin: number_after(&name, "every ") };
            law.factor(from, to)
        } else if name.starts_with("inverse power") {
            let (from, to) = two(" V");
            let law = AgingLaw {
                temperature: TemperatureLaw::None,
                reference_celsius: 70.0,
                voltage_exponent: numbers(&name)["n"],
            };
            law.voltage_factor(to / from)
        } else {
            activation_energy_of_halving_ev(number_after(&name, "per "), 70.0)
        };
        case.check(&name, got);
    }
    case.close();
}

#[test]
fn e07_heat_age_of_one_part() {
    let table = Table::read("heat_age.csv");
    let hours = table.column("run_hours");
    let law = AgingLaw {
        temperature: TemperatureLaw::Halving { kelvin: 10.0 },
        reference_celsius: 70.0,
        voltage_exponent: 9.0,
    };
    let daily =
        law.daily_equivalent_hours(&hours, &table.column("case_celsius"), 410.0 / 440.0).unwrap();
    let case = Case::open("E07");
    let total: f64 = daily.iter().sum();
    case.check("run_hours", hours.iter().sum());
    case.check("equivalent_hours", total);
    case.check("share_of_rated_life", total / 60_000.0);
    case.close();
}
