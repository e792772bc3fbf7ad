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
/// Rows shown of the list that was asked for: a day's work, and within the weight of a page.
const SHOWN_OF_ONE: usize = 200;

/// What needs a person, in the order of its weight.
const KINDS: [Kind; 9] =
    [ASKED, MISSED, SILENT, UNANSWERED, LEFT_OUT, SHORT, WEATHER, UNFINISHED, ASSUMED];

const ASKED: Kind = Kind {
    key: "asked",
    one: "household asked for something",
    many: "households asked for something",
    action: "Call them or give the visit another time.",
    place: None,
};
const MISSED: Kind = Kind {
    key: "missed",
    one: "visit was missed",
    many: "visits were missed",
    action: "Each is still owed: compose a plan that gives it a day.",
    place: Some(("/office/plans", "Compose a plan")),
};
const SILENT: Kind = Kind {
    key: "no-mail",
    one: "household with a visit is not reached by mail",
    many: "households with a visit are not reached by mail",
    action: "Call them about their visit.",
    place: None,
};
const UNANSWERED: Kind = Kind {
    key: "no-answer",
    one: "household has not answered",
    many: "households have not answered",
    action: "Their visit is near: call them, so that nobody stands before a locked gate.",
    place: None,
};
const LEFT_OUT: Kind = Kind {
    key: "no-place",
    one: "visit has no place in the plan",
    many: "visits have no place in the plan",
    action: "Free a technician's hours or speak with the household, then compose a plan.",
    place: Some(("/office/settings/technicians", "Hours of the technicians")),
};
const SHORT: Kind = Kind {
    key: "parts",
    one: "part is short on a truck",
    many: "kinds of parts are short on trucks",
    action: "The day changed after the truck was loaded: tell the technician before the stop.",
    place: Some(("/office/day", "The day with its loads")),
};
const WEATHER: Kind = Kind {
    key: "weather",
    one: "gap in the weather",
    many: "gaps in the weather",
    action: "Dates, heat ages and chances rest on it: see what the record lacks.",
    place: Some(("/office/weather", "Is the weather right?")),
};
const UNFINISHED: Kind = Kind {
    key: "imports",
    one: "import is not finished",
    many: "imports are not finished",
    action: "Mend what is wrong in the files, or confirm what they would do; nothing of them is stored yet.",
    place: Some((super::import::PATH, "Import")),
};
const ASSUMED: Kind = Kind {
    key: "assumptions",
    one: "assumption behind the scores",
    many: "assumptions behind the scores",
    action: "Fill the gaps in the records; the scores grow sharper.",
    place: Some(("/office/sites", "Homes")),
};

/// A kind of thing that needs a person.
struct Kind {
    /// In an address.
    key: &'static str,
    one: &'static str,
    many: &'static str,
    /// What to do.
    action: &'static str,
    /// Where it is done, and what it is called there.
    place: Option<(&'static str, &'static str)>,
}

/// Of which list more than the first few are shown.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Opened(Option<&'static str>);

impl Opened {
    /// By the word of an address; nothing when there is no such list.
    pub(super) fn by_word(word: &str) -> Option<Self> {
        KINDS.iter().find(|kind| kind.key == word).map(|kind| Self(Some(kind.key)))
    }

    fn is(self, kind: &Kind) -> bool {
        self.0 == Some(kind.key)
    }

    fn rows(self, kind: &Kind) -> usize {
        if self.is(kind) { SHOWN_OF_ONE } else { SHOWN }
    }
}

/// Something for a person, with what to do.
pub(super) struct Need {
    pub(super) key: &'static str,
    pub(super) heading: String,
    pub(super) action: &'static str,
    pub(super) place: Option<(&'static str, &'static str)>,
    pub(super) rows: Vec<Row>,
    pub(super) more: usize,
    /// Whether this list was asked for.
    pub(super) opened: bool,
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
    fn of<T>(kind: &Kind, opened: Opened, all: &[T], told: impl Fn(&T) -> Row) -> Option<Self> {
        let rows: Vec<Row> = all.iter().take(opened.rows(kind)).map(told).collect();
        let more = all.len() - rows.len();
        let heading = words::count(all.len(), kind.one, kind.many);
        (!rows.is_empty()).then_some(Self {
            key: kind.key,
            heading,
            action: kind.action,
            place: kind.place,
            rows,
            more,
            opened: opened.is(kind),
        })
    }
}

/// Everything that needs a person, in the order of its weight. `season` is the season, or why there is
/// none.
pub(super) fn needs(
    stored: &Stored,
    season: &Result<BranchSeason, String>,
    opened: Opened,
) -> Vec<Need> {
    // An office that has yet to name its station knows that it has no season.
    let weather = if stored.steps.is_empty() { weather(season) } else { None };
    of_homes(stored, opened)
        .into_iter()
        .chain([short(stored, opened), weather, unfinished(stored, opened)])
        .chain([assumptions(stored, opened)])
        .flatten()
        .collect()
}

/// What homes wait for.
fn of_homes(stored: &Stored, opened: Opened) -> [Option<Need>; 5] {
    let on_their_day = |visit: &&VisitStanding| {
        let day = visit.day.map(words::day).unwrap_or_default();
        Row::of_home(stored, visit, format!("visit on {day}, {}", stored.phone(visit.site_id)))
    };
    [
        Need::of(&ASKED, opened, &asked(stored), |(visit, what)| {
            Row::of_home(stored, visit, format!("{what} ({})", stored.phone(visit.site_id)))
        }),
        Need::of(&MISSED, opened, &missed(stored), |visit| {
            Row::of_home(stored, visit, visit.day.map(words::day).unwrap_or_default())
        }),
        Need::of(&SILENT, opened, &unreachable(stored), on_their_day),
        Need::of(&UNANSWERED, opened, &unanswered(stored), on_their_day),
        Need::of(&LEFT_OUT, opened, &unplaced(stored), |(visit, reason)| {
            Row::of_home(stored, visit, (*reason).to_owned())
        }),
    ]
}

fn short(stored: &Stored, opened: Opened) -> Option<Need> {
    Need::of(&SHORT, opened, &stored.short, |part| {
        Row::from(format!(
            "{}: {} of {} × {} {}",
            part.technician_first_name,
            part.loaded,
            part.needed,
            words::part(part.class),
            words::rating(&part.rating)
        ))
    })
}

/// A record that is too old or too short to tell the season by.
fn weather(season: &Result<BranchSeason, String>) -> Option<Need> {
    let said = match season {
        Ok(season) => season.stale.clone()?,
        Err(why) => format!("No season yet: {why}"),
    };
    let need = Need::of(&WEATHER, Opened::default(), &[said], |said| Row::from(said.clone()))?;
    Some(Need { heading: "The weather is not up to date".to_owned(), ..need })
}

/// Files that were looked at and neither mended nor imported.
fn unfinished(stored: &Stored, opened: Opened) -> Option<Need> {
    Need::of(&UNFINISHED, opened, &stored.unfinished, |import| {
        let names: Vec<&str> = import.files.iter().map(|file| file.name.as_str()).collect();
        let wrong = match (import.is_refused, import.rows_in_error) {
            (false, _) => "not confirmed yet".to_owned(),
            (true, 0) => "cannot be read".to_owned(),
            (true, rows) => words::count(rows, "row is wrong", "rows are wrong"),
        };
        Row::from(format!("{}, {}: {wrong}", names.join(", "), words::date(import.day)))
    })
}

fn assumptions(stored: &Stored, opened: Opened) -> Option<Need> {
    let all = stored.scoring.as_ref().map(|it| it.assumptions.as_slice()).unwrap_or_default();
    Need::of(&ASSUMED, opened, all, |said| Row::from(said.clone()))
}

/// The homes that [`needs`] names.
pub(super) fn homes_named(stored: &Stored, opened: Opened) -> Vec<SiteId> {
    let first = |kind: &Kind, visits: Vec<&VisitStanding>| {
        let rows = visits.into_iter().take(opened.rows(kind));
        rows.map(|visit| visit.site_id).collect::<Vec<_>>()
    };
    [
        first(&ASKED, asked(stored).into_iter().map(|(visit, _)| visit).collect()),
        first(&MISSED, missed(stored)),
        first(&SILENT, unreachable(stored)),
        first(&UNANSWERED, unanswered(stored)),
        first(&LEFT_OUT, unplaced(stored).into_iter().map(|(visit, _)| visit).collect()),
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
