//! Visits week by week as bars, against the dates of the first hot spell.
//!
//! Done visits are filled, those to come are hatched, so that the picture reads without colour;
//! the counts stand on the bars. Colours come from the stylesheet, by class.

use chrono::{Days, NaiveDate};

use super::put;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 20.0;
const RIGHT: f64 = 940.0;
const TOP: f64 = 76.0;
const BOTTOM: f64 = 250.0;

/// Visits of a week.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Week {
    /// Its first day.
    pub(crate) monday: NaiveDate,
    /// Visits with a day in it that are still to come.
    pub(crate) open: usize,
    /// Visits done in it.
    pub(crate) done: usize,
}

/// Days that the bars are read against.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Marks {
    /// Today.
    pub(crate) today: NaiveDate,
    /// Day before which the first hot spell comes in one year of ten.
    pub(crate) spell_early: Option<NaiveDate>,
    /// Day before which it comes in half the years.
    pub(crate) spell_middle: Option<NaiveDate>,
}

/// Draws the weeks, in order of their days, as a whole SVG document.
pub(crate) fn weeks_svg(weeks: &[Week], marks: &Marks) -> String {
    let named: [(Option<NaiveDate>, &str, &str); 3] = [
        (Some(marks.today), "today", "now"),
        (marks.spell_early, "first hot spell, one year of ten", "spell"),
        (marks.spell_middle, "first hot spell, half the years", "spell"),
    ];
    let ends = weeks.iter().map(|week| week.monday + Days::new(7));
    let days = || named.iter().filter_map(|(day, ..)| *day);
    let first = weeks.iter().map(|week| week.monday).chain(days()).min().unwrap_or_default();
    let last = ends.chain(days()).max().unwrap_or_default();
    let span = ((last - first).num_days() as f64).max(7.0);
    let x = |day: NaiveDate| LEFT + (RIGHT - LEFT) * (day - first).num_days() as f64 / span;
    let most = weeks.iter().map(|week| week.open + week.done).max().unwrap_or(0).max(1) as f64;
    let height = |count: usize| (BOTTOM - TOP) * count as f64 / most;
    let mut svg = head(weeks);
    for week in weeks {
        let (left, right) = (x(week.monday) + 1.5, x(week.monday + Days::new(7)) - 1.5);
        let (done, open) = (height(week.done), height(week.open));
        bar(&mut svg, "done", left, right, BOTTOM - done, done);
        bar(&mut svg, "open", left, right, BOTTOM - done - open, open);
        let all = week.done + week.open;
        put(
            &mut svg,
            format_args!(
                "<text class=\"ink\" text-anchor=\"middle\" x=\"{:.1}\" y=\"{:.1}\">{all}</text>\n<text class=\"soft-ink\" text-anchor=\"middle\" x=\"{:.1}\" y=\"{:.1}\">{}</text>\n",
                (left + right) / 2.0,
                BOTTOM - done - open - 5.0,
                (left + right) / 2.0,
                BOTTOM + 18.0,
                if weeks.len() > 16 {
                    week.monday.format("%-m/%-d")
                } else {
                    week.monday.format("%b %-d")
                },
            ),
        );
    }
    for (row, (day, name, class)) in named.into_iter().enumerate() {
        let Some(day) = day else { continue };
        let (at, y) = (x(day), 18.0 + 18.0 * row as f64);
        let (anchor, shift) = if at > WIDTH / 2.0 { ("end", -6.0) } else { ("start", 6.0) };
        put(
            &mut svg,
            format_args!(
                "<line class=\"{class}\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{:.1}\" y2=\"{BOTTOM}\"/>\n<text class=\"ink clear\" text-anchor=\"{anchor}\" x=\"{:.1}\" y=\"{y}\">{name}: {}</text>\n",
                y - 12.0,
                at + shift,
                day.format("%b %-d"),
            ),
        );
    }
    svg.push_str("</svg>\n");
    svg
}

fn head(weeks: &[Week]) -> String {
    let (open, done) =
        weeks.iter().fold((0, 0), |(open, done), week| (open + week.open, done + week.done));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"weeks-title\" class=\"weeks\">\n\
         <title id=\"weeks-title\">Visits week by week: {done} done, {open} to come, over {} weeks.</title>\n\
         <defs><pattern id=\"hatch\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><rect class=\"hatch-ground\" width=\"6\" height=\"6\"/><line class=\"hatch-line\" x1=\"0\" y1=\"0\" x2=\"0\" y2=\"6\"/></pattern></defs>\n\
         <line class=\"axis\" x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{BOTTOM}\" y2=\"{BOTTOM}\"/>\n\
         <rect class=\"done\" x=\"{LEFT}\" y=\"276\" width=\"22\" height=\"14\"/><text class=\"ink\" x=\"48\" y=\"288\">done</text>\n\
         <rect class=\"open\" x=\"100\" y=\"276\" width=\"22\" height=\"14\"/><text class=\"ink\" x=\"128\" y=\"288\">to come</text>\n\
         <text class=\"soft-ink\" x=\"210\" y=\"288\">weeks by their Monday</text>\n",
        weeks.len(),
    )
}

fn bar(svg: &mut String, class: &str, left: f64, right: f64, top: f64, height: f64) {
    if height > 0.0 {
        put(
            svg,
            format_args!(
                "<rect class=\"{class}\" x=\"{left:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{height:.1}\"/>\n",
                right - left,
            ),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn the_picture_counts_the_visits_and_marks_the_known_dates() {
        let weeks = [
            Week { monday: day("2025-03-31"), open: 2, done: 6 },
            Week { monday: day("2025-04-07"), open: 4, done: 0 },
        ];
        let marks = Marks {
            today: day("2025-04-02"),
            spell_early: Some(day("2025-04-20")),
            spell_middle: None,
        };
        let svg = weeks_svg(&weeks, &marks);
        assert!(svg.contains("6 done, 6 to come, over 2 weeks"), "{svg}");
        assert!(svg.contains("first hot spell, one year of ten: Apr 20"), "{svg}");
        assert!(!svg.contains("half the years"), "an unknown date has no mark: {svg}");
    }
}
