//! What the picture must always say and show.

use chrono::Days;

use super::*;
use hotspell_weather::hot_spells::HotSpell;

fn curve(known_days: u64) -> SeasonCurve {
    let first = NaiveDate::from_ymd_opt(2024, 1, 1).unwrap();
    let as_of = first + Days::new(known_days);
    let day = |at: u64| {
        let (date, sum) = (first + Days::new(at), at as f64 * 10.0);
        let ahead = date >= as_of;
        CurveDay {
            date,
            this_year: (!ahead).then_some(sum),
            normal: Some(sum * 0.9),
            past_p10: Some(sum * 0.7),
            past_p90: Some(sum * 1.1),
            ahead_p10: ahead.then_some(sum * 0.95),
            ahead_p50: ahead.then_some(sum),
            ahead_p90: ahead.then_some(sum * 1.05),
        }
    };
    let spell = HotSpell {
        first_day: first + Days::new(170),
        last_day: first + Days::new(174),
        days: 5,
        highest_celsius: 38.0,
    };
    let hot_spells = if known_days > 175 { vec![spell] } else { Vec::new() };
    SeasonCurve { year: 2024, as_of, days: (0..366).map(day).collect(), hot_spells, past_years: 30 }
}

const LABELS: SeasonCurveLabels<'_> =
    SeasonCurveLabels { title: "Valley <office> & \"co\"", unit: "degF days, base 65F" };

#[test]
fn the_picture_says_in_words_what_it_shows() {
    let svg = season_curve_svg(&curve(182), &LABELS);
    assert!(svg.contains("role=\"img\"") && svg.contains("aria-labelledby"));
    assert!(svg.contains("By 30 June this season has gathered 1810 degF days"), "{}", &svg[..900]);
    assert!(svg.contains("above the median of 1629 in 30 past years"));
    assert!(svg.contains("One hot spell so far."));
    assert!(svg.contains("one, 19 June to 23 June"));
}

#[test]
fn text_from_outside_cannot_break_the_picture() {
    let svg = season_curve_svg(&curve(182), &LABELS);
    assert!(
        svg.contains("Valley &lt;office&gt; &amp; &quot;co&quot;") && !svg.contains("<office>")
    );
}

#[test]
fn every_line_and_area_differs_by_more_than_colour() {
    let svg = season_curve_svg(&curve(182), &LABELS);
    for mark in [
        "url(#past)",
        "url(#ahead)",
        "stroke-dasharray=\"8 4\"",
        "stroke-dasharray=\"2 4\"",
        "stroke-width=\"3.5\"",
    ] {
        // Once in the plot and once beside its name.
        assert!(svg.matches(mark).count() >= 2, "{mark}");
    }
    for name in [
        "2024 so far",
        "median of past years",
        "8 in 10 of 30 past years",
        "middle of what may come",
    ] {
        assert!(svg.contains(name), "{name}");
    }
}

#[test]
fn a_season_with_nothing_known_or_nothing_at_all_is_still_a_picture() {
    let nothing_known = season_curve_svg(&curve(0), &LABELS);
    assert!(
        nothing_known.contains("Hot spells so far: none") && !nothing_known.contains("2024 so far")
    );
    let empty = SeasonCurve { days: Vec::new(), hot_spells: Vec::new(), ..curve(0) };
    let svg = season_curve_svg(&empty, &LABELS);
    assert!(svg.ends_with("</svg>\n") && !svg.contains("NaN") && !svg.contains("inf"));
}

#[test]
fn names_keep_apart_and_on_the_sheet() {
    let svg = season_curve_svg(&curve(300), &LABELS);
    let mut places: Vec<f64> = svg
        .split("translate(")
        .skip(1)
        .filter_map(|rest| rest.split_once(')')?.0.split_once(' ')?.1.parse().ok())
        .collect();
    assert_eq!(places.len(), 5);
    places.sort_by(f64::total_cmp);
    assert!(places.windows(2).all(|pair| pair[1] - pair[0] >= NAME_STEP - 0.11), "{places:?}");
    assert!(places.iter().all(|y| (TOP - 0.1..=BOTTOM + 0.1).contains(y)));
}

#[test]
fn steps_of_the_scale_are_tidy() {
    for (rough, tidy) in [(0.0, 1.0), (0.9, 1.0), (1.2, 2.0), (230.0, 500.0), (900.0, 1000.0)] {
        assert!((tidy_step(rough) - tidy).abs() < 1e-9, "{rough}");
    }
}
