//! From the fields of the check form to a result, and back to the field that was wrong.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use hotspell_domain::local_time::local_day;
use hotspell_domain::{
    CapacitorRating, ComponentClass, ComponentEnd, ComponentId, Condition, TechnicianId,
};
use hotspell_store::components::ComponentRecord;
use hotspell_store::words::Section;

use crate::app::follow_up::FollowUp;
use crate::app::results::{PartsUsed, ResultReading, ResultReplacement, VisitResult};
use crate::pages::forms::Fields;
use crate::pages::parts as view;

/// Rows for what was taken from the truck beside the new parts.
pub(super) const USED_ROWS: usize = 3;
/// Pieces of one kind that a visit may take.
const MOST_PIECES: u32 = 100;

/// Name of a field of such a row.
pub(super) fn used_field(row: usize, what: &str) -> String {
    format!("used{row}.{what}")
}

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
    zone: Tz,
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
        if let Err(sentence) = entered.read_part(fields, part, zone) {
            wrong.entry(Some(part.id)).or_default().push(sentence);
        }
    }
    entered.result.parts_used.extend(new_parts(&entered.result.replacements, parts));
    for row in 0..USED_ROWS {
        match used(fields, row) {
            Ok(used) => entered.result.parts_used.extend(used),
            Err(sentence) => wrong.entry(None).or_default().push(sentence),
        }
    }
    match follow_up(fields) {
        Ok(wish) => entered.result.follow_up = wish,
        Err(sentence) => wrong.entry(None).or_default().push(sentence),
    }
    if wrong.is_empty() && entered.is_empty() {
        let sentence = "Nothing was entered. Enter a reading, what you saw, or a note.";
        wrong.entry(None).or_default().push(sentence.to_owned());
    }
    if wrong.is_empty() { Ok(entered) } else { Err(wrong) }
}

/// The new parts came from the truck as well.
fn new_parts<'a>(
    replacements: &'a [ResultReplacement],
    parts: &'a [&ComponentRecord],
) -> impl Iterator<Item = PartsUsed> {
    replacements.iter().filter_map(|replacement| {
        let old = parts.iter().find(|part| part.id == replacement.component)?;
        let rating = replacement.new_rating.clone().or_else(|| old.rating.clone());
        Some(PartsUsed { class: old.class, rating, quantity: 1 })
    })
}

/// What else was taken from the truck, from one row.
fn used(fields: &Fields, row: usize) -> Result<Option<PartsUsed>, String> {
    let text = |what| fields.text(&used_field(row, what));
    let Some(class) = text("class") else {
        return match text("rating").or_else(|| text("quantity")) {
            Some(_) => Err(format!("Parts used, row {}: choose the kind of part.", row + 1)),
            None => Ok(None),
        };
    };
    let wrong = |detail: String| format!("Parts used, row {}: {detail}.", row + 1);
    let class: ComponentClass =
        class.parse().map_err(|error: hotspell_domain::UnknownWord| wrong(error.to_string()))?;
    let quantity = match text("quantity") {
        None => 1,
        Some(text) => text
            .parse()
            .ok()
            .filter(|pieces| (1..=MOST_PIECES).contains(pieces))
            .ok_or_else(|| wrong(format!("expected 1 to {MOST_PIECES} pieces, not «{text}»")))?,
    };
    let rating = text("rating").map(typed_rating);
    if let Some(rating) = rating.as_deref().filter(|_| class.is_run_capacitor()) {
        rating.parse::<CapacitorRating>().map_err(|error| wrong(error.to_string()))?;
    }
    Ok(Some(PartsUsed { class, rating, quantity }))
}

/// What somebody must come again for.
fn follow_up(fields: &Fields) -> Result<Option<FollowUp>, String> {
    let by = fields
        .text("again.by")
        .map(|text| {
            text.parse().map_err(|_| format!("«{text}» is no day; write such as 2025-04-02."))
        })
        .transpose()?;
    match (fields.text("again.reason"), by) {
        (Some(reason), by) => Ok(Some(FollowUp { reason: reason.to_owned(), by })),
        (None, Some(_)) => Err("Say what is to be done at the return visit.".to_owned()),
        (None, None) => Ok(None),
    }
}

impl Entered {
    /// Whether nothing was said at all; that the visit is finished says enough.
    fn is_empty(&self) -> bool {
        self.readings.is_empty()
            && self.replacements.is_empty()
            && self.result.parts_used.is_empty()
            && self.result.follow_up.is_none()
            && self.result.note.is_none()
            && !self.result.complete
    }

    /// The moment that the phone noted for a part, if it lies on the day that the form names: of
    /// the two the day is what a person has said.
    fn taken_at(&self, fields: &Fields, part: ComponentId, zone: Tz) -> Option<DateTime<Utc>> {
        let at: DateTime<Utc> = fields.text(&field(part, "taken_at"))?.parse().ok()?;
        (local_day(at, zone) == self.result.day).then_some(at)
    }

    fn read_part(
        &mut self,
        fields: &Fields,
        part: &ComponentRecord,
        zone: Tz,
    ) -> Result<(), String> {
        let taken_at = self.taken_at(fields, part.id, zone);
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
                taken_at,
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
                taken_at,
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
            taken_at,
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

    fn fields(pairs: &[(&str, &str)]) -> Fields {
        Fields::from_pairs(
            pairs.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())),
        )
    }

    #[test]
    fn what_was_taken_from_the_truck_needs_its_kind_and_a_sane_number() {
        let row = fields(&[
            ("used0.class", "run-capacitor-single"),
            ("used0.rating", "7.5µF 440V"),
            ("used0.quantity", "2"),
        ]);
        let wanted = PartsUsed {
            class: ComponentClass::RunCapacitorSingle,
            rating: Some("7.5 uF 440 V".to_owned()),
            quantity: 2,
        };
        assert_eq!(used(&row, 0), Ok(Some(wanted)));
        assert_eq!(used(&row, 1), Ok(None));
        for (name, value) in
            [("used0.quantity", "0"), ("used0.quantity", "many"), ("used0.rating", "big")]
        {
            let mut pairs = vec![("used0.class", "run-capacitor-single")];
            pairs.push((name, value));
            assert!(used(&fields(&pairs), 0).is_err(), "{name} {value}");
        }
        assert!(used(&fields(&[("used0.quantity", "2")]), 0).is_err());
    }

    #[test]
    fn a_day_to_come_again_by_needs_a_reason() {
        let by = [("again.by", "2026-06-20")];
        assert!(follow_up(&fields(&by)).is_err());
        let wish = fields(&[by[0], ("again.reason", "clean the coil")]);
        let wish = follow_up(&wish).unwrap().unwrap();
        assert_eq!(
            (wish.reason.as_str(), wish.by),
            ("clean the coil", NaiveDate::from_ymd_opt(2026, 6, 20))
        );
        assert_eq!(follow_up(&fields(&[])), Ok(None));
    }

    #[test]
    fn a_moment_on_another_day_than_the_one_named_is_left_out() {
        let zone = chrono_tz::America::Phoenix;
        // Half past eleven in the evening of 3 June in Phoenix is 4 June in UTC.
        let sent = fields(&[("part1.taken_at", "2026-06-04T06:30:00Z")]);
        for (day, kept) in [("2026-06-03", true), ("2026-06-04", false)] {
            let named = fields(&[("day", day), ("finish", "yes")]);
            let entered = read(&named, &[], None, zone).unwrap_or_else(|_| panic!("{day}"));
            assert_eq!(entered.taken_at(&sent, ComponentId(1), zone).is_some(), kept, "{day}");
        }
    }

    #[test]
    fn a_rating_may_be_typed_without_spaces_and_with_a_greek_letter() {
        for typed in
            ["45+5 uF 370/440 V", "45+5µF 370/440V", "45+5 uf 370/440v", "45+5MFD 370/440 V"]
        {
            assert_eq!(typed_rating(typed), "45+5 uF 370/440 V", "{typed}");
        }
    }
}
