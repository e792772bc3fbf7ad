//! Words, dates and numbers as the office and the technicians read them.

use chrono::{NaiveDate, NaiveTime};
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{ComponentClass, Condition, Exposure, UnitKind, VisitKind, VisitState};
use hotspell_store::words::Section;

use crate::app::calendar::clock_time;

/// A weekday and a date, such as `Wed, April 2`.
pub(super) fn day(date: NaiveDate) -> String {
    date.format("%a, %B %-d").to_string()
}

/// A weekday and a date with the year.
pub(super) fn full_day(date: NaiveDate) -> String {
    date.format("%A, %B %-d, %Y").to_string()
}

/// A date without its weekday, such as `April 2`.
pub(super) fn date(date: NaiveDate) -> String {
    date.format("%B %-d").to_string()
}

/// A date long past or far ahead, such as `Apr 2, 2019`.
pub(super) fn past(date: NaiveDate) -> String {
    date.format("%b %-d, %Y").to_string()
}

/// A time of day.
pub(super) fn time(time: NaiveTime) -> String {
    clock_time(time)
}

/// A stretch of one day.
pub(super) fn window(from: NaiveTime, to: NaiveTime) -> String {
    format!("{} to {}", time(from), time(to))
}

/// A chance, such as `3.4 %`; the smallest ones say no more than that.
pub(super) fn chance(probability: f64) -> String {
    let percent = 100.0 * probability;
    if percent < 0.1 {
        "under 0.1 %".to_owned()
    } else if percent > 99.9 {
        "over 99.9 %".to_owned()
    } else if percent < 9.95 {
        format!("{percent:.1} %")
    } else {
        format!("{percent:.0} %")
    }
}

/// The address that a phone dials (RFC 3966), from a number as people write it.
pub(super) fn dialable(phone: &str) -> String {
    let digits = phone
        .chars()
        .take_while(|letter| !letter.is_alphabetic())
        .filter(|letter| letter.is_ascii_digit() || *letter == '+');
    "tel:".chars().chain(digits).collect()
}

/// A rating as printed on the can.
pub(super) fn rating(text: &str) -> String {
    text.replace(" uF", " µF")
}

/// What a part is.
pub(super) const fn part(class: ComponentClass) -> &'static str {
    match class {
        ComponentClass::RunCapacitorSingle => "Run capacitor",
        ComponentClass::RunCapacitorDual => "Dual run capacitor",
        ComponentClass::Contactor => "Contactor",
        ComponentClass::FanMotor => "Fan motor",
        ComponentClass::BlowerMotor => "Blower motor",
        ComponentClass::Compressor => "Compressor",
    }
}

/// What a machine is.
pub(super) const fn machine(kind: UnitKind) -> &'static str {
    match kind {
        UnitKind::SplitAirConditioner => "split air conditioner",
        UnitKind::HeatPump => "heat pump",
        UnitKind::PackagedUnit => "packaged unit",
        UnitKind::AirHandler => "air handler",
        UnitKind::Furnace => "furnace",
    }
}

/// How a machine stands.
pub(super) const fn exposure(exposure: Exposure) -> &'static str {
    match exposure {
        Exposure::Sun => "in the sun",
        Exposure::PartSun => "in part sun",
        Exposure::Shade => "in the shade",
    }
}

/// What a visit is for.
pub(super) const fn visit(kind: VisitKind) -> &'static str {
    match kind {
        VisitKind::TuneUp => "Tune-up",
        VisitKind::CapacitorCheck => "Capacitor check",
        VisitKind::NoCoolCall => "No-cool call",
        VisitKind::ReturnVisit => "Return visit",
    }
}

/// Where a visit stands.
pub(super) const fn state(state: VisitState) -> &'static str {
    match state {
        VisitState::Owed => "owed, no day yet",
        VisitState::Placed => "placed, household not told yet",
        VisitState::Announced => "announced, no answer yet",
        VisitState::Agreed => "agreed",
        VisitState::Done => "done",
        VisitState::Missed => "missed",
        VisitState::Dropped => "dropped",
    }
}

/// A section of a capacitor; nothing to say of the only one.
pub(super) const fn section(class: ComponentClass, section: Section) -> &'static str {
    match (class, section) {
        (ComponentClass::RunCapacitorDual, Section::Main) => "compressor section (HERM)",
        (_, Section::Fan) => "fan section (FAN)",
        (_, Section::Main) => "",
    }
}

/// What was seen.
pub(super) const fn condition(condition: Condition) -> &'static str {
    match condition {
        Condition::Bulged => "bulged",
        Condition::Leaking => "leaking",
        Condition::Hot => "hotter than normal",
    }
}

/// What a reading says, as a sign and a word: neither stands alone, and colour only helps.
pub(super) const fn verdict(verdict: Verdict) -> Mark {
    match verdict {
        Verdict::WithinTolerance => Mark { class: "good", sign: "✓", word: "within tolerance" },
        Verdict::Due => Mark { class: "due", sign: "▲", word: "due" },
        Verdict::Out => Mark { class: "out", sign: "✕", word: "out" },
    }
}

/// A mark beside a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Mark {
    /// Name for the stylesheet.
    pub(super) class: &'static str,
    /// For people who look.
    pub(super) sign: &'static str,
    /// For everybody.
    pub(super) word: &'static str,
}

/// A limit as people read it.
pub(super) fn megabytes(bytes: usize) -> String {
    let tenths = bytes / 100_000;
    format!("{}.{} MB", tenths / 10, tenths % 10)
}

/// `1 visit`, `2 visits`.
pub(super) fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chances_say_no_more_digits_than_they_have() {
        assert_eq!(chance(0.034), "3.4 %");
        assert_eq!(chance(0.34), "34 %");
        assert_eq!(chance(0.0996), "10 %");
        assert_eq!(chance(0.0), "under 0.1 %");
        assert_eq!(chance(1.0), "over 99.9 %");
    }

    #[test]
    fn a_written_number_can_be_dialed() {
        assert_eq!(dialable("(602) 555-0140 ext. 3"), "tel:6025550140");
    }
}
