//! Where travel times come from.

#![expect(clippy::unwrap_used, reason = "a test's helper may stop the test")]

use hotspell_planning::travel::{GreatCircle, RoadTimes, TravelTable, TravelTimes};

/// Two homes in Phoenix, one of them twice, and one in Tucson.
fn places() -> GreatCircle {
    GreatCircle::with_defaults(vec![
        (33.4484, -112.0740),
        (33.4484, -112.0740),
        (33.5092, -112.0460),
        (32.2226, -110.9747),
    ])
}

#[test]
fn the_great_circle_is_as_long_as_published() {
    // Airports LAX and JFK, 3,983 km apart on the sphere: from memory, the usual textbook figure.
    let metres = GreatCircle::distance_m((33.9425, -118.4081), (40.6398, -73.7789));
    assert!((metres / 1000.0 - 3_975.0).abs() < 20.0, "{metres}");
    assert_eq!(places().seconds(0, 1), 0, "the same door");
}

#[test]
fn an_engines_times_are_used_where_it_gave_them_and_the_estimate_elsewhere() {
    let estimate = places();
    let mut driving_s = vec![None; 16];
    driving_s[2] = Some(900);
    driving_s[1] = Some(77);
    let times = RoadTimes { estimate: estimate.clone(), driving_s };
    assert_eq!(times.seconds(0, 2), 900 + estimate.door_s);
    assert_eq!(times.seconds(2, 0), estimate.seconds(2, 0), "the way back is not known");
    assert_eq!(times.seconds(0, 1), 0, "the same door, whatever the engine says");
    let table = TravelTable::build(&times).unwrap();
    assert!(!table.obeys_triangle_inequality());
    assert_eq!(table.seconds(0, 2), 900 + estimate.door_s);
    assert_eq!(table.seconds(3, 3), 0);
}
