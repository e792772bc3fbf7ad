//! Speed of the planner at the size of a large branch (3,600 visits, 60 days, 10 technicians):
//! `cargo bench -p hotspell-planning`.
//!
//! Asked for on two cores: a first usable plan in under 1 s, repair of a day in under 1 s and of the
//! season in under 5 s, three offers in under 50 ms. The steps of the search are timed one by one.
#![expect(clippy::unwrap_used, reason = "a benchmark stops when its data are wrong")]

use std::hint::black_box;
use std::sync::OnceLock;
use std::time::Duration;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use hotspell_planning::offers::{Refused, offers};
use hotspell_planning::probe::Ready;
use hotspell_planning::reasons::account;
use hotspell_planning::repair::{Event, Now, Scope, repair};
use hotspell_planning::season::{
    Budget, SeasonPlan, SeasonProblem, Visit, Window, parse_instance, plan, plan_from,
};
use hotspell_planning::stability::Stability;

/// Iterations of the daemon's repair of a few days, of a whole season, and of a night's plan.
const DAY_REPAIR: u64 = 20_000;
const SEASON_REPAIR: u64 = 60_000;
const NIGHT: u64 = 200_000;
/// Iterations of a first plan, and how many of the 3,600 visits it may leave out to be called usable.
const FIRST: u64 = 10_000;
const FIRST_LEFT_OUT: usize = 18;

/// The season and a plan of it, made once.
fn large() -> &'static (SeasonProblem, SeasonPlan) {
    static LARGE: OnceLock<(SeasonProblem, SeasonPlan)> = OnceLock::new();
    LARGE.get_or_init(|| {
        let problem = parse_instance(include_str!("../tests/data/season/s3600.json")).unwrap();
        let plan = plan(&problem, &two_threads(1_000_000), 1).unwrap();
        assert_eq!(plan.unplaced, []);
        (problem, plan)
    })
}

fn two_threads(iterations: u64) -> Budget<'static> {
    Budget { threads: 2, ..Budget::iterations(iterations) }
}

fn steps(c: &mut Criterion) {
    let (problem, plan) = large();
    let ready = Ready::new(problem).unwrap();
    let mut search = ready.search(plan, 1);
    let mut visit = 0;
    c.bench_function("insertion: best place of a visit in every technician-day", |b| {
        b.iter(|| {
            visit = (visit + 7) % problem.visits.len();
            black_box(search.insertions(visit))
        });
    });
    c.bench_function("ruin: strings out of a few days and back", |b| {
        b.iter(|| black_box(search.ruin_and_take_back()));
    });
    c.bench_function("concatenation: the ends of two days exchanged, tested and back", |b| {
        b.iter(|| black_box(search.concatenate_and_take_back()));
    });
    c.bench_function("iteration: ruin, recreate, accept or take back", |b| {
        b.iter(|| black_box(search.iterate(50.0)));
    });
}

fn plans(c: &mut Criterion) {
    let (problem, before) = large();
    c.bench_function("compile the problem of 3,600 visits", |b| {
        b.iter(|| black_box(Ready::new(black_box(problem)).is_ok()));
    });
    c.bench_function("first usable plan of 3,600 visits", |b| {
        b.iter(|| {
            let first = plan(black_box(problem), &two_threads(FIRST), 1).unwrap();
            assert!(first.unplaced.len() <= FIRST_LEFT_OUT, "{} left out", first.unplaced.len());
            first
        });
    });
    let mut held = problem.clone();
    Stability::default().hold(&mut held, before, 0);
    for (index, visit) in held.visits.iter_mut().enumerate() {
        // Each visit's risk moves by up to a tenth overnight.
        for cost in &mut visit.risk_cost_s {
            *cost = *cost * (90 + (index as i64 * 7) % 21) / 100;
        }
    }
    let sequences = before.sequences();
    c.bench_function("plan again overnight, 200,000 iterations", |b| {
        b.iter(|| plan_from(black_box(&held), &sequences, &two_threads(NIGHT), 2).unwrap());
    });
}

/// A morning: somebody is sick, somebody else's road is blocked, a home without cooling calls.
fn morning(problem: &SeasonProblem, plan: &SeasonPlan, day: usize) -> Vec<Event> {
    let routes: Vec<_> = plan.routes.iter().filter(|route| route.day == day).collect();
    let called = &problem.visits[routes[0].stops[0].visit];
    let call = Visit {
        skills: called.skills,
        ..Visit::plain(
            -1,
            called.location,
            3_600,
            vec![day],
            Window { start_s: 28_800, end_s: 61_200 },
        )
    };
    let (from, to) = (routes[1].stops[0].visit, routes[1].stops[1].visit);
    let (from, to) = (problem.visits[from].location, problem.visits[to].location);
    vec![
        Event::Sick { technician: routes[2].technician, days: vec![day] },
        Event::BlockedRoad { trips: vec![(from, to), (to, from)], extra_s: 1_800 },
        Event::NoCool { visit: Box::new(call) },
    ]
}

fn repairs(c: &mut Criterion) {
    let (problem, before) = large();
    let day = 20;
    let events = morning(problem, before, day);
    let now = Now { day, second: 0 };
    let stability = Stability::default();
    let cases = [
        ("repair of a day", Some((day, day)), DAY_REPAIR),
        ("repair of a week", Some((day, day + 4)), DAY_REPAIR),
        ("repair of a season", None, SEASON_REPAIR),
    ];
    for (name, days, iterations) in cases {
        let scope = Scope { now, days, stability };
        c.bench_function(&format!("{name}, {iterations} iterations"), |b| {
            b.iter_batched(
                || events.clone(),
                |events| {
                    let budget = two_threads(iterations);
                    repair(black_box(problem), before, &events, &scope, &budget, 1).unwrap()
                },
                BatchSize::PerIteration,
            );
        });
    }
}

fn answers(c: &mut Criterion) {
    let (problem, before) = large();
    let mut stops = before
        .routes
        .iter()
        .flat_map(|route| route.stops.iter().map(|stop| (stop.visit, route.day)))
        .collect::<Vec<_>>()
        .into_iter()
        .cycle();
    c.bench_function("three offers", |b| {
        b.iter(|| {
            let (visit, day) = stops.next().unwrap();
            offers(black_box(problem), before, visit, &[Refused { day, span: None }], 3).unwrap()
        });
    });
    c.bench_function("why this day", |b| {
        b.iter(|| account(black_box(problem), before, stops.next().unwrap().0).unwrap());
    });
}

criterion_group! {
    name = planner;
    config = Criterion::default()
        .sample_size(10)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(5));
    targets = steps, plans, repairs, answers
}
criterion_main!(planner);
