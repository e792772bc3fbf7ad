//! A stored record in a form: its fields with what is wrong beside each, and back.
//!
//! A change that is refused comes back as it was sent, so that nothing is typed twice; a change that
//! was based on an older version says so instead of writing over somebody else's.

use std::collections::BTreeMap;
use std::str::FromStr;

use chrono::{NaiveDate, NaiveTime, Timelike as _};
use hotspell_domain::Position;

use super::forms::Fields;
use super::refusal::PageError;
use crate::api::error::ApiError;
use crate::api::etag::Expected;
use crate::api::problem::ProblemKind;

/// What is wrong, by field; what belongs to none stands under the empty name.
pub(super) type Wrong = BTreeMap<String, String>;

/// How a field is filled in.
#[derive(Debug, Clone)]
pub(super) enum Control {
    /// One line of this kind of `input`.
    Line(&'static str),
    /// Several lines.
    Long,
    /// One of these values, each with its words.
    Choice(Vec<(String, String)>),
    /// Any of these values.
    Several(Vec<(String, String)>),
}

/// A field of a form.
#[derive(Debug, Clone)]
pub(super) struct Field {
    /// Its name.
    pub(super) name: String,
    /// What it is called.
    pub(super) label: String,
    /// What helps to fill it in; may be empty.
    pub(super) hint: &'static str,
    /// What browsers may fill in by themselves (HTML, autofill).
    pub(super) autofill: &'static str,
    /// What is in it; several for [`Control::Several`].
    pub(super) values: Vec<String>,
    /// How it is filled in.
    pub(super) control: Control,
    /// What is wrong with it.
    pub(super) wrong: Option<String>,
}

impl Field {
    /// The same with words that help.
    pub(super) fn hint(mut self, hint: &'static str) -> Self {
        self.hint = hint;
        self
    }

    /// The same, filled in as such a kind of `input`.
    pub(super) fn kind(mut self, kind: &'static str) -> Self {
        self.control = Control::Line(kind);
        self
    }

    /// The same, for several lines.
    pub(super) fn long(mut self) -> Self {
        self.control = Control::Long;
        self
    }

    /// The one value.
    pub(super) fn value(&self) -> &str {
        self.values.first().map_or("", String::as_str)
    }

    /// Whether this value is chosen.
    pub(super) fn is(&self, value: &str) -> bool {
        self.values.iter().any(|it| it == value)
    }

    /// The fields' ids of what describes it, apart by blanks.
    pub(super) fn described(&self, prefix: &str) -> Option<String> {
        let name = &self.name;
        let hint = (!self.hint.is_empty()).then(|| format!("{prefix}{name}-hint"));
        let wrong = self.wrong.is_some().then(|| format!("{prefix}{name}-wrong"));
        let ids: Vec<String> = hint.into_iter().chain(wrong).collect();
        (!ids.is_empty()).then(|| ids.join(" "))
    }
}

/// A form with its fields.
#[derive(Debug, Clone)]
pub(super) struct Form {
    /// Before the ids of its fields, so that several forms fit on a page.
    pub(super) prefix: String,
    /// Version of the record that it changes.
    pub(super) version: Option<i64>,
    /// Whether it only asks: its fields go into an address, where the session's token must not stand.
    pub(super) asks: bool,
    /// In the order of the page.
    pub(super) fields: Vec<Field>,
    /// What belongs to no field.
    pub(super) wrong: Option<String>,
}

impl Form {
    /// The same, for a form that only asks.
    pub(super) fn asking(self) -> Self {
        Self { asks: true, ..self }
    }

    /// Whether it was sent and refused.
    pub(super) fn refused(&self) -> bool {
        self.wrong.is_some() || self.fields.iter().any(|field| field.wrong.is_some())
    }
}

/// What a form was sent with and what was wrong with it; nothing for a fresh form.
#[derive(Debug, Clone, Default)]
pub(super) struct Refused {
    /// As sent.
    pub(super) sent: Option<Fields>,
    /// Why it was not kept.
    pub(super) wrong: Wrong,
}

impl Refused {
    /// A line of text with what is stored, or with what was sent.
    pub(super) fn line(
        &self,
        name: impl Into<String>,
        label: impl Into<String>,
        stored: impl Into<String>,
    ) -> Field {
        let name = name.into();
        let values = match &self.sent {
            Some(sent) => vec![sent.text(&name).unwrap_or_default().to_owned()],
            None => vec![stored.into()],
        };
        Field {
            wrong: self.wrong.get(&name).cloned(),
            name,
            label: label.into(),
            hint: "",
            autofill: "off",
            values,
            control: Control::Line("text"),
        }
    }

    /// A new password: never shown, not even after a mistake.
    pub(super) fn secret(&self, name: &'static str, label: &'static str) -> Field {
        let field = self.line(name, label, "").kind("password");
        Field { values: Vec::new(), autofill: "new-password", ..field }
    }

    /// One of several values.
    pub(super) fn choice(
        &self,
        name: &'static str,
        label: &'static str,
        choices: &[(&str, &str)],
        stored: &str,
    ) -> Field {
        Field { control: Control::Choice(owned(choices)), ..self.line(name, label, stored) }
    }

    /// Any of several values.
    pub(super) fn several(
        &self,
        name: &'static str,
        label: &'static str,
        choices: &[(&str, &str)],
        stored: Vec<String>,
    ) -> Field {
        let values = match &self.sent {
            Some(sent) => sent.all(name).map(str::to_owned).collect(),
            None => stored,
        };
        let field = self.line(name, label, "");
        Field { values, control: Control::Several(owned(choices)), ..field }
    }

    /// The form of these fields. What is wrong with none of them is told above all.
    pub(super) fn form(
        &self,
        prefix: impl Into<String>,
        version: Option<i64>,
        fields: Vec<Field>,
    ) -> Form {
        let elsewhere: Vec<&str> = self
            .wrong
            .iter()
            .filter(|(name, _)| !fields.iter().any(|field| field.name == **name))
            .map(|(_, why)| why.as_str())
            .collect();
        let wrong = (!elsewhere.is_empty()).then(|| elsewhere.join(" "));
        Form { prefix: prefix.into(), version, asks: false, fields, wrong }
    }
}

fn owned(choices: &[(&str, &str)]) -> Vec<(String, String)> {
    choices.iter().map(|(value, words)| ((*value).to_owned(), (*words).to_owned())).collect()
}

/// A time as a form shows it.
pub(super) fn shown_time(time: Option<NaiveTime>) -> String {
    let form = |time: NaiveTime| if time.second() == 0 { "%H:%M" } else { "%H:%M:%S" };
    time.map(|time| time.format(form(time)).to_string()).unwrap_or_default()
}

/// A coordinate as a form shows it.
pub(super) fn shown_degrees(at: Option<Position>, pick: fn(&Position) -> f64) -> String {
    at.as_ref().map(|at| pick(at).to_string()).unwrap_or_default()
}

/// A day as it is written (ISO 8601): with a sign before it a year would have more than four digits, and
/// no database holds them all.
pub(super) fn day_of(text: &str) -> Option<NaiveDate> {
    text.parse().ok().filter(|_| !text.starts_with(['+', '-']))
}

/// Reads what was sent and gathers what cannot be read.
pub(super) struct Reading<'a> {
    sent: &'a Fields,
    wrong: Wrong,
}

impl<'a> Reading<'a> {
    /// Of a form.
    pub(super) fn of(sent: &'a Fields) -> Self {
        Self { sent, wrong: Wrong::new() }
    }

    /// Notes a mistake.
    pub(super) fn refuse(&mut self, name: &str, why: impl Into<String>) {
        self.wrong.entry(name.to_owned()).or_insert_with(|| why.into());
    }

    /// A text; empty if there is none.
    pub(super) fn text(&self, name: &str) -> String {
        self.maybe(name).unwrap_or_default()
    }

    /// A text, if there is one.
    pub(super) fn maybe(&self, name: &str) -> Option<String> {
        self.sent.text(name).map(str::to_owned)
    }

    /// A time of day.
    pub(super) fn time(&mut self, name: &str) -> Option<NaiveTime> {
        let text = self.sent.text(name)?;
        let read = NaiveTime::parse_from_str(text, "%H:%M")
            .or_else(|_| NaiveTime::parse_from_str(text, "%H:%M:%S"));
        if read.is_err() {
            self.refuse(name, format!("«{text}» is no time; write such as 08:00."));
        }
        read.ok()
    }

    /// A day.
    pub(super) fn day(&mut self, name: &str) -> Option<NaiveDate> {
        let text = self.sent.text(name)?;
        let read = day_of(text);
        if read.is_none() {
            self.refuse(name, format!("«{text}» is no day; write such as 2026-07-04."));
        }
        read
    }

    /// A day that must be there.
    pub(super) fn needed_day(&mut self, name: &str) -> Option<NaiveDate> {
        if self.sent.text(name).is_none() {
            self.refuse(name, "Give a day.");
        }
        self.day(name)
    }

    /// A number.
    pub(super) fn number(&mut self, name: &str) -> Option<f64> {
        self.sent.number(name).unwrap_or_else(|why| {
            self.refuse(name, format!("{why}."));
            None
        })
    }

    /// One word of a closed set; `before` when the form does not have the field.
    pub(super) fn word<T: FromStr<Err: std::fmt::Display>>(&mut self, name: &str, before: T) -> T {
        match self.sent.text(name).map(str::parse) {
            None => before,
            Some(Ok(word)) => word,
            Some(Err(error)) => {
                self.refuse(name, format!("{error}."));
                before
            }
        }
    }

    /// Words of a closed set.
    pub(super) fn words<T: FromStr<Err: std::fmt::Display>>(&mut self, name: &str) -> Vec<T> {
        let mut words = Vec::new();
        for text in self.sent.all(name) {
            match text.parse() {
                Ok(word) => words.push(word),
                Err(error) => {
                    self.wrong.insert(name.to_owned(), format!("{error}."));
                }
            }
        }
        words
    }

    /// A place from the fields `latitude` and `longitude`.
    pub(super) fn position(&mut self) -> Option<Position> {
        match (self.number("latitude"), self.number("longitude")) {
            (Some(latitude_degrees), Some(longitude_degrees)) => {
                Some(Position { latitude_degrees, longitude_degrees })
            }
            (None, None) => None,
            _ => {
                self.refuse("latitude", "Give latitude and longitude together, or neither.");
                None
            }
        }
    }

    /// What was read, if all of it could be.
    ///
    /// # Errors
    /// What could not, by field.
    pub(super) fn finish<T>(self, value: T) -> Result<T, Wrong> {
        if self.wrong.is_empty() { Ok(value) } else { Err(self.wrong) }
    }
}

/// The version that the reader saw.
pub(super) fn version(sent: &Fields) -> Expected {
    Expected::OneOf(sent.text("version").and_then(|text| text.parse().ok()).into_iter().collect())
}

/// The form's field of a JSON pointer of the API.
pub(super) fn field_name(pointer: &str) -> String {
    match pointer.split('/').next().unwrap_or_default() {
        "position" | "start" | "depot" => {
            if pointer.ends_with("longitude_degrees") {
                "longitude"
            } else {
                "latitude"
            }
        }
        name => name,
    }
    .to_owned()
}

/// The refusal of a change, by the form's field.
fn blame(refused: &ApiError, name: impl Fn(&str) -> String) -> Wrong {
    let mut wrong = Wrong::new();
    for field in refused.field_errors() {
        let told = wrong.entry(name(field.pointer.trim_start_matches('/'))).or_default();
        if !told.is_empty() {
            told.push(' ');
        }
        told.push_str(&format!("{}.", field.detail));
    }
    if wrong.is_empty() {
        wrong.insert(String::new(), format!("{}.", refused.detail().trim_end_matches('.')));
    }
    wrong
}

/// What was wrong with a change; nothing when it is kept. `name` gives the form's field of a pointer.
///
/// # Errors
/// What is no fault of the sender, and what is not there.
pub(super) fn refusal<T>(
    outcome: Result<Result<T, Wrong>, ApiError>,
    name: impl Fn(&str) -> String,
) -> Result<Result<T, Wrong>, PageError> {
    match outcome {
        Ok(kept) => Ok(kept),
        Err(error) if error.kind() == ProblemKind::StaleVersion => Ok(Err(Wrong::from([(
            String::new(),
            "Somebody else has changed this meanwhile; what you entered stands below. Look at what \
             the page says now, then send again."
                .to_owned(),
        )]))),
        Err(error)
            if error.kind().status().is_client_error() && error.kind() != ProblemKind::NotFound =>
        {
            Ok(Err(blame(&error, name)))
        }
        Err(error) => Err(error.into()),
    }
}
