//! No-cool calls day by day: the mean without visits (dashes) and as the visits are placed (line)
//! over the band that holds nine seasons of ten.

use chrono::{Datelike, NaiveDate};
use hotspell_reliability::rehearsal::{Band, RehearsedPlan};

use super::put;
use crate::app::rehearsal::Rehearsed;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 360.0;
const LEFT: f64 = 50.0;
const RIGHT: f64 = 940.0;
const TOP: f64 = 20.0;
const BOTTOM: f64 = 280.0;

/// Where days and counts lie.
struct Frame {
    days: usize,
    most: f64,
}

impl Frame {
    fn x(&self, day: usize) -> f64 {
        LEFT + (RIGHT - LEFT) * day as f64 / self.days.max(1) as f64
    }

    fn y(&self, calls: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * calls.min(self.most) / self.most
    }

    fn line(&self, values: impl Iterator<Item = f64>) -> String {
        let mut path = String::new();
        for (day, value) in values.enumerate() {
            let step = if day == 0 { 'M' } else { 'L' };
            put(&mut path, format_args!("{step}{:.1} {:.1} ", self.x(day), self.y(value)));
        }
        path
    }
}

/// Draws the days of a rehearsal as a whole SVG document.
pub(crate) fn calls_svg(rehearsed: &Rehearsed) -> String {
    let without = rehearsed.rehearsal.plans.first();
    let placed = rehearsed.as_placed().map(|(placed, _)| placed);
    let shown = placed.or(without);
    let high = |plan: Option<&RehearsedPlan>| {
        plan.map_or(0.0, |plan| plan.calls_per_day.iter().fold(0.0, |most, it| it.high.max(most)))
    };
    let frame = Frame {
        days: rehearsed.capacity.len(),
        most: (high(without).max(high(shown)) + 1.0).max(3.0),
    };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"calls-title\" class=\"calls\">\n\
         <title id=\"calls-title\">No-cool calls day by day from {} to {}{}.</title>\n",
        rehearsed.first_day.format("%B %-d"),
        rehearsed.last_day.format("%B %-d"),
        worst(rehearsed, shown),
    );
    axes(&mut svg, &frame, rehearsed.days());
    if let Some(plan) = shown {
        let band = band(&frame, &plan.calls_per_day);
        put(&mut svg, format_args!("<path class=\"band\" d=\"{band}\"/>\n"));
    }
    let mean = |plan: &RehearsedPlan| frame.line(plan.calls_per_day.iter().map(|day| day.mean));
    let mut curves = Vec::new();
    curves.extend(without.map(|plan| ("without", "mean without visits", mean(plan))));
    curves.extend(placed.map(|plan| ("placed", "mean with the visits as placed", mean(plan))));
    for (index, (class, name, path)) in curves.iter().enumerate() {
        let x = LEFT + 290.0 * index as f64;
        put(
            &mut svg,
            format_args!(
                "<path class=\"{class}\" d=\"{path}\"/>\n\
                 <line class=\"{class}\" x1=\"{x}\" x2=\"{:.1}\" y1=\"325\" y2=\"325\"/>\n\
                 <text class=\"ink\" x=\"{:.1}\" y=\"330\">{name}</text>\n",
                x + 36.0,
                x + 44.0,
            ),
        );
    }
    let of = if placed.is_some() { "with the visits as placed" } else { "without visits" };
    put(
        &mut svg,
        format_args!(
            "<rect class=\"band\" x=\"{LEFT}\" y=\"340\" width=\"36\" height=\"14\"/>\n\
             <text class=\"ink\" x=\"{:.1}\" y=\"352\">nine seasons of ten, {of}</text>\n</svg>\n",
            LEFT + 44.0
        ),
    );
    svg
}

/// The day with the most calls, in words.
fn worst(rehearsed: &Rehearsed, plan: Option<&RehearsedPlan>) -> String {
    let days = plan.map_or(&[][..], |plan| plan.calls_per_day.as_slice());
    let most = rehearsed.days().zip(days).max_by(|a, b| a.1.mean.total_cmp(&b.1.mean));
    most.map_or_else(String::new, |(day, calls)| {
        format!("; the most, {:.1} in the mean, on {}", calls.mean, day.format("%B %-d"))
    })
}

fn band(frame: &Frame, days: &[Band]) -> String {
    let mut path = frame.line(days.iter().map(|day| day.high));
    for (day, calls) in days.iter().enumerate().rev() {
        put(&mut path, format_args!("L{:.1} {:.1} ", frame.x(day), frame.y(calls.low)));
    }
    path.push('Z');
    path
}

fn axes(svg: &mut String, frame: &Frame, days: impl Iterator<Item = NaiveDate>) {
    let step = (frame.most / 6.0).ceil().max(1.0);
    let mut calls = 0.0;
    while calls <= frame.most {
        put(
            svg,
            format_args!(
                "<line class=\"grid\" x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{0:.1}\" y2=\"{0:.1}\"/>\n\
                 <text class=\"soft-ink\" text-anchor=\"end\" x=\"{1}\" y=\"{2:.1}\">{calls:.0}</text>\n",
                frame.y(calls),
                LEFT - 8.0,
                frame.y(calls) + 4.0,
            ),
        );
        calls += step;
    }
    for (index, day) in days.enumerate().filter(|(_, day)| day.day() == 1) {
        put(
            svg,
            format_args!(
                "<line class=\"grid\" x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{TOP}\" y2=\"{BOTTOM}\"/>\n\
                 <text class=\"soft-ink\" x=\"{0:.1}\" y=\"{1}\">{2}</text>\n",
                frame.x(index),
                BOTTOM + 18.0,
                day.format("%b"),
            ),
        );
    }
}

#[cfg(test)]
mod tests {
    use hotspell_domain::RunId;
    use hotspell_reliability::rehearsal::{PlanDifference, Rehearsal};

    use super::*;
    use crate::config;

    fn plan(name: &str, means: &[f64]) -> RehearsedPlan {
        let band = |mean: f64| Band {
            low: 0.0,
            median: mean,
            high: mean + 2.0,
            mean,
            standard_error: 0.1,
        };
        RehearsedPlan {
            name: name.to_owned(),
            calls_per_day: means.iter().map(|mean| band(*mean)).collect(),
            calls: band(means.iter().sum()),
            days_over_capacity: band(0.0),
            share_over_capacity: vec![0.0; means.len()],
        }
    }

    /// The second plan against the first, if there is one.
    fn differences(plans: &[RehearsedPlan]) -> Vec<PlanDifference> {
        let against_first =
            plans.iter().enumerate().skip(1).map(|(plan, rehearsed)| PlanDifference {
                plan,
                against: 0,
                calls_avoided: rehearsed.calls,
                days_over_capacity_avoided: rehearsed.days_over_capacity,
                share_with_fewer_calls: 1.0,
            });
        against_first.collect()
    }

    fn rehearsed(plans: Vec<RehearsedPlan>) -> Rehearsed {
        Rehearsed {
            first_day: "2025-06-30".parse().unwrap(),
            last_day: "2025-07-02".parse().unwrap(),
            model_run: RunId(1),
            weather_paths: 30,
            parts: 2,
            capacity: vec![8.0, 8.0, 2.0],
            rehearsal: Rehearsal {
                differences: differences(&plans),
                plans,
                replicates: 10,
                seed: 1,
            },
            settings: config::Rehearsal::default(),
        }
    }

    #[test]
    fn the_picture_says_in_words_which_day_has_most_calls() {
        let svg = calls_svg(&rehearsed(vec![
            plan("without visits", &[1.0, 3.0, 2.0]),
            plan("visits as placed", &[1.0, 1.0, 1.5]),
        ]));
        assert!(
            svg.contains("from June 30 to July 2; the most, 1.5 in the mean, on July 2"),
            "{svg}"
        );
        assert!(svg.contains("mean with the visits as placed"), "{svg}");
        assert!(svg.contains(">Jul</text>"), "{svg}");
    }

    #[test]
    fn without_visits_there_is_one_curve() {
        let svg = calls_svg(&rehearsed(vec![plan("without visits", &[1.0, 3.0, 2.0])]));
        assert!(svg.contains("on July 1"), "{svg}");
        assert!(!svg.contains("as placed"), "{svg}");
    }
}
