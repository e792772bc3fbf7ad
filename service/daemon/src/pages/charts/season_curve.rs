//! The season as a picture: accumulated degree days of this year against the past years, what may
//! still come, and the hot spells so far.
//!
//! Every line and area differs in stroke or pattern, not only in colour, and carries its name beside
//! it, so that the picture reads in print and by people who do not see colour.

use chrono::{Datelike, NaiveDate};
use hotspell_weather::season::{CurveDay, SeasonCurve};

use super::put;
use crate::app::outlook::BranchSeason;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 480.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 724.0;
const TOP: f64 = 64.0;
const BOTTOM: f64 = 400.0;
/// Least distance of two names at the right, so that they do not touch.
const NAME_STEP: f64 = 18.0;

const INK: &str = "#1a1a1a";
const SOFT_INK: &str = "#595959";
const THIS_YEAR: &str = "#0b3c5d";
const AHEAD: &str = "#9a4a00";

/// What stands around the curve.
#[derive(Debug, Clone, Copy)]
pub struct SeasonCurveLabels<'a> {
    /// Headline, such as the branch's name and the year.
    pub title: &'a str,
    /// The unit of the degree days, such as `degF days, base 65F`.
    pub unit: &'a str,
}

/// The picture of a branch's season, under the branch's name.
pub fn branch_season_svg(branch: &str, season: &BranchSeason) -> String {
    let title = format!("{branch}: the season of {}", season.outlook.year);
    let unit = season.degree_day_unit();
    season_curve_svg(&season.curve, &SeasonCurveLabels { title: &title, unit: &unit })
}

/// Draws the curve as a whole SVG document of 960 by 480 units.
///
/// Text comes from the arguments and is escaped; dates are written day and month.
pub fn season_curve_svg(curve: &SeasonCurve, labels: &SeasonCurveLabels<'_>) -> String {
    let frame = Frame::of(curve);
    let mut svg = String::with_capacity(48 * 1024);
    head(&mut svg, curve, labels);
    frame.grid(&mut svg, labels);
    frame.area(&mut svg, &curve.days, |day| day.past_p10.zip(day.past_p90), "past", SOFT_INK);
    frame.area(&mut svg, &curve.days, |day| day.ahead_p10.zip(day.ahead_p90), "ahead", AHEAD);
    frame.line(
        &mut svg,
        &curve.days,
        |day| day.normal,
        &format!("stroke=\"{INK}\" stroke-width=\"1.5\" stroke-dasharray=\"8 4\""),
    );
    frame.line(&mut svg, &curve.days, |day| day.ahead_p50, &format!("stroke=\"{AHEAD}\" stroke-width=\"2.5\" stroke-dasharray=\"2 4\" stroke-linecap=\"round\""));
    frame.line(
        &mut svg,
        &curve.days,
        |day| day.this_year,
        &format!("stroke=\"{THIS_YEAR}\" stroke-width=\"3.5\""),
    );
    frame.today(&mut svg, curve);
    frame.hot_spells(&mut svg, curve);
    frame.names(&mut svg, curve);
    svg.push_str("</svg>\n");
    svg
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn head(svg: &mut String, curve: &SeasonCurve, labels: &SeasonCurveLabels<'_>) {
    let title = escaped(labels.title);
    put(
        svg,
        format_args!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" \
         aria-labelledby=\"season-title season-desc\" font-family=\"system-ui, sans-serif\" font-size=\"14\">\n\
         <title id=\"season-title\">{title}</title>\n<desc id=\"season-desc\">{}</desc>\n",
            escaped(&description(curve, labels)),
        ),
    );
    svg.push_str(
        "<defs><pattern id=\"past\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">\
         <rect width=\"6\" height=\"6\" fill=\"#ededed\"/></pattern>\
         <pattern id=\"ahead\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
         <rect width=\"7\" height=\"7\" fill=\"#fff1e0\" fill-opacity=\"0.75\"/>\
         <line x1=\"0\" y1=\"0\" x2=\"0\" y2=\"7\" stroke=\"#9a4a00\" stroke-width=\"1.2\"/></pattern></defs>\n",
    );
    put(
        svg,
        format_args!(
            "<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#ffffff\"/>\n\
         <text x=\"{LEFT}\" y=\"26\" font-size=\"18\" font-weight=\"600\" fill=\"{INK}\">{title}</text>\n\
         <text x=\"{LEFT}\" y=\"48\" fill=\"{SOFT_INK}\">Degree days since {}, {}</text>\n",
            curve.days.first().map_or_else(String::new, |day| day_and_month(day.date)),
            escaped(labels.unit),
        ),
    );
}

/// The picture in a sentence or two, for those who hear it.
fn description(curve: &SeasonCurve, labels: &SeasonCurveLabels<'_>) -> String {
    let mut text = String::new();
    if let Some(day) = curve.days.iter().rev().find(|day| day.this_year.is_some()) {
        let so_far = day.this_year.unwrap_or_default();
        put(
            &mut text,
            format_args!(
                "By {} this season has gathered {so_far:.0} {}",
                day_and_month(day.date),
                labels.unit
            ),
        );
        if let Some(normal) = day.normal {
            let ratio = if so_far >= normal { "above" } else { "below" };
            put(
                &mut text,
                format_args!(
                    ", {ratio} the median of {normal:.0} in {} past years",
                    curve.past_years
                ),
            );
        }
        text.push_str(". ");
    }
    if let Some(CurveDay { ahead_p10: Some(low), ahead_p90: Some(high), .. }) = curve.days.last() {
        put(&mut text, format_args!("By its end it is likely to reach {low:.0} to {high:.0}. "));
    }
    match curve.hot_spells.len() {
        0 => text.push_str("No hot spell so far."),
        1 => text.push_str("One hot spell so far."),
        many => put(&mut text, format_args!("{many} hot spells so far.")),
    }
    text
}

fn day_and_month(date: NaiveDate) -> String {
    format!("{} {}", date.day(), date.format("%B"))
}

/// From days and degree days to places on the sheet.
struct Frame {
    first: NaiveDate,
    days: f64,
    highest: f64,
    step: f64,
}

impl Frame {
    fn of(curve: &SeasonCurve) -> Self {
        let values = |day: &CurveDay| [day.this_year, day.past_p90, day.ahead_p90, day.normal];
        let reached = curve.days.iter().flat_map(values).flatten().fold(0.0_f64, f64::max);
        let step = tidy_step(reached / 6.0);
        Self {
            first: curve.days.first().map_or(NaiveDate::MIN, |day| day.date),
            days: curve.days.len().saturating_sub(1).max(1) as f64,
            highest: (reached / step).ceil().max(1.0) * step,
            step,
        }
    }

    fn x(&self, date: NaiveDate) -> f64 {
        LEFT + (RIGHT - LEFT) * (date - self.first).num_days() as f64 / self.days
    }

    fn y(&self, value: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * value / self.highest
    }

    fn grid(&self, svg: &mut String, labels: &SeasonCurveLabels<'_>) {
        let mut level = 0.0;
        while level <= self.highest + self.step / 2.0 {
            let y = self.y(level);
            put(
                svg,
                format_args!(
                    "<line x1=\"{LEFT}\" y1=\"{y:.1}\" x2=\"{RIGHT}\" y2=\"{y:.1}\" stroke=\"#d0d0d0\" stroke-width=\"1\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"{SOFT_INK}\">{level:.0}</text>\n",
                    LEFT - 8.0,
                    y + 5.0,
                ),
            );
            level += self.step;
        }
        let last = self.first + chrono::Days::new(self.days as u64);
        for date in
            self.first.iter_days().take_while(|date| *date <= last).filter(|date| date.day() == 1)
        {
            let x = self.x(date);
            put(
                svg,
                format_args!(
                    "<line x1=\"{x:.1}\" y1=\"{BOTTOM}\" x2=\"{x:.1}\" y2=\"{:.1}\" stroke=\"{SOFT_INK}\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" fill=\"{SOFT_INK}\">{}</text>\n",
                    BOTTOM + 6.0,
                    x + 3.0,
                    BOTTOM + 20.0,
                    date.format("%b"),
                ),
            );
        }
        put(
            svg,
            format_args!(
                "<line x1=\"{LEFT}\" y1=\"{BOTTOM}\" x2=\"{RIGHT}\" y2=\"{BOTTOM}\" stroke=\"{INK}\" stroke-width=\"1.5\"><title>{}</title></line>\n",
                escaped(labels.unit),
            ),
        );
    }

    fn area(
        &self,
        svg: &mut String,
        days: &[CurveDay],
        ends: impl Fn(&CurveDay) -> Option<(f64, f64)>,
        pattern: &str,
        edge: &str,
    ) {
        let known: Vec<(NaiveDate, f64, f64)> = days
            .iter()
            .filter_map(|day| ends(day).map(|(low, high)| (day.date, low, high)))
            .collect();
        if known.len() < 2 {
            return;
        }
        let mut path = String::new();
        let upper = known.iter().map(|(date, _, high)| (*date, *high));
        let lower = known.iter().rev().map(|(date, low, _)| (*date, *low));
        for (at, (date, value)) in upper.chain(lower).enumerate() {
            let verb = if at == 0 { 'M' } else { 'L' };
            put(&mut path, format_args!("{verb}{:.1} {:.1}", self.x(date), self.y(value)));
        }
        put(
            svg,
            format_args!(
                "<path d=\"{path}Z\" fill=\"url(#{pattern})\" stroke=\"{edge}\" stroke-width=\"0.8\"/>\n"
            ),
        );
    }

    fn line(
        &self,
        svg: &mut String,
        days: &[CurveDay],
        value: impl Fn(&CurveDay) -> Option<f64>,
        style: &str,
    ) {
        let mut path = String::new();
        let known = days.iter().filter_map(|day| value(day).map(|value| (day.date, value)));
        for (at, (date, value)) in known.enumerate() {
            let verb = if at == 0 { 'M' } else { 'L' };
            put(&mut path, format_args!("{verb}{:.1} {:.1}", self.x(date), self.y(value)));
        }
        if !path.is_empty() {
            put(
                svg,
                format_args!(
                    "<path d=\"{path}\" fill=\"none\" stroke-linejoin=\"round\" {style}/>\n"
                ),
            );
        }
    }

    /// A mark at the end of what is known.
    fn today(&self, svg: &mut String, curve: &SeasonCurve) {
        let Some(day) = curve.days.iter().rev().find(|day| day.this_year.is_some()) else { return };
        let (x, y) = (self.x(day.date), self.y(day.this_year.unwrap_or_default()));
        put(
            svg,
            format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\" fill=\"#ffffff\" stroke=\"{THIS_YEAR}\" stroke-width=\"3\"/>\n"
            ),
        );
    }

    /// Bars under the axis, numbered in order, with the dates in words below.
    fn hot_spells(&self, svg: &mut String, curve: &SeasonCurve) {
        let y = BOTTOM + 30.0;
        for spell in &curve.hot_spells {
            let (x, end) = (self.x(spell.first_day), self.x(spell.last_day));
            put(
                svg,
                format_args!(
                    "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"12\" fill=\"{INK}\"><title>{} to {}, {} days</title></rect>\n",
                    (end - x).max(2.0) + 1.0,
                    day_and_month(spell.first_day),
                    day_and_month(spell.last_day),
                    spell.days,
                ),
            );
        }
        let text = match curve.hot_spells.as_slice() {
            [] => "Hot spells so far: none".to_owned(),
            [one] => format!(
                "Hot spells so far (bars): one, {} to {}",
                day_and_month(one.first_day),
                day_and_month(one.last_day)
            ),
            [first, .., last] => format!(
                "Hot spells so far (bars): {}, first from {}, last to {}",
                curve.hot_spells.len(),
                day_and_month(first.first_day),
                day_and_month(last.last_day),
            ),
        };
        put(
            svg,
            format_args!(
                "<text x=\"{LEFT}\" y=\"{:.1}\" fill=\"{INK}\">{text}</text>\n",
                BOTTOM + 62.0
            ),
        );
    }

    /// The names of lines and areas at the right, each with a sample of its stroke or pattern.
    fn names(&self, svg: &mut String, curve: &SeasonCurve) {
        let last = |value: fn(&CurveDay) -> Option<f64>| curve.days.iter().rev().find_map(value);
        let mut names = Vec::new();
        let mut name = |value: Option<f64>, text: String, sample: String| {
            names.extend(value.map(|value| (self.y(value), text, sample)));
        };
        let stroke = |style: &str| format!("<line x1=\"0\" y1=\"0\" x2=\"26\" y2=\"0\" {style}/>");
        let patch = |pattern: &str, edge: &str| {
            format!(
                "<rect x=\"0\" y=\"-6\" width=\"26\" height=\"12\" fill=\"url(#{pattern})\" stroke=\"{edge}\" stroke-width=\"0.8\"/>"
            )
        };
        name(
            last(|day| day.this_year),
            format!("{} so far", curve.year),
            stroke(&format!("stroke=\"{THIS_YEAR}\" stroke-width=\"3.5\"")),
        );
        name(
            last(|day| day.normal),
            "median of past years".to_owned(),
            stroke(&format!("stroke=\"{INK}\" stroke-width=\"1.5\" stroke-dasharray=\"8 4\"")),
        );
        name(
            last(|day| day.past_p10),
            format!("8 in 10 of {} past years", curve.past_years),
            patch("past", SOFT_INK),
        );
        name(
            last(|day| day.ahead_p50),
            "middle of what may come".to_owned(),
            stroke(&format!(
                "stroke=\"{AHEAD}\" stroke-width=\"2.5\" stroke-dasharray=\"2 4\" stroke-linecap=\"round\""
            )),
        );
        name(
            last(|day| day.ahead_p90),
            "8 in 10 of what may come".to_owned(),
            patch("ahead", AHEAD),
        );
        names.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut free = TOP - NAME_STEP;
        // All names must end above the axis: those below are pushed up from there.
        let count = names.len() as f64;
        for (at, (wanted, text, sample)) in names.iter().enumerate() {
            let room = BOTTOM - NAME_STEP * (count - 1.0 - at as f64);
            let y = wanted.max(free + NAME_STEP).min(room);
            free = y;
            put(
                svg,
                format_args!(
                    "<g transform=\"translate({:.1} {y:.1})\">{sample}<text x=\"32\" y=\"5\" fill=\"{INK}\">{}</text></g>\n",
                    RIGHT + 8.0,
                    escaped(text),
                ),
            );
        }
    }
}

/// The next of 1, 2 and 5 times a power of ten.
fn tidy_step(rough: f64) -> f64 {
    if rough <= 0.0 {
        return 1.0;
    }
    let power = 10.0_f64.powf(rough.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|factor| factor * power);
    steps.into_iter().find(|step| *step >= rough * 0.999).unwrap_or(10.0 * power)
}

#[cfg(test)]
mod tests;
