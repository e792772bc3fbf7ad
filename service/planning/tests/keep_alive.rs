//! Keeping a plan alive: repair, offers, reasons, staffing, calm from night to night.

#![expect(clippy::unwrap_used, reason = "a test's helper may stop the test")]

use hotspell_planning::checker::check;
use hotspell_planning::difference::{Difference, Names};
use hotspell_planning::figures::{Load, figures, loads};
use hotspell_planning::offers::{Refused, offers};
use hotspell_planning::reasons::{Block, account};
use hotspell_planning::repair::{Event, Now, Scope, repair};
use hotspell_planning::season::{
    Break, Budget, Fairness, SeasonPlan, SeasonProblem, Shift, Visit, Window, parse_instance, plan,
    plan_from, plan_of,
};
use hotspell_planning::stability::{Stability, Standing};
use hotspell_planning::staffing::{one_more, shortage};

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

fn planned() -> (SeasonProblem, SeasonPlan) {
    let problem = parse_instance(include_str!("data/season/s300.json")).unwrap();
    let plan = plan(&problem, &Budget::iterations(20_000), 1).unwrap();
    (problem, plan)
}

fn scope(day: usize, second: i32, days: Option<(usize, usize)>) -> Scope {
    Scope { now: Now { day, second }, days, stability: Stability::default() }
}

#[test]
fn a_sick_technician_loses_the_day_and_little_else_moves() {
    let (problem, before) = planned();
    let day = 6;
    let sick = before.routes.iter().find(|route| route.day == day).unwrap().clone();
    let events = [Event::Sick { technician: sick.technician, days: vec![day] }];
    let scope = scope(day, 0, None);
    let repaired =
        repair(&problem, &before, &events, &scope, &Budget::iterations(5_000), 1).unwrap();
    assert_eq!(check(&repaired.problem, &repaired.plan).violations, []);
    let slot = |r: &&_| -> bool {
        let r: &hotspell_planning::season::Route = r;
        r.day == day && r.technician == sick.technician
    };
    assert!(!repaired.plan.routes.iter().any(|r| slot(&r)));
    let difference = &repaired.difference;
    for stop in &sick.stops {
        assert!(
            difference.moved.iter().any(|m| m.visit == stop.visit)
                || difference.removed.iter().any(|r| r.visit == stop.visit)
        );
    }
    assert!(difference.day_changes() < 0.08, "{}", difference.day_changes());
    let sentences = difference.sentences(&Numbers);
    assert_eq!(
        sentences.len(),
        difference.moved.len() + difference.added.len() + difference.removed.len()
    );
    assert!(sentences.iter().any(|s| s.contains("moves from day 6")), "{sentences:?}");
}

#[test]
fn work_that_has_begun_stays_when_its_technician_goes_home_at_noon() {
    let (problem, before) = planned();
    let route = before.routes.iter().find(|r| r.day >= 5 && r.stops.len() >= 5).unwrap();
    let now = route.stops[2].start_s;
    let events = [Event::Sick { technician: route.technician, days: vec![route.day] }];
    let scope = scope(route.day, now, Some((route.day, route.day + 3)));
    let repaired =
        repair(&problem, &before, &events, &scope, &Budget::iterations(3_000), 1).unwrap();
    assert_eq!(check(&repaired.problem, &repaired.plan).violations, []);
    let after = repaired
        .plan
        .routes
        .iter()
        .find(|r| r.day == route.day && r.technician == route.technician)
        .unwrap();
    let begun: Vec<usize> = route.stops[..3].iter().map(|stop| stop.visit).collect();
    assert_eq!(after.stops.iter().map(|stop| stop.visit).collect::<Vec<_>>(), begun);
    let early = |plan: &SeasonPlan| {
        plan.sequences().into_iter().filter(|r| r.0 < route.day).collect::<Vec<_>>()
    };
    assert_eq!(early(&repaired.plan), early(&before));
}

#[test]
fn a_no_cool_call_gets_its_place_today_and_a_blocked_road_or_an_overrun_breaks_nothing() {
    let (problem, before) = planned();
    let day = 4;
    let home = problem.visits[0].location;
    let window = Window { start_s: 36_000, end_s: 61_200 };
    let call = Visit {
        skills: problem.visits[0].skills,
        drop_cost_s: 1_000_000,
        ..Visit::plain(-1, home, 3_600, vec![day], window)
    };
    let late = before.routes.iter().find(|route| route.day == day).unwrap().stops[0].visit;
    let events = [
        Event::NoCool { visit: Box::new(call) },
        Event::Overrun { visit: late, extra_s: 1_800 },
        Event::BlockedRoad { trips: vec![(home, 0), (0, home)], extra_s: 1_200 },
    ];
    let scope = scope(day, 30_000, Some((day, day + 2)));
    let repaired =
        repair(&problem, &before, &events, &scope, &Budget::iterations(5_000), 1).unwrap();
    assert_eq!(check(&repaired.problem, &repaired.plan).violations, []);
    let added = repaired.difference.added.iter().find(|a| a.visit == problem.visits.len()).unwrap();
    assert_eq!(added.to.day, day);
}

#[test]
fn a_technician_who_is_held_up_works_around_the_hours_and_nobody_starts_where_the_road_is_closed() {
    let (problem, before) = planned();
    let route = before.routes.iter().find(|r| r.day >= 5 && r.stops.len() >= 5).unwrap();
    let (day, technician) = (route.day, route.technician);
    let span = Window { start_s: 36_000, end_s: 43_200 };
    let other = before.routes.iter().find(|r| r.day == day && r.technician != technician).unwrap();
    let behind: Vec<usize> = other.stops.iter().map(|stop| stop.visit).collect();
    let events = [
        Event::Blocked { technician, day, span },
        Event::Unreachable { visits: behind.clone(), day, span },
    ];
    let scope = scope(day, 0, None);
    let repaired =
        repair(&problem, &before, &events, &scope, &Budget::iterations(5_000), 1).unwrap();
    assert_eq!(check(&repaired.problem, &repaired.plan).violations, []);
    for route in repaired.plan.routes.iter().filter(|r| r.day == day) {
        for stop in &route.stops {
            let held_up = route.technician == technician;
            assert!(!held_up || stop.leave_s <= span.start_s || stop.start_s >= span.end_s);
            let closed = behind.contains(&stop.visit);
            assert!(!closed || !(span.start_s..=span.end_s).contains(&stop.start_s));
        }
    }
    assert_eq!(repaired.plan.unplaced, []);
}

#[test]
fn hours_at_either_end_shorten_the_shift_and_a_whole_day_is_off() {
    let (problem, before) = planned();
    let day = 6;
    let shift = problem.technicians[0].shifts[day].unwrap();
    let after = |start_s: i32, end_s: i32| {
        let events = [Event::Blocked { technician: 0, day, span: Window { start_s, end_s } }];
        repair(
            &problem,
            &before,
            &events,
            &scope(day, 0, Some((day, day))),
            &Budget::iterations(0),
            1,
        )
        .unwrap()
        .problem
        .technicians[0]
            .shifts[day]
    };
    let (early, late) = (after(0, 36_000).unwrap(), after(50_000, 90_000).unwrap());
    assert_eq!((early.start_s, early.end_s), (36_000, shift.end_s));
    assert_eq!((late.start_s, late.end_s), (shift.start_s, 50_000));
    assert_eq!(after(0, 90_000), None);
    assert_eq!(after(0, shift.start_s), Some(shift));
}

#[test]
fn hours_lost_in_the_middle_of_a_shift_stand_for_its_break_and_last_as_long() {
    let (mut problem, _) = planned();
    give_breaks(&mut problem);
    let before = plan_from(&problem, &[], &Budget::iterations(300), 1).unwrap();
    let day = 6;
    let after = |start_s: i32, end_s: i32| {
        let events = [Event::Blocked { technician: 0, day, span: Window { start_s, end_s } }];
        let scope = scope(day, 0, Some((day, day)));
        let repaired =
            repair(&problem, &before, &events, &scope, &Budget::iterations(500), 1).unwrap();
        assert_eq!(check(&repaired.problem, &repaired.plan).violations, []);
        repaired.problem.technicians[0].shifts[day].unwrap().pause
    };
    let at = |start_s: i32, duration_s: i32| {
        Some(Break { earliest_s: start_s, latest_s: start_s, duration_s })
    };
    assert_eq!(after(36_000, 43_200), at(36_000, 7_200));
    assert_eq!(after(36_000, 36_600), at(36_000, 1_800), "no shorter than the break");
    assert_eq!(after(0, 36_000), problem.technicians[0].shifts[day].unwrap().pause);
    assert_eq!(after(0, 43_200), None, "the break's hours are gone with the morning");
}

#[test]
fn every_start_within_an_offer_of_a_day_with_a_break_leaves_all_others_where_they_are() {
    let (mut problem, _) = planned();
    give_breaks(&mut problem);
    let before = plan_from(&problem, &[], &Budget::iterations(2_000), 1).unwrap();
    let (mut tried, mut wide) = (0, 0);
    for visit in (0..problem.visits.len()).step_by(23) {
        for offer in offers(&problem, &before, visit, &[], 3).unwrap() {
            for start_s in
                [offer.earliest_s, (offer.earliest_s + offer.latest_s) / 2, offer.latest_s]
            {
                let mut pinned = problem.clone();
                // Nobody else takes the room that the visit leaves.
                for left in before.unplaced.iter().filter(|left| left.visit != visit) {
                    pinned.visits[left.visit].days.clear();
                }
                let pin = &mut pinned.visits[visit].pin;
                (pin.day, pin.technician) = (Some(offer.day), Some(offer.technician));
                pin.window = Some(Window { start_s, end_s: start_s });
                let mut sequences = before.sequences();
                for route in &mut sequences {
                    route.2.retain(|&v| v != visit);
                }
                let after = plan_from(&pinned, &sequences, &Budget::iterations(0), 1).unwrap();
                assert_eq!(check(&pinned, &after).violations, []);
                assert!(after.find(visit).is_some(), "{offer:?} at {start_s}");
                tried += 1;
            }
            wide += usize::from(offer.latest_s > offer.earliest_s);
        }
    }
    assert!(tried > 20 && wide > 0, "{tried} {wide}");
}

#[test]
fn the_plan_of_sequences_is_the_plan_they_came_from() {
    let (problem, plan) = planned();
    let mut again = plan_of(&problem, &plan.sequences()).unwrap();
    again.iterations = plan.iterations;
    assert_eq!(again, plan);
    let some: Vec<_> = plan.sequences().into_iter().skip(3).collect();
    let part = plan_of(&problem, &some).unwrap();
    assert_eq!(part.sequences(), some, "nothing is added");
}

/// Half an hour between eleven and two in every shift.
fn give_breaks(problem: &mut SeasonProblem) {
    for shift in problem.technicians.iter_mut().flat_map(|person| person.shifts.iter_mut()) {
        let pause = Break { earliest_s: 39_600, latest_s: 48_600, duration_s: 1_800 };
        *shift = shift.map(|shift| Shift { pause: Some(pause), ..shift });
    }
}

#[test]
fn a_declined_day_is_never_given_again_and_the_offers_avoid_it() {
    let (problem, before) = planned();
    let (visit, day) = before
        .routes
        .iter()
        .flat_map(|r| r.stops.iter().map(move |s| (s.visit, r.day)))
        // Offers move nobody else, so a visit whose other days are all full has none; take one that has.
        .find(|&(visit, day)| {
            let refused = [Refused { day, span: None }];
            problem.visits[visit].days.len() > 6
                && !offers(&problem, &before, visit, &refused, 3).unwrap().is_empty()
        })
        .unwrap();
    let events = [Event::Declined { visit, day, span: None }];
    let scope = scope(0, 0, None);
    let repaired =
        repair(&problem, &before, &events, &scope, &Budget::iterations(3_000), 1).unwrap();
    assert_eq!(check(&repaired.problem, &repaired.plan).violations, []);
    let (route, _) = repaired.plan.find(visit).unwrap();
    assert_ne!(repaired.plan.routes[route].day, day);

    let refused = [Refused { day, span: None }];
    let offers = offers(&problem, &before, visit, &refused, 3).unwrap();
    assert!(!offers.is_empty());
    assert!(offers.iter().all(|offer| offer.day != day));
    assert!(offers.is_sorted_by_key(|offer| offer.cost_s));
    // Each offer can be kept: pinned there, the plan stays feasible with nobody else moved off.
    for offer in offers {
        let mut pinned = problem.clone();
        pinned.visits[visit].pin.day = Some(offer.day);
        pinned.visits[visit].pin.technician = Some(offer.technician);
        pinned.visits[visit].pin.window =
            Some(Window { start_s: offer.earliest_s, end_s: offer.latest_s });
        let mut sequences = before.sequences();
        for route in &mut sequences {
            route.2.retain(|&v| v != visit);
        }
        let after = plan_from(&pinned, &sequences, &Budget::iterations(0), 1).unwrap();
        assert_eq!(check(&pinned, &after).violations, []);
        assert_eq!(after.unplaced, before.unplaced);
    }
}

#[test]
fn planning_again_with_new_risk_keeps_most_people_on_their_day_and_announced_ones_longer() {
    let (mut problem, before) = planned();
    let stability = Stability::default();
    for route in &before.routes {
        for stop in &route.stops {
            let standing = if route.day < 5 { Standing::Announced } else { Standing::Planned };
            let place = (route.day, route.technician);
            let window = Window { start_s: stop.start_s - 3_600, end_s: stop.start_s + 3_600 };
            let window = (standing == Standing::Announced).then_some(window);
            problem.visits[stop.visit].promise =
                Some(stability.promise(standing, place, window, 0));
        }
    }
    for (index, visit) in problem.visits.iter_mut().enumerate() {
        for cost in &mut visit.risk_cost_s {
            *cost = *cost * (90 + (index as i64 * 7) % 21) / 100;
        }
    }
    let budget = Budget::iterations(10_000);
    let calm = plan_from(&problem, &before.sequences(), &budget, 2).unwrap();
    assert_eq!(check(&problem, &calm).violations, []);
    let mut careless = problem.clone();
    for visit in &mut careless.visits {
        visit.promise = None;
    }
    let jumpy = plan_from(&careless, &before.sequences(), &budget, 2).unwrap();
    let changes = |plan: &SeasonPlan| Difference::between(&before, plan, 900).day_changes();
    assert!(changes(&calm) < 0.5 * changes(&jumpy), "{} {}", changes(&calm), changes(&jumpy));
}

#[test]
fn the_account_of_a_visit_adds_up_with_the_objective() {
    let (problem, plan) = planned();
    for visit in (0..problem.visits.len()).step_by(29) {
        let account = account(&problem, &plan, visit).unwrap();
        let chosen = account.chosen.unwrap();
        // Taking the visit out of the plan saves just what the account says it adds.
        let mut without = problem.clone();
        without.visits[visit].days.clear();
        let mut sequences = plan.sequences();
        for route in &mut sequences {
            route.2.retain(|&v| v != visit);
        }
        let report = hotspell_planning::checker::check_sequences(&without, &sequences);
        let saved = plan.cost.total_s() - (report.cost.total_s() - report.cost.dropped_s);
        assert!(chosen.cost.total_s() <= saved, "the cheapest place in the slot: {chosen:?}");
        assert!(account.other_days.is_sorted_by_key(|o| o.cost.total_s()));
        assert!(!account.sentences(&Numbers).is_empty());
        assert_eq!(account.unplaced, None);
    }
}

#[test]
fn blocked_days_say_what_blocks_them_and_staffing_says_who_is_missing() {
    let (mut problem, _) = planned();
    for technician in &mut problem.technicians {
        for (day, shift) in technician.shifts.iter_mut().enumerate() {
            *shift = shift.filter(|_| day % 3 == 0);
        }
    }
    let budget = Budget::iterations(5_000);
    let full = plan(&problem, &budget, 1).unwrap();
    assert!(!full.unplaced.is_empty());
    let accounts: Vec<_> =
        full.unplaced.iter().map(|u| account(&problem, &full, u.visit).unwrap()).collect();
    let blocks = || accounts.iter().flat_map(|a| a.blocked.iter().map(|b| b.1));
    assert!(blocks().any(|block| block == Block::NobodyWorks));
    assert!(blocks().any(|block| matches!(block, Block::Full { visits } if visits > 0)));

    let short = shortage(&problem, &full, 0, &Budget::iterations(500), 1).unwrap();
    assert_eq!(short.placed + short.left, full.unplaced.len());
    assert!(short.technician_days() > 0);
    let (day, _) = short.days[0];
    let more = one_more(&problem, &full, day, 0, &budget, 1).unwrap();
    assert!(more.saved_s() > 0, "{more:?}");
    assert!(more.placed > 0);
}

#[test]
fn loads_add_up_to_the_plan_and_dear_long_days_are_shorter() {
    let (mut problem, plan) = planned();
    let loads_of = |problem: &SeasonProblem, plan: &SeasonPlan| loads(problem, plan).unwrap();
    let before = loads_of(&problem, &plan);
    assert_eq!(before.iter().map(|load| load.visits).sum::<usize>(), 300 - plan.unplaced.len());
    assert_eq!(before.iter().map(|load| load.travel_s).sum::<i64>(), plan.cost.travel_s);
    assert_eq!(before.iter().map(|load| load.days).sum::<usize>(), plan.routes.len());
    assert!(before.iter().all(|load| load.days <= load.shifts && load.days > 0));
    let fullest = |loads: &[Load]| loads.iter().map(|load| load.fullest_day_work_s).max().unwrap();
    problem.fairness = Some(Fairness { comfortable_work_s: 10_000, cost_per_mille: 3_000 });
    let even = plan_from(&problem, &[], &Budget::iterations(5_000), 1).unwrap();
    assert_eq!(check(&problem, &even).violations, []);
    assert!(fullest(&loads_of(&problem, &even)) < fullest(&before));
}

#[test]
fn a_plan_by_risk_expects_fewer_failures_than_agreement_order_with_the_same_stops_a_day() {
    let (problem, plan) = planned();
    let curves: Vec<Vec<f64>> = problem
        .visits
        .iter()
        .map(|visit| visit.risk_cost_s.iter().map(|&cost| cost as f64 / 10_000.0).collect())
        .collect();
    let order: Vec<usize> = (0..problem.visits.len()).collect();
    let figures = figures(&problem, &plan, &curves, &order).unwrap();
    let risk = plan.cost.risk_s as f64 / 10_000.0;
    assert!((figures.expected_failures_plan - risk).abs() < 1e-6);
    assert!(figures.expected_failures_plan < figures.expected_failures_agreement_order);
    assert_eq!(figures.placed, 300);
    assert_eq!(figures.placed_before[0], 0);
    assert_eq!(figures.placed_before[problem.days], 300);
    assert!(hotspell_planning::figures::figures(&problem, &plan, &curves, &order[1..]).is_err());
}
