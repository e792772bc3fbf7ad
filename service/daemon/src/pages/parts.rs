//! Machines and parts as people read them.

use hotspell_domain::capacitor::Verdict;
use hotspell_domain::quantity::microfarads_per_ampere_per_volt;
use hotspell_domain::{ComponentClass, ReadingLimits};
use hotspell_store::components::ComponentRecord;
use hotspell_store::readings::ReadingRecord;
use hotspell_store::units::UnitRecord;
use hotspell_store::words::Section;

use crate::app::day::{DayPart, DayUnit};
use crate::app::judging::measured;
use crate::app::results::rated;
use crate::pages::words::{self, Mark};

/// Reasons shown for a part; the list in the office shows all.
const REASONS_SHOWN: usize = 3;
/// From this chance of failing by the season's end a part is worth a word even if it is not due.
const WORTH_A_WORD: f64 = 0.1;

/// A machine.
#[derive(Debug)]
pub(super) struct UnitView {
    /// As the household calls it.
    pub(super) label: String,
    /// What it is and how it stands.
    pub(super) about: String,
    /// Its parts, most at risk first.
    pub(super) parts: Vec<PartView>,
}

/// A part.
#[derive(Debug)]
pub(super) struct PartView {
    /// What it is and where.
    pub(super) name: String,
    /// As printed; nothing when it is not known.
    pub(super) rating: Option<String>,
    /// What the last readings say.
    pub(super) mark: Option<Mark>,
    /// The last readings in words.
    pub(super) last: String,
    /// Chance of failing by the season's end.
    pub(super) chance: Option<String>,
    /// Why, heaviest first.
    pub(super) reasons: Vec<String>,
    /// Whether it is to be replaced, or at so much risk that the technician should know.
    pub(super) notable: bool,
}

/// A machine of a stop.
pub(super) fn unit(unit: &DayUnit, hertz: f64) -> UnitView {
    UnitView {
        label: label(&unit.unit),
        about: about(&unit.unit),
        parts: unit.parts.iter().map(|it| part_view(it, hertz)).collect(),
    }
}

/// As the household calls the machine, or its key.
pub(super) fn label(unit: &UnitRecord) -> String {
    unit.label.clone().unwrap_or_else(|| unit.key.clone())
}

/// What the machine is, how it stands and since when.
pub(super) fn about(unit: &UnitRecord) -> String {
    let since = match (unit.installed_earliest, unit.installed_latest) {
        (_, Some(day)) => format!("since {}", day.format("%Y")),
        (Some(day), None) => format!("since {} or later", day.format("%Y")),
        (None, None) => "install day not on record".to_owned(),
    };
    format!("{}, {}, {since}", words::machine(unit.kind), words::exposure(unit.exposure))
}

/// What the part is and where it sits, if its place has another name.
pub(super) fn name(part: &ComponentRecord) -> String {
    named(part.class, &part.position)
}

/// As [`name`], of a part that is not at hand.
pub(super) fn named(class: ComponentClass, position: &str) -> String {
    let (what, place) = (words::part(class), position.replace(['-', '_'], " "));
    if place.eq_ignore_ascii_case(what) { what.to_owned() } else { format!("{what}, {place}") }
}

/// A part of a stop.
pub(super) fn part_view(part: &DayPart, hertz: f64) -> PartView {
    let high = part.p_season.is_some_and(|chance| chance >= WORTH_A_WORD);
    PartView {
        name: name(&part.component),
        rating: part.component.rating.as_deref().map(words::rating),
        mark: part.verdict.map(words::verdict),
        last: last(part, hertz),
        chance: part.p_season.map(words::chance),
        reasons: part
            .reasons
            .iter()
            .take(REASONS_SHOWN)
            .map(|reason| reason.sentence.clone())
            .collect(),
        notable: part.is_due() || high,
    }
}

/// The newest day of readings, in words.
fn last(part: &DayPart, hertz: f64) -> String {
    let Some(newest) = part.readings.first() else {
        return "never measured".to_owned();
    };
    let mut texts: Vec<String> = part
        .readings
        .iter()
        .filter(|reading| reading.taken_on == newest.taken_on)
        .flat_map(|reading| reading_texts(&part.component, reading, hertz))
        .collect();
    texts.dedup();
    let said = if texts.is_empty() { "looked at".to_owned() } else { texts.join("; ") };
    format!("{said} on {}", words::past(newest.taken_on))
}

/// What a reading says, in words: microfarads of the rated ones, what was seen, the note.
pub(super) fn reading_texts(
    part: &ComponentRecord,
    reading: &ReadingRecord,
    hertz: f64,
) -> Vec<String> {
    let mut texts = Vec::new();
    if let Some(value) = measured(reading, hertz) {
        let of = rated(part, reading.section)
            .map(|rated| format!(" of {} µF", rated.get()))
            .unwrap_or_default();
        let section = match words::section(part.class, reading.section) {
            "" => String::new(),
            section => format!("{section} "),
        };
        let how = if reading.microfarads.is_none() { " under load" } else { "" };
        texts.push(format!("{section}{:.1} µF{of}{how}", value.get()));
    }
    texts.extend(reading.conditions.iter().map(|it| words::condition(*it).to_owned()));
    texts.extend(reading.note.clone());
    texts
}

/// The sections that can be measured: one or two of a capacitor, none of other parts.
pub(super) const fn sections(class: ComponentClass) -> &'static [Section] {
    match class {
        ComponentClass::RunCapacitorSingle => &[Section::Main],
        ComponentClass::RunCapacitorDual => &[Section::Main, Section::Fan],
        _ => &[],
    }
}

/// From which reading on a section is due and out.
pub(super) fn limits(part: &ComponentRecord, section: Section) -> Option<String> {
    let rated = rated(part, section)?;
    let limits = ReadingLimits::default();
    Some(format!(
        "rated {} µF; due below {:.1}, out below {:.1}",
        rated.get(),
        limits.due_below_microfarads(rated),
        limits.out_below_microfarads(rated)
    ))
}

/// Numbers that a reading of a section is judged by.
#[derive(Debug, Clone, Copy)]
pub(super) struct ReadingBounds {
    /// Due below so many microfarads.
    pub(super) due_below: f64,
    /// Out below so many microfarads.
    pub(super) out_below: f64,
    /// Turns amperes over volts under load into microfarads.
    pub(super) microfarads_per_ampere_per_volt: f64,
}

/// The numbers behind [`limits`].
pub(super) fn bounds(
    part: &ComponentRecord,
    section: Section,
    mains_hertz: f64,
) -> Option<ReadingBounds> {
    let (rated, limits) = (rated(part, section)?, ReadingLimits::default());
    Some(ReadingBounds {
        due_below: limits.due_below_microfarads(rated),
        out_below: limits.out_below_microfarads(rated),
        microfarads_per_ampere_per_volt: microfarads_per_ampere_per_volt(mains_hertz),
    })
}

/// What follows from a verdict.
pub(super) const fn follows(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::WithinTolerance => "It may stay. The reading is kept and moves its risk.",
        Verdict::Due => {
            "Replace it today if the part is on the truck; otherwise tell the office in a note."
        }
        Verdict::Out => "It counts as failed: replace it today, with the same microfarads.",
    }
}
