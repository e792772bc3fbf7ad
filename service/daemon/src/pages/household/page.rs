//! What the household's pages show.

use askama::Template;
use hotspell_domain::{Language, VisitKind, VisitState};

use super::words::Words;
use crate::app::answers::AnswerView;
use crate::app::letters;
use crate::app::slots::KeptSlot;
use crate::pages::shell::Shell;
use crate::pages::words::dialable;

/// What a household answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Said {
    Yes,
    Other,
    Slot,
    Call,
}

impl Said {
    pub(super) fn of(word: &str) -> Option<Self> {
        [Self::Yes, Self::Other, Self::Slot, Self::Call]
            .into_iter()
            .find(|said| said.as_str() == word)
    }

    pub(super) const fn as_str(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::Other => "other",
            Self::Slot => "slot",
            Self::Call => "call",
        }
    }
}

/// The page of a visit.
#[derive(Template)]
#[template(path = "answer.html")]
pub(super) struct AnswerPage {
    shell: Shell,
    words: &'static Words,
    /// What was just understood.
    said: Option<&'static str>,
    /// Why the form is shown again.
    wrong: Option<&'static str>,
    what: &'static str,
    day: Option<String>,
    window: Option<String>,
    who: Option<String>,
    why: &'static str,
    address: String,
    /// Where the visit stands when there is nothing to answer.
    closed: Option<&'static str>,
    agreed: bool,
    /// Whether it has a time to say yes to.
    has_time: bool,
    /// The day that the answer is about, as the form sends it back.
    asked: String,
    phone: Option<(String, String)>,
}

impl AnswerPage {
    pub(super) fn of(view: &AnswerView, said: Option<Said>, wrong: Option<&'static str>) -> Self {
        let words = Words::of(view.site.language);
        let what = words.visit(view.visit.kind);
        let closed = match view.visit.state {
            state if state.holds_a_place() => None,
            VisitState::Owed => None,
            VisitState::Done => Some(words.closed_done),
            VisitState::Missed => Some(words.closed_missed),
            _ => Some(words.closed_other),
        };
        Self {
            shell: Shell::open(view.site.language, what, &view.branch.name),
            words,
            said: said.map(|said| words.said(said)),
            wrong,
            what,
            day: view.visit.day.map(|day| words.day(day)),
            window: view.visit.starts.zip(view.visit.ends).map(|(from, to)| words.window(from, to)),
            who: view.technician_first_name.clone(),
            why: match view.visit.kind {
                VisitKind::TuneUp | VisitKind::CapacitorCheck => words.why_before_the_heat,
                VisitKind::NoCoolCall => words.why_called,
                VisitKind::ReturnVisit => words.why_follow_up,
            },
            address: letters::address_of(&view.site),
            closed,
            agreed: view.visit.state == VisitState::Agreed,
            has_time: view.visit.state.holds_a_place(),
            asked: view.visit.day.map(|day| day.to_string()).unwrap_or_default(),
            phone: view.branch.phone.clone().map(|phone| (dialable(&phone), phone)),
        }
    }
}

/// The page of the slots that are kept for the household.
#[derive(Template)]
#[template(path = "offers.html")]
pub(super) struct OffersPage {
    shell: Shell,
    words: &'static Words,
    /// Why the form is shown.
    wrong: Option<&'static str>,
    what: &'static str,
    /// The slot that it has now.
    now: Option<String>,
    kept_for: String,
    slots: Vec<SlotChoice>,
    phone: Option<(String, String)>,
}

/// One of them.
struct SlotChoice {
    hold: i64,
    label: String,
}

impl OffersPage {
    pub(super) fn of(
        view: &AnswerView,
        slots: &[KeptSlot],
        minutes: u32,
        wrong: Option<&'static str>,
    ) -> Self {
        let words = Words::of(view.site.language);
        let what = words.visit(view.visit.kind);
        let now = view.visit.day.zip(view.visit.starts.zip(view.visit.ends));
        let label = |slot: &KeptSlot| {
            let time = words.window(slot.from, slot.to);
            let who = slot.technician_first_name.as_deref();
            let who = who.map(|name| format!(" ({name})")).unwrap_or_default();
            let best = if slot.best { words.best_slot } else { "" };
            format!("{}, {time}{who}{best}", words.day(slot.day))
        };
        Self {
            shell: Shell::open(view.site.language, what, &view.branch.name),
            words,
            wrong,
            what,
            now: now
                .map(|(day, (from, to))| format!("{}, {}", words.day(day), words.window(from, to))),
            kept_for: words.kept_for(minutes),
            slots: slots
                .iter()
                .map(|slot| SlotChoice { hold: slot.hold, label: label(slot) })
                .collect(),
            phone: view.branch.phone.clone().map(|phone| (dialable(&phone), phone)),
        }
    }
}

/// The page that stops the mail, and says that it is stopped.
#[derive(Template)]
#[template(path = "stop.html")]
pub(super) struct StopPage {
    pub(super) shell: Shell,
    pub(super) words: &'static Words,
    pub(super) stopped: bool,
    pub(super) phone: Option<String>,
}

/// The page for a link that does not count.
#[derive(Template)]
#[template(path = "bad-link.html")]
pub(super) struct BadLinkPage {
    pub(super) shell: Shell,
    pub(super) languages: Vec<(Language, &'static Words)>,
}
