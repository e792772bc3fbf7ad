//! Day routes against published instances. Best-known values: the table beside them (sources in
//! its README).

#![expect(clippy::unwrap_used, reason = "a test's helper may stop the test")]

use hotspell_planning::PlanningError;
use hotspell_planning::day::{Distances, Goal, Instance, parse, solve, verify};
use hotspell_planning::season::Budget;

const R112: &str = include_str!("data/vrptw/R112.txt");

fn best_known(instance: &str, convention: &str) -> (usize, f64) {
    let table = include_str!("data/vrptw/best_known.csv");
    let row = table.lines().find(|l| l.starts_with(&format!("{instance},{convention},"))).unwrap();
    let mut fields = row.split(',').skip(2);
    let vehicles = fields.next().unwrap().parse().unwrap_or(0);
    (vehicles, fields.next().unwrap().parse().unwrap())
}

#[test]
fn short_runs_come_within_a_few_per_cent_of_the_best_known_distances() {
    let files = [
        ("C101", include_str!("data/vrptw/C101.txt"), 0.1),
        ("R101", include_str!("data/vrptw/R101.txt"), 2.0),
        ("R112", R112, 4.0),
        ("RC208", include_str!("data/vrptw/RC208.txt"), 4.0),
        ("R1_2_1", include_str!("data/vrptw/R1_2_1.txt"), 6.0),
    ];
    for (name, text, per_cent) in files {
        let instance = parse(text).unwrap();
        let budget = Budget::iterations(20_000);
        let report = solve(&instance, Goal::Distance, Distances::Tenths, &budget, 1).unwrap();
        assert_eq!(report.breaches, Vec::<String>::new(), "{name}");
        let gap = (report.distance / best_known(name, "dimacs-distance").1 - 1.0) * 100.0;
        assert!((-0.001..per_cent).contains(&gap), "{name}: {gap} % above the best known");
    }
}

#[test]
fn real_distances_are_feasible_in_double_precision_and_never_below_the_best_known() {
    let instance = parse(include_str!("data/vrptw/C101.txt")).unwrap();
    let budget = Budget::iterations(5_000);
    let report = solve(&instance, Goal::Vehicles, Distances::Real, &budget, 1).unwrap();
    assert!(report.feasible, "{:?}", report.breaches);
    let (vehicles, distance) = best_known("C101", "hierarchical-real");
    assert_eq!(report.vehicles, vehicles);
    assert!((report.distance - distance).abs() < 0.01, "{}", report.distance);
}

#[test]
fn fewer_vehicles_are_used_when_they_are_what_counts() {
    let instance = parse(include_str!("data/vrptw/R201.txt")).unwrap();
    let budget = Budget::iterations(20_000);
    let few = solve(&instance, Goal::Vehicles, Distances::Real, &budget, 1).unwrap();
    let short = solve(&instance, Goal::Distance, Distances::Real, &budget, 1).unwrap();
    assert!(few.feasible && short.feasible);
    assert!(few.vehicles < short.vehicles, "{} {}", few.vehicles, short.vehicles);
    assert!(few.distance > short.distance);
}

#[test]
fn the_walk_in_double_precision_finds_every_breach() {
    let instance = parse(R112).unwrap();
    let all: Vec<Vec<usize>> = (1..=100).map(|customer| vec![customer]).collect();
    let verdict = verify(&instance, &all, Distances::Real);
    assert_eq!(verdict.vehicles, 100);
    assert_eq!(verdict.breaches.len(), 1, "too many vehicles only: {:?}", verdict.breaches);
    let one = verify(&instance, &[(1..=100).collect()], Distances::Real);
    assert!(one.breaches.iter().any(|b| b.contains("capacity")));
    assert!(one.breaches.iter().any(|b| b.contains("after its due date")));
    let none = verify(&instance, &[vec![0], vec![101]], Distances::Real);
    assert!(none.breaches.iter().any(|b| b.contains("no customer 101")));
    assert!(none.breaches.iter().any(|b| b.contains("served 0 times")));
}

#[test]
fn a_customer_that_no_vehicle_can_serve_is_named_and_the_rest_is_served() {
    let mut instance: Instance = parse(R112).unwrap();
    instance.customers[7].demand = 100_000;
    instance.customers[9].due = 1.0;
    instance.customers[9].ready = 0.0;
    let report =
        solve(&instance, Goal::Distance, Distances::Real, &Budget::iterations(500), 1).unwrap();
    assert!(!report.feasible);
    assert_eq!(report.breaches.len(), 2, "{:?}", report.breaches);
    assert!(report.breaches.iter().any(|b| b.contains("customer 7 is served 0 times")));
}

#[test]
fn a_file_that_is_not_an_instance_is_refused_with_its_line() {
    let line = |text: &str| match parse(text).unwrap_err() {
        PlanningError::Syntax { line, .. } => line,
        other => panic!("{other}"),
    };
    assert_eq!(line(""), 1);
    assert_eq!(line("X\nVEHICLE\nNUMBER CAPACITY\n 2 x"), 4);
    assert_eq!(line("X\nVEHICLE\nNUMBER CAPACITY\n 2 10\nCUSTOMER\n 1 0 0 0 0 10 0"), 6);
    assert_eq!(line("X\nVEHICLE\nNUMBER CAPACITY\n 2 10\nCUSTOMER\n 0 0 0 0 0 nan 0"), 6);
    assert_eq!(line("X\nVEHICLE\nNUMBER CAPACITY\n 2 10\nCUSTOMER\n 0 0 0 0 9 3 0"), 6);
    assert_eq!(
        line("X\nVEHICLE\nNUMBER CAPACITY\n 2 10\nCUSTOMER"),
        5,
        "what is missing is missed at the end"
    );
    assert_eq!(line("X\nsome prose"), 2);
}
