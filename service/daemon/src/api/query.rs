//! A query string whose mistakes are told with the parameter, what was sent and what was expected.

use std::future::{Ready, ready};
use std::ops::Deref;

use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest};
use serde::de::DeserializeOwned;
use utoipa::IntoParams;
use utoipa::openapi::RefOr;
use utoipa::openapi::path::Parameter;
use utoipa::openapi::schema::{KnownFormat, Object, Schema, SchemaFormat, SchemaType, Type};

use super::error::ApiError;
use super::problem::ProblemKind;

/// Longest part of a value that is repeated to the sender, characters.
const SHOWN_MAX: usize = 80;

const INSTANT: &str = "an instant (RFC 3339) such as 2026-07-04T17:00:00Z";
const DAY: &str = "a day (ISO 8601) such as 2026-07-04";

/// A parsed query.
#[derive(Debug)]
pub(crate) struct Query<T>(T);

impl<T> Query<T> {
    /// What was asked.
    pub(crate) fn into_inner(self) -> T {
        self.0
    }
}

impl<T> Deref for Query<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<T: DeserializeOwned + IntoParams> FromRequest for Query<T> {
    type Error = ApiError;
    type Future = Ready<Result<Self, ApiError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(read(request.query_string()).map(Self))
    }
}

fn read<T: DeserializeOwned + IntoParams>(text: &str) -> Result<T, ApiError> {
    let pairs = || form_urlencoded::parse(text.as_bytes());
    for (name, value) in pairs() {
        // Years beyond those of RFC 3339 have a sign before them; no database holds them all.
        let has_sign = value.trim_start().starts_with(['+', '-']);
        if has_sign && matches!(expected::<T>(&name), Some(INSTANT | DAY)) {
            return Err(refusal::<T>(&name, &value, "a year has four digits"));
        }
    }
    let reader = serde_urlencoded::Deserializer::new(pairs());
    serde_path_to_error::deserialize(reader).map_err(|error| {
        let name = error.path().to_string();
        let sent = pairs().find(|(key, _)| *key == name);
        match sent {
            Some((_, value)) if parameter::<T>(&name).is_some() => {
                refusal::<T>(&name, &value, &error.inner().to_string())
            }
            // A name that is not known is told with those that are.
            _ => malformed(&error.inner().to_string()),
        }
    })
}

fn malformed(told: &str) -> ApiError {
    ApiError::new(ProblemKind::MalformedRequest, format!("Query: {told}"))
}

fn refusal<T: IntoParams>(name: &str, value: &str, why: &str) -> ApiError {
    let value: String = value.chars().take(SHOWN_MAX).collect();
    let expected = expected::<T>(name).map(|it| format!("; expected {it}")).unwrap_or_default();
    malformed(&format!("{name}={value} cannot be read: {why}{expected}"))
}

fn parameter<T: IntoParams>(name: &str) -> Option<Parameter> {
    T::into_params(|| None).into_iter().find(|parameter| parameter.name == name)
}

/// What the document says of a parameter, in words; nothing where the mistake itself names the words
/// that may stand there.
fn expected<T: IntoParams>(name: &str) -> Option<&'static str> {
    match parameter::<T>(name)?.schema? {
        RefOr::T(Schema::Object(object)) => in_words(&object),
        _ => None,
    }
}

fn in_words(object: &Object) -> Option<&'static str> {
    let kind = match &object.schema_type {
        SchemaType::Type(kind) => kind,
        SchemaType::Array(kinds) => kinds.iter().find(|kind| **kind != Type::Null)?,
        SchemaType::AnyValue => return None,
    };
    match (kind, &object.format) {
        (Type::String, Some(SchemaFormat::KnownFormat(KnownFormat::DateTime))) => Some(INSTANT),
        (Type::String, Some(SchemaFormat::KnownFormat(KnownFormat::Date))) => Some(DAY),
        (Type::Integer, _) => Some("a whole number"),
        (Type::Number, _) => Some("a number with a decimal point"),
        (Type::Boolean, _) => Some("true or false"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, NaiveDate, Utc};

    use super::*;

    #[derive(Debug, serde::Deserialize, IntoParams)]
    #[serde(deny_unknown_fields)]
    struct Wanted {
        from: Option<DateTime<Utc>>,
        day: Option<NaiveDate>,
        limit: Option<u32>,
        least: Option<f64>,
        active: Option<bool>,
    }

    fn refused(text: &str) -> String {
        read::<Wanted>(text).unwrap_err().detail().to_owned()
    }

    #[test]
    fn a_wrong_value_is_told_with_its_name_and_what_was_expected() {
        for (text, expected) in [
            ("from=yesterday", INSTANT),
            ("from=-200000-01-01T00:00:00Z", INSTANT),
            ("day=2026-02-30", DAY),
            ("day=%2B20000-01-01", DAY),
            ("limit=-1", "a whole number"),
            ("least=much", "a number with a decimal point"),
            ("active=yes", "true or false"),
        ] {
            let told = refused(text);
            let text = text.replace("%2B", "+");
            assert!(told.starts_with(&format!("Query: {text} cannot be read: ")), "{told}");
            assert!(told.ends_with(&format!("; expected {expected}")), "{told}");
        }
    }

    #[test]
    fn a_name_that_is_not_known_is_told_with_those_that_are() {
        let told = refused("colour=red");
        assert!(told.contains("unknown field `colour`") && told.contains("`limit`"), "{told}");
        let twice = refused("limit=1&limit=2");
        assert!(twice.contains("duplicate field `limit`"), "{twice}");
    }

    #[test]
    fn what_is_right_is_read() {
        let wanted: Wanted = read("from=2026-07-04T17%3A00%3A00Z&day=2026-07-04&limit=7").unwrap();
        assert_eq!(wanted.from, Some("2026-07-04T17:00:00Z".parse().unwrap()));
        assert_eq!((wanted.day, wanted.limit), (NaiveDate::from_ymd_opt(2026, 7, 4), Some(7)));
        assert_eq!((wanted.least, wanted.active), (None, None));
    }
}
