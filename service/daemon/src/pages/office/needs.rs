//! What needs a person now, each with what to do.

use std::collections::BTreeMap;

use chrono::Days;
use hotspell_domain::{SiteId, VisitId, VisitState};
use hotspell_store::visits::VisitStanding;
use hotspell_store::words::AnswerKind;

use super::season::Stored;
use crate::app::notices::SECOND_REMINDER_DAYS;
use crate::app::outlook::BranchSeason;
use crate::pages::words;

/// Rows shown of each list of what needs a person.
const SHOWN: usize = 8;

/// Something for a person, with what to do.
pub(super) struct Need {
    pub(super) heading: String,
    pub(super) action: &'static str,
    /// Where it is done, and what it is called there.
    pub(super) place: Option<(&'static str, &'static str)>,
    pub(super) rows: Vec<Row>,
    pub(super) more: usize,
}

/// One of those whom or which it is about.
pub(super) struct Row {
    /// The home's number and name, if it is about one.
    pub(super) home: Option<(i64, String)>,
    /// What there is to say.
    pub(super) said: String,
}

impl Row {
    fn of_home(stored: &Stored, visit: &VisitStanding, said: String) -> Self {
        Self { home: Some((visit.site_id.0, stored.household(visit.site_id))), said }
    }
}

impl From<String> for Row {
    fn from(said: String) -> Self {
        Self { home: None, said }
    }
}

impl Need {
    /// Of every row the first few, as `told` says them.
    fn of<T>(
        (one, many): (&str, &str),
        action: &'static str,
        place: Option<(&'static str, &'static str)>,
        all: &[T],
        told: impl Fn(&T) -> Row,
    ) -> Option<Self> {
        let rows: Vec<Row> = all.iter().take(SHOWN).map(told).collect();
        let more = all.len() - rows.len();
        let heading = words::count(all.len(), one, many);
        (!rows.is_empty()).then_some(Self { heading, action, place, rows, more })
    }
}

/// Everything that needs a person, in the order of its weight. `season` is the season, or why there is
/// none.
pub(super) fn needs(stored: &Stored, season: &Result<BranchSeason, String>) -> Vec<Need> {
    let of_homes = [
        asked_need(stored),
        missed_need(stored),
        silent(stored),
        unanswered_need(stored),
        left_out(stored),
    ];
    // An office that has yet to name its station knows that it has no season.
    let weather = stored.steps.is_empty().then(|| weather(season)).flatten();
    let rest = [short(stored), weather, unfinished(stored), assumptions(stored)];
    of_homes.into_iter().chain(rest).flatten().collect()
}

fn asked_need(stored: &Stored) -> Option<Need> {
    Need::of(
        ("household asked for something", "households asked for something"),
        "Call them or give the visit another time.",
        None,
        &asked(stored),
        |(visit, what)| {
            Row::of_home(stored, visit, format!("{what} ({})", stored.phone(visit.site_id)))
        },
    )
}

fn missed_need(stored: &Stored) -> Option<Need> {
    Need::of(
        ("visit was missed", "visits were missed"),
        "Each is still owed: compose a plan that gives it a day.",
        Some(("/office/plans", "Compose a plan")),
        &missed(stored),
        |visit| Row::of_home(stored, visit, visit.day.map(words::day).unwrap_or_default()),
    )
}

fn silent(stored: &Stored) -> Option<Need> {
    Need::of(
        (
            "household with a visit is not reached by mail",
            "households with a visit are not reached by mail",
        ),
        "Call them about their visit.",
        None,
        &unreachable(stored),
        |visit| {
            let day = visit.day.map(words::day).unwrap_or_default();
            Row::of_home(stored, visit, format!("visit on {day}, {}", stored.phone(visit.site_id)))
        },
    )
}

fn unanswered_need(stored: &Stored) -> Option<Need> {
    Need::of(
        ("household has not answered", "households have not answered"),
        "Their visit is near: call them, so that nobody stands before a locked gate.",
        None,
        &unanswered(stored),
        |visit| {
            let day = visit.day.map(words::day).unwrap_or_default();
            Row::of_home(stored, visit, format!("visit on {day}, {}", stored.phone(visit.site_id)))
        },
    )
}

fn left_out(stored: &Stored) -> Option<Need> {
    Need::of(
        ("visit has no place in the plan", "visits have no place in the plan"),
        "Free a technician's hours or speak with the household, then compose a plan.",
        Some(("/office/settings/technicians", "Hours of the technicians")),
        &unplaced(stored),
        |(visit, reason)| Row::of_home(stored, visit, (*reason).to_owned()),
    )
}

fn short(stored: &Stored) -> Option<Need> {
    Need::of(
        ("part is short on a truck", "kinds of parts are short on trucks"),
        "The day changed after the truck was loaded: tell the technician before the stop.",
        Some(("/office/day", "The day with its loads")),
        &stored.short,
        |part| {
            Row::from(format!(
                "{}: {} of {} × {} {}",
                part.technician_first_name,
                part.loaded,
                part.needed,
                words::part(part.class),
                words::rating(&part.rating)
            ))
        },
    )
}

/// A record that is too old or too short to tell the season by.
fn weather(season: &Result<BranchSeason, String>) -> Option<Need> {
    let said = match season {
        Ok(season) => season.stale.clone()?,
        Err(why) => format!("No season yet: {why}"),
    };
    Some(Need {
        heading: "The weather is not up to date".to_owned(),
        action: "Dates, heat ages and chances rest on it: see what the record lacks.",
        place: Some(("/office/weather", "Is the weather right?")),
        rows: vec![Row::from(said)],
        more: 0,
    })
}

/// Files that were looked at and neither mended nor imported.
fn unfinished(stored: &Stored) -> Option<Need> {
    Need::of(
        ("import is not finished", "imports are not finished"),
        "Mend what is wrong in the files, or confirm what they would do; nothing of them is stored yet.",
        Some((super::import::PATH, "Import")),
        &stored.unfinished,
        |import| {
            let names: Vec<&str> = import.files.iter().map(|file| file.name.as_str()).collect();
            let wrong = match (import.is_refused, import.rows_in_error) {
                (false, _) => "not confirmed yet".to_owned(),
                (true, 0) => "cannot be read".to_owned(),
                (true, rows) => words::count(rows, "row is wrong", "rows are wrong"),
            };
            Row::from(format!("{}, {}: {wrong}", names.join(", "), words::date(import.day)))
        },
    )
}

fn assumptions(stored: &Stored) -> Option<Need> {
    let all = stored.scoring.as_ref().map(|it| it.assumptions.as_slice()).unwrap_or_default();
    Need::of(
        ("assumption behind the scores", "assumptions behind the scores"),
        "Fill the gaps in the records; the scores grow sharper.",
        Some(("/office/sites", "Homes")),
        all,
        |said| Row::from(said.clone()),
    )
}

/// The homes that [`needs`] names.
pub(super) fn homes_named(stored: &Stored) -> Vec<SiteId> {
    let first = |visits: Vec<&VisitStanding>| {
        visits.into_iter().take(SHOWN).map(|visit| visit.site_id).collect::<Vec<_>>()
    };
    [
        first(asked(stored).into_iter().map(|(visit, _)| visit).collect()),
        first(missed(stored)),
        first(unreachable(stored)),
        first(unanswered(stored)),
        first(unplaced(stored).into_iter().map(|(visit, _)| visit).collect()),
    ]
    .concat()
}

/// Visits about which a household asked for something, and for what.
fn asked(stored: &Stored) -> Vec<(&VisitStanding, String)> {
    stored
        .asked
        .iter()
        .filter_map(|(id, (kind, wish))| {
            let visit = stored
                .visit(*id)
                .filter(|visit| visit.state.holds_a_place() || visit.state == VisitState::Owed)?;
            let what = match (kind, wish) {
                (AnswerKind::CallMe, _) => "please call".to_owned(),
                (_, Some(wish)) => format!("another time: «{wish}»"),
                (_, None) => "another time".to_owned(),
            };
            Some((visit, what))
        })
        .collect()
}

fn missed(stored: &Stored) -> Vec<&VisitStanding> {
    stored.visits.iter().filter(|visit| visit.state == VisitState::Missed).collect()
}

/// Visits of the next days of which the household was told by mail and has said nothing, earliest first.
fn unanswered(stored: &Stored) -> Vec<&VisitStanding> {
    let last = stored.today.checked_add_days(Days::new(SECOND_REMINDER_DAYS));
    let is_near = |visit: &VisitStanding| {
        visit.day > Some(stored.today) && last.is_none_or(|last| visit.day <= Some(last))
    };
    let mut near: Vec<&VisitStanding> = stored
        .visits
        .iter()
        .filter(|visit| visit.state == VisitState::Announced && is_near(visit))
        .filter(|visit| stored.reached.contains(&visit.site_id))
        .filter(|visit| !stored.asked.contains_key(&visit.id))
        .collect();
    near.sort_by_key(|visit| (visit.day, visit.id));
    near
}

/// Visits to come of which no mail can tell, earliest first.
fn unreachable(stored: &Stored) -> Vec<&VisitStanding> {
    let mut coming: Vec<&VisitStanding> = stored
        .visits
        .iter()
        .filter(|visit| visit.state.holds_a_place() && visit.state != VisitState::Agreed)
        .filter(|visit| !stored.reached.contains(&visit.site_id))
        .collect();
    coming.sort_by_key(|visit| (visit.day, visit.id));
    coming
}

/// Owed visits that the plan leaves out, and why.
fn unplaced(stored: &Stored) -> Vec<(&VisitStanding, &str)> {
    let visits: BTreeMap<VisitId, &VisitStanding> =
        stored.visits.iter().map(|visit| (visit.id, visit)).collect();
    let left = stored.unplaced.iter().filter_map(|left| {
        let visit = visits.get(&left.visit_id).filter(|visit| visit.state == VisitState::Owed)?;
        Some((*visit, left.reason.as_str()))
    });
    left.collect()
}
