//! What needs a person now, each with what to do.

use std::collections::BTreeMap;

use hotspell_domain::{SiteId, VisitId, VisitState};
use hotspell_store::visits::VisitRecord;
use hotspell_store::words::AnswerKind;

use super::season::Stored;
use crate::pages::words;

/// Rows shown of each list of what needs a person.
const SHOWN: usize = 8;
/// Something for a person, with what to do.
pub(super) struct Need {
    pub(super) heading: String,
    pub(super) action: &'static str,
    pub(super) rows: Vec<String>,
    pub(super) more: usize,
}

impl Need {
    /// Of every row the first few, as `told` says them.
    fn of<T>(
        (one, many): (&str, &str),
        action: &'static str,
        all: &[T],
        told: impl Fn(&T) -> String,
    ) -> Option<Self> {
        let rows: Vec<String> = all.iter().take(SHOWN).map(told).collect();
        let more = all.len() - rows.len();
        let heading = words::count(all.len(), one, many);
        (!rows.is_empty()).then_some(Self { heading, action, rows, more })
    }
}

/// Everything that needs a person, in the order of its weight.
pub(super) fn needs(stored: &Stored) -> Vec<Need> {
    let assumptions = stored.scoring.as_ref().map(|it| it.assumptions.clone()).unwrap_or_default();
    let needs = [
        Need::of(
            ("household asked for something", "households asked for something"),
            "Call them or give the visit another time.",
            &asked(stored),
            |(visit, what)| {
                let home = stored.household(visit.site_id);
                format!("{home}: {what} ({})", stored.phone(visit.site_id))
            },
        ),
        Need::of(
            ("visit was missed", "visits were missed"),
            "Place it again: it is still owed.",
            &missed(stored),
            |visit| {
                let day = visit.day.map(|day| format!(", {}", words::day(day))).unwrap_or_default();
                format!("{}{day}", stored.household(visit.site_id))
            },
        ),
        Need::of(
            (
                "household with a visit is not reached by mail",
                "households with a visit are not reached by mail",
            ),
            "Call them about their visit.",
            &unreachable(stored),
            |visit| {
                let day = visit.day.map(words::day).unwrap_or_default();
                let home = stored.household(visit.site_id);
                format!("{home}: visit on {day}, {}", stored.phone(visit.site_id))
            },
        ),
        Need::of(
            ("visit has no place in the plan", "visits have no place in the plan"),
            "Free a technician's hours or speak with the household.",
            &unplaced(stored),
            |(visit, reason)| format!("{}: {reason}", stored.household(visit.site_id)),
        ),
        Need::of(
            ("assumption behind the scores", "assumptions behind the scores"),
            "Fill the gaps in the records; the scores grow sharper.",
            &assumptions,
            Clone::clone,
        ),
    ];
    needs.into_iter().flatten().collect()
}

/// The homes that [`needs`] names.
pub(super) fn homes_named(stored: &Stored) -> Vec<SiteId> {
    let first = |visits: Vec<&VisitRecord>| {
        visits.into_iter().take(SHOWN).map(|visit| visit.site_id).collect::<Vec<_>>()
    };
    [
        first(asked(stored).into_iter().map(|(visit, _)| visit).collect()),
        first(missed(stored)),
        first(unreachable(stored)),
        first(unplaced(stored).into_iter().map(|(visit, _)| visit).collect()),
    ]
    .concat()
}

/// Visits about which a household asked for something, and for what.
fn asked(stored: &Stored) -> Vec<(&VisitRecord, String)> {
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

fn missed(stored: &Stored) -> Vec<&VisitRecord> {
    stored.visits.iter().filter(|visit| visit.state == VisitState::Missed).collect()
}

/// Visits to come of which no mail can tell, earliest first.
fn unreachable(stored: &Stored) -> Vec<&VisitRecord> {
    let mut coming: Vec<&VisitRecord> = stored
        .visits
        .iter()
        .filter(|visit| visit.state.holds_a_place() && visit.state != VisitState::Agreed)
        .filter(|visit| !stored.reached.contains(&visit.site_id))
        .collect();
    coming.sort_by_key(|visit| (visit.day, visit.id));
    coming
}

/// Owed visits that the plan leaves out, and why.
fn unplaced(stored: &Stored) -> Vec<(&VisitRecord, &str)> {
    let visits: BTreeMap<VisitId, &VisitRecord> =
        stored.visits.iter().map(|visit| (visit.id, visit)).collect();
    let left = stored.unplaced.iter().filter_map(|left| {
        let visit = visits.get(&left.visit_id).filter(|visit| visit.state == VisitState::Owed)?;
        Some((*visit, left.reason.as_str()))
    });
    left.collect()
}
