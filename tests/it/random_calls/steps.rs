//! What somebody may do, at random.

use hotspell_notices::receiver::Fault;
use proptest::prelude::*;
use proptest::sample::Index;

/// One thing that somebody does.
#[derive(Debug, Clone)]
pub(super) enum Step {
    /// The office has what is due written and delivered.
    Notify,
    /// The mail server misbehaves at the next messages.
    MailFaults(Vec<Fault>),
    /// The office puts a visit elsewhere.
    Place { visit: Index, day: u8, technician: i64, hour: u8 },
    /// The office writes down a round of telephone calls at once: who agrees, who wants no visit and who
    /// another day.
    Round(Round),
    /// The office sends in a day's readings at once.
    Readings { parts: Vec<Index>, key: u8 },
    /// The office takes a visit off.
    Drop { visit: Index },
    /// The office writes down that a household agreed by telephone.
    Agree { visit: Index },
    /// Nothing cools at a home; the office takes the best way, if there is one.
    Call { home: Index },
    /// A technician is away for a day; the repair is adopted.
    Sick { technician: i64, day: u8 },
    /// The office plans again and adopts.
    Plan { seed: u8 },
    /// A technician sends in what was found at a visit.
    Result { visit: Index, part: Index, key: u8, replaced: bool, complete: bool },
    /// The office swaps a part by itself.
    Replace { part: Index, key: u8 },
    /// A household answers by the link of its newest mail.
    Answer { mail: Index, with: Reply },
    /// The power goes while a request is under way, and comes back.
    PowerCut { during: Under, after_milliseconds: u8 },
}

#[derive(Debug, Clone, Copy)]
pub(super) enum Reply {
    Yes,
    Another,
    Call,
}

/// What each of some households said, and the place that the last ones get.
#[derive(Debug, Clone)]
pub(super) struct Round {
    pub(super) said: Vec<(Index, Said)>,
    pub(super) day: u8,
    pub(super) technician: i64,
}

#[derive(Debug, Clone, Copy)]
pub(super) enum Said {
    Agreed,
    NoVisit,
    OtherDay,
}

/// What is under way when the power goes.
#[derive(Debug, Clone, Copy)]
pub(super) enum Under {
    Nothing,
    Delivery,
    Composition,
    Adoption,
    Round,
}

pub(super) fn steps() -> impl Strategy<Value = Vec<Step>> {
    let index = any::<Index>;
    let technician = 1..=2_i64;
    let faults = prop::sample::select(vec![
        Fault::Accept,
        Fault::BusyAtMail,
        Fault::RefuseRecipient,
        Fault::BusyAfterMessage,
        Fault::LoseAnswer,
        Fault::DropDuringMessage,
    ]);
    let reply = prop::sample::select(vec![Reply::Yes, Reply::Another, Reply::Call]);
    let under = prop::sample::select(vec![
        Under::Nothing,
        Under::Delivery,
        Under::Composition,
        Under::Adoption,
        Under::Round,
    ]);
    let said = prop::sample::select(vec![Said::Agreed, Said::NoVisit, Said::OtherDay]);
    let round = (prop::collection::vec((index(), said), 1..4), 0..40_u8, technician.clone())
        .prop_map(|(said, day, technician)| Step::Round(Round { said, day, technician }));
    let parts = prop::collection::vec(index(), 1..4);
    let step = prop_oneof![
        3 => Just(Step::Notify),
        1 => prop::collection::vec(faults, 1..4).prop_map(Step::MailFaults),
        3 => (index(), 0..40_u8, technician.clone(), 8..14_u8).prop_map(
            |(visit, day, technician, hour)| Step::Place { visit, day, technician, hour }),
        3 => round,
        1 => (parts, 0..4_u8).prop_map(|(parts, key)| Step::Readings { parts, key }),
        1 => index().prop_map(|visit| Step::Drop { visit }),
        1 => index().prop_map(|visit| Step::Agree { visit }),
        2 => index().prop_map(|home| Step::Call { home }),
        1 => (technician, 0..20_u8).prop_map(|(technician, day)| Step::Sick { technician, day }),
        1 => any::<u8>().prop_map(|seed| Step::Plan { seed }),
        4 => (index(), index(), 0..6_u8, any::<bool>(), any::<bool>()).prop_map(
            |(visit, part, key, replaced, complete)|
                Step::Result { visit, part, key, replaced, complete }),
        1 => (index(), 0..6_u8).prop_map(|(part, key)| Step::Replace { part, key }),
        4 => (index(), reply).prop_map(|(mail, with)| Step::Answer { mail, with }),
        2 => (under, 0..80_u8).prop_map(
            |(during, after_milliseconds)| Step::PowerCut { during, after_milliseconds }),
    ];
    prop::collection::vec(step, 15..25)
}
