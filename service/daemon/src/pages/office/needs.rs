//! What needs a person now, each with what to do.

use std::collections::BTreeSet;

use hotspell_domain::{SiteId, VisitState};
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
    fn of(heading: String, action: &'static str, mut rows: Vec<String>) -> Option<Self> {
        let more = rows.len().saturating_sub(SHOWN);
        rows.truncate(SHOWN);
        (!rows.is_empty()).then_some(Self { heading, action, rows, more })
    }
}

/// Everything that needs a person, in the order of its weight.
pub(super) fn needs(stored: &Stored) -> Vec<Need> {
    let mut needs = Vec::new();
    let mut need = |count: usize, one: &str, many: &str, action, rows| {
        needs.extend(Need::of(words::count(count, one, many), action, rows));
    };
    let rows = asked_rows(stored);
    need(
        rows.len(),
        "household asked for something",
        "households asked for something",
        "Call them or give the visit another time.",
        rows,
    );
    let rows = missed_rows(stored);
    need(
        rows.len(),
        "visit was missed",
        "visits were missed",
        "Place it again: it is still owed.",
        rows,
    );
    let rows = unreachable_rows(stored);
    need(
        rows.len(),
        "household with a visit is not reached by mail",
        "households with a visit are not reached by mail",
        "Call them about their visit.",
        rows,
    );
    let rows = unplaced_rows(stored);
    need(
        rows.len(),
        "visit has no place in the plan",
        "visits have no place in the plan",
        "Free a technician's hours or speak with the household.",
        rows,
    );
    let rows = stored.scoring.as_ref().map(|it| it.assumptions.clone()).unwrap_or_default();
    need(
        rows.len(),
        "assumption behind the scores",
        "assumptions behind the scores",
        "Fill the gaps in the records; the scores grow sharper.",
        rows,
    );
    needs
}

fn asked_rows(stored: &Stored) -> Vec<String> {
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
            let household = stored.household(visit.site_id);
            Some(format!("{household}: {what} ({})", stored.phone(visit.site_id)))
        })
        .collect()
}

fn missed_rows(stored: &Stored) -> Vec<String> {
    stored
        .visits
        .iter()
        .filter(|visit| visit.state == VisitState::Missed)
        .map(|visit| {
            let day = visit.day.map(|day| format!(", {}", words::day(day))).unwrap_or_default();
            format!("{}{day}", stored.household(visit.site_id))
        })
        .collect()
}

fn unreachable_rows(stored: &Stored) -> Vec<String> {
    let reached: BTreeSet<SiteId> = stored
        .contacts
        .iter()
        .filter(|contact| contact.may_be_mailed())
        .map(|contact| contact.site_id)
        .collect();
    let mut coming: Vec<&VisitRecord> = stored
        .visits
        .iter()
        .filter(|visit| visit.state.holds_a_place() && visit.state != VisitState::Agreed)
        .filter(|visit| !reached.contains(&visit.site_id))
        .collect();
    coming.sort_by_key(|visit| (visit.day, visit.id));
    coming
        .into_iter()
        .map(|visit| {
            let day = visit.day.map(words::day).unwrap_or_default();
            let household = stored.household(visit.site_id);
            format!("{household}: visit on {day}, {}", stored.phone(visit.site_id))
        })
        .collect()
}

fn unplaced_rows(stored: &Stored) -> Vec<String> {
    stored
        .unplaced
        .iter()
        .filter_map(|left| {
            let visit = stored.visit(left.visit_id)?;
            (visit.state == VisitState::Owed)
                .then(|| format!("{}: {}", stored.household(visit.site_id), left.reason))
        })
        .collect()
}
