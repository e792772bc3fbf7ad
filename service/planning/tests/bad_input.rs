//! Whatever comes in, the answer is a plan that passes the checker, a stated reason, or an error that says
//! what is wrong: no panic, no endless loop, no memory beyond the limits.

#![expect(clippy::unwrap_used, reason = "a test's helper may stop the test")]

use hotspell_planning::PlanningError;
use hotspell_planning::checker::check;
use hotspell_planning::day::parse as parse_day;
use hotspell_planning::repair::{Event, Now, Scope, repair};
use hotspell_planning::season::{
    Budget, SeasonProblem, Shift, SkillSet, Technician, UnplacedReason, Visit, Window,
    parse_instance, parse_plan, plan,
};
use hotspell_planning::stability::Stability;
use hotspell_planning::travel::{PlanarMetres, TravelTable};
use proptest::prelude::*;

const SMALL: &str = include_str!("data/season/s300.json");
const ROUTES: &str = include_str!("data/vrptw/C101.txt");

/// A file with one technician and the given visits.
fn file(days: u64, visits: &str) -> String {
    let heat = if days > 100 { String::new() } else { vec!["0"; days as usize].join(",") };
    format!(
        r#"{{"days":{days},"heat_ppm":[{heat}],"late_s_per_day":1200,"drop_base_s":18000,
        "techs":[{{"x":0,"y":0,"start_s":28800,"end_s":59400,"skills":["standard"],"off_days":[]}}],
        "visits":[{visits}]}}"#
    )
}

fn visit(id: i64, more: &str) -> String {
    let own = [
        ("x", "1000"),
        ("y", "0"),
        ("duration_s", "2700"),
        ("skill", "\"standard\""),
        ("due", "0"),
        ("last", "1"),
        ("days", "[0,1]"),
        ("tw_s", "[28800,61200]"),
        ("risk_s", "600"),
    ];
    let member = |(name, value): &(&str, &str)| {
        let changed = more.split_once('=').filter(|(changed, _)| changed == name);
        format!("\"{name}\":{}", changed.map_or(*value, |(_, value)| value))
    };
    format!("{{\"id\":{id},{}}}", own.iter().map(member).collect::<Vec<_>>().join(","))
}

fn reason(more: &str) -> UnplacedReason {
    let problem = parse_instance(&file(2, &visit(1, more))).unwrap();
    let plan = plan(&problem, &Budget::iterations(100), 1).unwrap();
    assert_eq!(check(&problem, &plan).violations, []);
    plan.unplaced[0].reason
}

fn refusal(more: &str) -> PlanningError {
    parse_instance(&file(2, &visit(1, more))).unwrap_err()
}

#[test]
fn what_no_day_can_hold_is_left_out_with_its_reason() {
    assert_eq!(reason("tw_s=[50000,40000]"), UnplacedReason::DoesNotFit);
    assert_eq!(reason("tw_s=[0,100]"), UnplacedReason::DoesNotFit);
    assert_eq!(reason("skill=\"large\""), UnplacedReason::NoTechnician);
    assert_eq!(reason("duration_s=40000"), UnplacedReason::DoesNotFit);
    assert_eq!(reason("x=900000"), UnplacedReason::DoesNotFit, "a day's drive away");
    assert_eq!(reason("days=[]"), UnplacedReason::NoDay);
}

#[test]
fn what_cannot_be_meant_is_refused_and_named() {
    for more in
        ["duration_s=-1", "days=[1,0]", "days=[0,7]", "due=9", "risk_s=-5", "risk_s=9000000000000"]
    {
        let error = refusal(more);
        assert!(matches!(error, PlanningError::Visit { id: 1, .. }), "{more}: {error}");
    }
    assert!(matches!(refusal("x=2000000000"), PlanningError::TravelTime { .. }));
    for more in ["x=99999999999999", "x=\"here\"", "risk_s=1e400"] {
        assert!(matches!(refusal(more), PlanningError::Syntax { line: 3, .. }), "{more}");
    }
    let twice = file(2, &[visit(1, ""), visit(1, "")].join(","));
    assert!(matches!(parse_instance(&twice).unwrap_err(), PlanningError::Visit { id: 1, .. }));
    assert_eq!(parse_instance(&file(0, "")).unwrap_err(), PlanningError::NoDays);
}

#[test]
fn a_plan_file_that_names_what_is_not_there_or_twice_is_found_out() {
    let problem = parse_instance(&file(2, &visit(1, ""))).unwrap();
    let unknown = parse_plan(r#"{"routes":[{"day":0,"tech":0,"visits":[7]}]}"#).unwrap();
    assert!(matches!(unknown.sequences(&problem), Err(PlanningError::Content(_))));
    let twice = parse_plan(r#"{"routes":[{"day":0,"tech":0,"visits":[1,1]}]}"#).unwrap();
    let sequences = twice.sequences(&problem).unwrap();
    let report = hotspell_planning::checker::check_sequences(&problem, &sequences);
    assert!(!report.is_clean());
    assert!(parse_plan(r#"{"routes":[{"day":-1,"tech":0,"visits":[]}]}"#).is_err());
}

#[test]
fn nothing_to_do_and_nobody_to_do_it_are_plans_too() {
    let nothing = parse_instance(&file(2, "")).unwrap();
    let empty = plan(&nothing, &Budget::iterations(1_000), 1).unwrap();
    assert_eq!((empty.routes.len(), empty.unplaced.len()), (0, 0));
    let mut nobody = parse_instance(SMALL).unwrap();
    for technician in &mut nobody.technicians {
        technician.shifts.fill(None);
    }
    let left = plan(&nobody, &Budget::iterations(1_000), 1).unwrap();
    assert_eq!(left.unplaced.len(), 300);
    assert!(left.unplaced.iter().all(|u| u.reason == UnplacedReason::NoTechnician));
}

#[test]
fn more_than_a_plan_can_hold_is_refused_before_memory_is_taken_for_it() {
    let many = (0..50_001).map(|id| visit(id, "")).collect::<Vec<_>>().join(",");
    let error = parse_instance(&file(2, &many)).unwrap_err();
    assert!(matches!(error, PlanningError::TooMany { what: "visits", .. }), "{error}");
    let error = parse_instance(&file(u64::MAX, "")).unwrap_err();
    assert!(matches!(error, PlanningError::TooMany { .. }), "{error}");

    // Within each limit, but too many pairs of visit and technician-day: 48 million.
    let (days, people, visits) = (60, 40, 20_000);
    let window = Window { start_s: 28_800, end_s: 61_200 };
    let shift = Some(Shift { start_s: 28_800, end_s: 59_400, pause: None });
    let technician = Technician {
        start_location: 0,
        end_location: 0,
        shifts: vec![shift; days],
        skills: SkillSet::NONE,
    };
    let problem = SeasonProblem {
        days,
        travel: TravelTable::build(&PlanarMetres { positions_m: vec![(0, 0)] }).unwrap(),
        profile: None,
        technicians: vec![technician; people],
        visits: (0..visits)
            .map(|id| Visit::plain(id, 0, 60, (0..days).collect(), window))
            .collect(),
        late_cost_per_day_s: 0,
        fairness: None,
    };
    let error = plan(&problem, &Budget::iterations(1), 1).unwrap_err();
    let PlanningError::TooMany { what, count, .. } = error else { panic!("{error}") };
    assert_eq!((what, count), ("pairs of visit and technician-day", 48_000_000));

    let positions_m = (0..15_001).map(|x| (x, 0)).collect();
    let error = TravelTable::build(&PlanarMetres { positions_m }).unwrap_err();
    assert!(matches!(error, PlanningError::TooMany { what: "locations", .. }), "{error}");
}

#[test]
fn events_that_name_what_is_not_there_are_refused() {
    let problem = parse_instance(SMALL).unwrap();
    let before = plan(&problem, &Budget::iterations(500), 1).unwrap();
    let span = Window { start_s: 0, end_s: 50_000 };
    let now = Now { day: 0, second: 0 };
    let scope = Scope { now, days: None, stability: Stability::default() };
    for event in [
        Event::Sick { technician: 99, days: vec![0] },
        Event::Sick { technician: 0, days: vec![999] },
        Event::Declined { visit: 999, day: 0, span: None },
        Event::Blocked { technician: 99, day: 0, span },
        Event::Blocked { technician: 0, day: 999, span },
        Event::Unreachable { visits: vec![0, 999], day: 0, span },
        Event::BlockedRoad { trips: vec![(0, 9_999)], extra_s: 60 },
        Event::Overrun { visit: 999, extra_s: 60 },
    ] {
        let name = format!("{event:?}");
        let repaired = repair(&problem, &before, &[event], &scope, &Budget::iterations(10), 1);
        assert!(matches!(repaired, Err(PlanningError::Content(_))), "{name}");
    }
    // An overrun beyond all measure makes a visit that fits nowhere, and says so.
    let event = Event::Overrun { visit: 5, extra_s: i32::MAX };
    let repaired = repair(&problem, &before, &[event], &scope, &Budget::iterations(10), 1).unwrap();
    assert_eq!(repaired.difference.removed[0].reason, Some(UnplacedReason::DoesNotFit));
}

/// A text with some of its characters replaced.
fn spoilt(text: &'static str, length: usize) -> impl Strategy<Value = String> {
    let spot = (0..length, prop::sample::select(b"0123456789-.,[]{}\": x".to_vec()));
    prop::collection::vec(spot, 1..6).prop_map(move |spots| {
        let mut bytes = text.as_bytes().to_vec();
        for (at, byte) in spots {
            bytes[at] = byte;
        }
        String::from_utf8_lossy(&bytes).into_owned()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn a_spoilt_season_file_is_refused_or_planned_within_the_rules(text in spoilt(SMALL, SMALL.len())) {
        if let Ok(problem) = parse_instance(&text) {
            match plan(&problem, &Budget::iterations(20), 1) {
                Ok(plan) => prop_assert_eq!(check(&problem, &plan).violations, []),
                Err(error) => prop_assert!(!error.to_string().is_empty()),
            }
        }
    }

    #[test]
    fn a_spoilt_route_file_never_panics(text in spoilt(ROUTES, ROUTES.len())) {
        if let Err(error) = parse_day(&text) {
            prop_assert!(!error.to_string().is_empty());
        }
    }
}
