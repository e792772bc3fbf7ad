//! From the fields of the check form to a result, and back to the field that was wrong.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::{ComponentEnd, ComponentId, Condition, TechnicianId};
use hotspell_store::components::ComponentRecord;
use hotspell_store::words::Section;

use crate::app::results::{ResultReading, ResultReplacement, VisitResult};
use crate::pages::forms::Fields;
use crate::pages::parts as view;

/// Name of a field of a part.
pub(super) fn field(part: ComponentId, what: &str) -> String {
    format!("part{part}.{what}")
}

/// Name of a measured field of a section.
pub(super) fn section_field(part: ComponentId, section: Section, what: &str) -> String {
    field(part, &format!("{section}.{what}"))
}

/// What was entered: a result, and where each of its entries came from.
pub(super) struct Entered {
    /// The result.
    pub(super) result: VisitResult,
    /// Part of each reading, in order.
    readings: Vec<ComponentId>,
    /// Part of each replacement, in order.
    replacements: Vec<ComponentId>,
}

/// Sentences about wrong entries, by part; those that belong to none come under none.
pub(super) type Wrong = BTreeMap<Option<ComponentId>, Vec<String>>;

/// Reads the form.
///
/// # Errors
/// What is wrong, by part.
pub(super) fn read(
    fields: &Fields,
    parts: &[&ComponentRecord],
    technician: Option<TechnicianId>,
) -> Result<Entered, Wrong> {
    let mut wrong = Wrong::new();
    let day: Option<NaiveDate> = fields.text("day").and_then(|text| text.parse().ok());
    if day.is_none() {
        wrong.entry(None).or_default().push("Enter the day of the work.".to_owned());
    }
    let mut entered = Entered {
        result: VisitResult {
            client_key: fields.text("client_key").unwrap_or_default().to_owned(),
            day: day.unwrap_or_default(),
            technician,
            readings: Vec::new(),
            replacements: Vec::new(),
            complete: fields.has("finish", "yes"),
            parts_used: Vec::new(),
            follow_up: None,
            note: fields.text("note").map(str::to_owned),
        },
        readings: Vec::new(),
        replacements: Vec::new(),
    };
    for part in parts {
        if let Err(sentence) = entered.read_part(fields, part) {
            wrong.entry(Some(part.id)).or_default().push(sentence);
        }
    }
    let empty = entered.readings.is_empty() && entered.replacements.is_empty();
    if empty && wrong.is_empty() && !entered.result.complete && entered.result.note.is_none() {
        let sentence = "Nothing was entered. Enter a reading, what you saw, or a note.";
        wrong.entry(None).or_default().push(sentence.to_owned());
    }
    if wrong.is_empty() { Ok(entered) } else { Err(wrong) }
}

impl Entered {
    fn read_part(&mut self, fields: &Fields, part: &ComponentRecord) -> Result<(), String> {
        let mut conditions: Vec<Condition> = Condition::ALL
            .iter()
            .copied()
            .filter(|condition| fields.has(&field(part.id, "seen"), condition.as_str()))
            .collect();
        let mut note = fields.text(&field(part.id, "note")).map(str::to_owned);
        for section in view::sections(part.class) {
            let number = |what| fields.number(&section_field(part.id, *section, what));
            let (microfarads, volts, amperes) = (number("uf")?, number("v")?, number("a")?);
            if microfarads.is_none() && volts.is_none() && amperes.is_none() {
                continue;
            }
            // What was seen belongs to the part: it goes with its first reading.
            self.push_reading(ResultReading {
                component: part.id,
                section: *section,
                microfarads,
                volts,
                amperes,
                conditions: std::mem::take(&mut conditions),
                note: note.take(),
                taken_at: None,
            });
        }
        if !conditions.is_empty() || note.is_some() {
            self.push_reading(ResultReading {
                component: part.id,
                section: Section::Main,
                microfarads: None,
                volts: None,
                amperes: None,
                conditions,
                note,
                taken_at: None,
            });
        }
        let Some(kind) = fields.text(&field(part.id, "replaced")).filter(|kind| *kind != "no")
        else {
            return Ok(());
        };
        let end_kind: ComponentEnd =
            kind.parse().map_err(|error: hotspell_domain::UnknownWord| error.to_string())?;
        self.result.replacements.push(ResultReplacement {
            component: part.id,
            end_kind,
            new_rating: fields.text(&field(part.id, "rating")).map(typed_rating),
            new_batch: fields.text(&field(part.id, "batch")).map(str::to_owned),
            office_override: fields.text(&field(part.id, "override")).map(str::to_owned),
            taken_at: None,
        });
        self.replacements.push(part.id);
        Ok(())
    }

    fn push_reading(&mut self, reading: ResultReading) {
        self.readings.push(reading.component);
        self.result.readings.push(reading);
    }

    /// Brings the refusal of a result back to the parts it is about.
    pub(super) fn blame(&self, refused: &[(String, String)]) -> Wrong {
        let mut wrong = Wrong::new();
        for (pointer, detail) in refused {
            let mut steps = pointer.trim_start_matches('/').split('/');
            let list = match steps.next() {
                Some("readings") => &self.readings,
                Some("replacements") => &self.replacements,
                _ => &Vec::new(),
            };
            let index = steps.next().and_then(|step| step.parse::<usize>().ok());
            let part = index.and_then(|index| list.get(index)).copied();
            wrong.entry(part).or_default().push(format!("{detail}."));
        }
        wrong
    }
}

/// A rating as people type it on a phone: with µF and without a space before the units.
fn typed_rating(text: &str) -> String {
    let spaced = text
        .replace(['µ', 'μ'], "u")
        .replace("uf", "uF")
        .replace("UF", "uF")
        .replace("MFD", "uF")
        .replace("mfd", "uF")
        .replace("uF", " uF ")
        .replace(['V', 'v'], " V ");
    spaced.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rating_may_be_typed_without_spaces_and_with_a_greek_letter() {
        for typed in
            ["45+5 uF 370/440 V", "45+5µF 370/440V", "45+5 uf 370/440v", "45+5MFD 370/440 V"]
        {
            assert_eq!(typed_rating(typed), "45+5 uF 370/440 V", "{typed}");
        }
    }
}
