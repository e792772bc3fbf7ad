//! One visit into a full day: who keeps the promised time, and who is late by how much.

#![expect(clippy::unwrap_used, reason = "a test's helper may stop the test")]

use hotspell_planning::checker::check;
use hotspell_planning::difference::Names;
use hotspell_planning::insertion::{Others, Target, insert, insertions};
use hotspell_planning::repair::Now;
use hotspell_planning::season::{
    Budget, SeasonPlan, SeasonProblem, Window, parse_instance, plan, plan_of,
};
use hotspell_planning::stability::{Stability, Standing};

struct Numbers;

impl Names for Numbers {
    fn visit(&self, visit: usize) -> String {
        format!("visit {visit}")
    }
    fn technician(&self, technician: usize) -> String {
        format!("technician {technician}")
    }
    fn day(&self, day: usize) -> String {
        format!("day {day}")
    }
}

const NIGHT: Now = Now { day: 0, second: -1 };

/// A season with room in every afternoon, in which each household was told twenty minutes; one visit of it
/// is still to be placed, on one of its days.
fn told() -> (SeasonProblem, SeasonPlan, usize, Vec<usize>) {
    let mut problem = parse_instance(include_str!("data/season/s300.json")).unwrap();
    let first = plan(&problem, &Budget::iterations(20_000), 1).unwrap();
    for route in &first.routes {
        for stop in &route.stops {
            let place = (route.day, route.technician);
            let window = Some(Window { start_s: stop.start_s - 600, end_s: stop.start_s + 600 });
            let promise = Stability::default().promise(Standing::Announced, place, window, 0);
            problem.visits[stop.visit].promise = Some(promise);
        }
    }
    let busy = first.routes.iter().max_by_key(|route| route.stops.len()).unwrap();
    let called = busy.stops[0].visit;
    let mut sequences = first.sequences();
    for (_, _, visits) in &mut sequences {
        visits.truncate(4);
        visits.retain(|visit| *visit != called);
    }
    problem.visits[called].promise = None;
    let before = plan_of(&problem, &sequences).unwrap();
    let days = problem.visits[called].days.clone();
    (problem, before, called, days)
}

#[test]
fn a_way_names_whose_promised_time_it_breaks_and_by_how_much() {
    let (problem, before, called, days) = told();
    let ways = insertions(&problem, &before, called, NIGHT, &days, 20).unwrap();
    assert!(ways.is_sorted_by_key(|way| way.cost_s));
    let broken: Vec<_> = ways.iter().filter(|way| way.breaks_a_promise()).collect();
    assert!(!broken.is_empty(), "a full day has a way that breaks a promise: {ways:?}");
    for way in &ways {
        let Others::MayBeLate = way.others else {
            assert!(!way.breaks_a_promise(), "{way:?}");
            continue;
        };
        let target =
            Target { day: way.day, technician: way.technician, span: None, others: way.others };
        let mended = insert(&problem, &before, called, target, NIGHT).unwrap().unwrap();
        assert_eq!(check(&mended.problem, &mended.plan).violations, []);
        for delay in &way.delays {
            let (route, position) = mended.plan.find(delay.visit).unwrap();
            let window = problem.visits[delay.visit].promise.unwrap().window.unwrap();
            let start = mended.plan.routes[route].stops[position].start_s;
            assert_eq!(delay.past_promise_s, (start - window.end_s).max(0), "{way:?}");
        }
        assert!(way.sentence(&Numbers).contains("min past the promised time"), "{way:?}");
    }
}

#[test]
fn nobody_is_late_where_promises_are_to_be_kept() {
    let (problem, before, called, days) = told();
    for way in insertions(&problem, &before, called, NIGHT, &days, 20).unwrap() {
        let target = Target {
            day: way.day,
            technician: way.technician,
            span: None,
            others: Others::KeepTheirTime,
        };
        let Some(mended) = insert(&problem, &before, called, target, NIGHT).unwrap() else {
            assert_eq!(way.others, Others::MayBeLate);
            continue;
        };
        for moved in mended.difference.moved.iter().filter(|moved| moved.visit != called) {
            let window = problem.visits[moved.visit].promise.unwrap().window.unwrap();
            assert!(moved.to.start_s <= window.end_s, "{moved:?}");
        }
    }
}
