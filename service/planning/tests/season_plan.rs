//! A season plan keeps every rule, tells the truth about its cost, and repeats for the same seed.

#![expect(clippy::unwrap_used, reason = "a test's helper may stop the test")]

use hotspell_planning::PlanningError;
use hotspell_planning::checker::{Violation, check, check_sequences};
use hotspell_planning::season::{
    Break, Budget, Fairness, PlanFile, Promise, SeasonProblem, SkillSet, UnplacedReason, Window,
    parse_instance, parse_plan, plan, plan_from,
};

const SMALL: &str = include_str!("data/season/s300.json");

fn small() -> SeasonProblem {
    parse_instance(SMALL).unwrap()
}

#[test]
fn a_short_search_places_all_visits_of_the_small_season_and_passes_the_checker() {
    let problem = small();
    let plan = plan(&problem, &Budget::iterations(20_000), 1).unwrap();
    let report = check(&problem, &plan);
    assert_eq!(report.violations, []);
    assert_eq!(plan.unplaced, []);
    // The naive plan of this instance (risk order, nearest neighbour) has 21,592 minutes with 35 left out.
    assert!(plan.cost.total_s() < 8_000 * 60, "{:?}", plan.cost);
}

#[test]
fn the_same_seed_gives_the_same_plan_on_any_number_of_threads() {
    let problem = small();
    let one = plan(&problem, &Budget::iterations(5_000), 7).unwrap();
    let two = plan(&problem, &Budget { threads: 2, ..Budget::iterations(5_000) }, 7).unwrap();
    assert_eq!(one, two);
    let other = plan(&problem, &Budget::iterations(5_000), 8).unwrap();
    assert_ne!(one.routes, other.routes);
}

#[test]
fn a_plan_file_survives_the_round_trip_and_costs_the_same() {
    let problem = small();
    let plan = plan(&problem, &Budget::iterations(2_000), 1).unwrap();
    let text = serde_json::to_string(&PlanFile::new(&problem, &plan)).unwrap();
    let sequences = parse_plan(&text).unwrap().sequences(&problem).unwrap();
    let report = check_sequences(&problem, &sequences);
    assert_eq!(report.violations, []);
    assert_eq!(report.cost, plan.cost);
}

#[test]
fn breaks_fairness_promises_and_own_windows_are_kept_and_counted() {
    let mut problem = small();
    for technician in &mut problem.technicians {
        for shift in technician.shifts.iter_mut().flatten() {
            shift.pause = Some(Break { earliest_s: 41_400, latest_s: 46_800, duration_s: 1_800 });
        }
    }
    problem.fairness = Some(Fairness { comfortable_work_s: 18_000, cost_per_mille: 200 });
    let before = plan(&problem, &Budget::iterations(2_000), 1).unwrap();
    assert_eq!(check(&problem, &before).violations, []);
    assert!(before.routes.iter().all(|route| route.break_s.is_some()));
    for route in &before.routes {
        for stop in &route.stops {
            problem.visits[stop.visit].promise = Some(Promise {
                day: route.day,
                technician: route.technician,
                window: Some(Window { start_s: stop.start_s - 1800, end_s: stop.start_s + 1800 }),
                day_change_cost_s: 7_200,
                technician_change_cost_s: 600,
                time_change_cost_s: 1_800,
            });
        }
    }
    let after = plan_from(&problem, &before.sequences(), &Budget::iterations(2_000), 1).unwrap();
    assert_eq!(check(&problem, &after).violations, []);
    let kept = after
        .routes
        .iter()
        .flat_map(|route| route.stops.iter().map(move |stop| (route.day, stop.visit)))
        .filter(|&(day, visit)| problem.visits[visit].promise.is_some_and(|p| p.day == day))
        .count();
    assert!(kept > problem.visits.len() * 9 / 10, "only {kept} visits kept their day");
}

#[test]
fn a_visit_that_cannot_be_placed_says_why() {
    let mut problem = small();
    problem.visits[0].days.clear();
    problem.visits[1].skills = SkillSet::of(60);
    problem.visits[2].duration_s = 40_000;
    problem.visits[3].window = Window { start_s: 50_000, end_s: 40_000 };
    let plan = plan(&problem, &Budget::iterations(500), 1).unwrap();
    let reason = |visit| plan.unplaced.iter().find(|u| u.visit == visit).map(|u| u.reason);
    assert_eq!(reason(0), Some(UnplacedReason::NoDay));
    assert_eq!(reason(1), Some(UnplacedReason::NoTechnician));
    assert_eq!(reason(2), Some(UnplacedReason::DoesNotFit));
    assert_eq!(reason(3), Some(UnplacedReason::DoesNotFit));
    assert_eq!(check(&problem, &plan).violations, []);
}

#[test]
fn with_too_little_room_the_costliest_visits_are_kept() {
    let mut problem = small();
    for technician in &mut problem.technicians {
        for (day, shift) in technician.shifts.iter_mut().enumerate() {
            *shift = shift.filter(|_| day % 4 == 0);
        }
    }
    let plan = plan(&problem, &Budget::iterations(3_000), 1).unwrap();
    assert_eq!(check(&problem, &plan).violations, []);
    assert!(plan.unplaced.iter().any(|u| u.reason == UnplacedReason::NoRoom));
}

#[test]
fn the_checker_finds_each_kind_of_breach() {
    let problem = small();
    let plan = plan(&problem, &Budget::iterations(500), 1).unwrap();
    let mut late = plan.clone();
    late.routes[0].stops[0].start_s += 20_000;
    late.routes[0].stops[0].leave_s += 20_000;
    assert!(!check(&problem, &late).is_clean());
    let mut cheap = plan.clone();
    cheap.cost.travel_s -= 1;
    assert!(
        check(&problem, &cheap).violations.iter().any(|v| matches!(v, Violation::Claim { .. }))
    );
    let mut twice = plan.sequences();
    let again = twice[0].2[0];
    twice[1].2.push(again);
    let violations = check_sequences(&problem, &twice).violations;
    assert!(violations.contains(&Violation::VisitTwice { visit: again }));
    let mut reversed = plan.sequences();
    for route in &mut reversed {
        route.2.reverse();
    }
    let violations = check_sequences(&problem, &reversed).violations;
    assert!(violations.iter().any(|v| matches!(v, Violation::Start { .. })));
    let unknown = [(999, 0, vec![0])];
    assert!(matches!(check_sequences(&problem, &unknown).violations[0], Violation::Unknown { .. }));
}

#[test]
fn broken_files_are_refused_with_the_place_of_the_mistake() {
    let syntax = parse_instance("{\n \"days\": 3,\n oops").unwrap_err();
    assert!(matches!(syntax, PlanningError::Syntax { line: 3, .. }), "{syntax}");
    let no_days =
        r#"{"days":0,"heat_ppm":[],"late_s_per_day":1,"drop_base_s":1,"techs":[],"visits":[]}"#;
    assert_eq!(parse_instance(no_days).unwrap_err(), PlanningError::NoDays);
    let twice = SMALL.replacen("{\"id\":1,", "{\"id\":0,", 1);
    assert!(matches!(parse_instance(&twice).unwrap_err(), PlanningError::Visit { id: 0, .. }));
    let far = SMALL.replacen("\"x\":8534", "\"x\":2000000000", 1);
    assert!(matches!(parse_instance(&far).unwrap_err(), PlanningError::TravelTime { .. }));
}
