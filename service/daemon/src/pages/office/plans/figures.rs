//! What a plan says of itself, in the same rows on every page.

use hotspell_store::plans::PlanRecord;

use crate::app::season_plan::PlanFigures;
use crate::app::staffing::Staffing;
use crate::pages::words;

/// The figures of a plan; none of a plan whose figures are of another time.
pub(super) fn of(plan: &PlanRecord) -> Option<PlanFigures> {
    serde_json::from_value(plan.figures.clone()).ok()
}

/// Hours and minutes.
pub(super) fn hours(minutes: i64) -> String {
    format!("{} h {:02} min", minutes / 60, minutes % 60)
}

/// Names of the rows of [`rows`].
pub(super) const NAMES: [&str; 8] = [
    "Visits with a day",
    "Left out",
    "Driving",
    "No-cool calls to expect before the visits",
    "The same days in the order of the agreements",
    "Placed before the first hot spell's early date",
    "Work at homes on the fullest day, by technician",
    "Technician-days short",
];

/// A plan's values under [`NAMES`].
pub(super) fn rows(figures: &PlanFigures) -> [String; 8] {
    let before_early = figures.first_hot_spell_early.map_or_else(
        || "date not known".to_owned(),
        |date| format!("{} before {}", figures.placed_before_early, words::date(date)),
    );
    [
        figures.placed.to_string(),
        figures.unplaced.to_string(),
        hours(figures.travel_minutes),
        format!("{:.1}", figures.expected_failures),
        format!("{:.1}", figures.expected_failures_agreement_order),
        before_early,
        fullest(figures),
        figures.staffing.as_ref().map_or_else(
            || "not reckoned for a change".to_owned(),
            |staffing| staffing.technician_days_short.to_string(),
        ),
    ]
}

/// Between whom and whom the fullest day's work lies.
pub(super) fn fullest(figures: &PlanFigures) -> String {
    let work = figures.loads.iter().map(|load| load.fullest_day_work_minutes);
    match (work.clone().min(), work.max()) {
        (Some(least), Some(most)) if least == most => hours(most),
        (Some(least), Some(most)) => format!("{} to {}", hours(least), hours(most)),
        _ => "not known".to_owned(),
    }
}

/// Whether there are people enough, in sentences.
pub(super) fn staffing(staffing: &Staffing) -> Vec<String> {
    let mut said = Vec::new();
    if staffing.technician_days_short == 0 && staffing.left == 0 {
        said.push("Nobody is short: every visit that can be placed has a place.".to_owned());
    }
    if staffing.technician_days_short > 0 {
        let days: Vec<String> = staffing
            .short_days
            .iter()
            .map(|short| format!("{} on {}", short.technician_days, words::day(short.day)))
            .collect();
        said.push(format!(
            "{} short: {}. They would take {}.",
            words::count(staffing.technician_days_short, "technician-day", "technician-days"),
            days.join(", "),
            words::count(staffing.placed_by_them, "visit", "visits")
        ));
    }
    if staffing.left > 0 {
        said.push(format!(
            "{} could be placed by nobody, however many work.",
            words::count(staffing.left, "visit", "visits")
        ));
    }
    if let Some(more) = staffing.one_more {
        let driving = match more.travel_saved_minutes {
            0 => "no driving".to_owned(),
            saved if saved > 0 => format!("{saved} min of driving less"),
            costs => format!("{} min of driving more", -costs),
        };
        let calls = if more.saved_calls < 0.0 { "more" } else { "fewer" };
        said.push(format!(
            "One technician-day more, on {}: {} placed in addition, {driving}, {:.2} no-cool calls \
             {calls} to expect.",
            words::day(more.day),
            words::count(usize::try_from(more.placed).unwrap_or(0), "visit", "visits"),
            more.saved_calls.abs()
        ));
    }
    said
}
