//! Fields of a sent form, by name.

use std::collections::BTreeMap;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest, web};

use super::refusal::PageError;
use crate::api::auth::session;

/// As browsers send it; a name may come several times.
type Sent = web::Form<Vec<(String, String)>>;

/// A form of somebody without a session: a household, or who signs in.
pub(super) struct OpenForm(pub(super) Fields);

/// A form of somebody who signed in. It carries the session's token, so that no foreign page can
/// send it; without it the answer is 403.
pub(super) struct SessionForm(pub(super) Fields);

type Taken<T> = Pin<Box<dyn Future<Output = Result<T, actix_web::Error>>>>;

impl FromRequest for OpenForm {
    type Error = actix_web::Error;
    type Future = Taken<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let sent = Sent::from_request(request, payload);
        Box::pin(async move { Ok(Self(Fields::of(sent.await?))) })
    }
}

impl FromRequest for SessionForm {
    type Error = actix_web::Error;
    type Future = Taken<Self>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, open) = (request.clone(), OpenForm::from_request(request, payload));
        Box::pin(async move {
            let OpenForm(fields) = open.await?;
            session::check_form_token(&request, fields.text(session::FORM_FIELD))
                .map_err(PageError::from)?;
            Ok(Self(fields))
        })
    }
}

/// The fields of a form.
#[derive(Debug, Clone, Default)]
pub(super) struct Fields(BTreeMap<String, Vec<String>>);

impl Fields {
    /// Gathers what was sent.
    fn of(sent: Sent) -> Self {
        Self::from_pairs(sent.into_inner())
    }

    /// Gathers names and values.
    pub(super) fn from_pairs(pairs: impl IntoIterator<Item = (String, String)>) -> Self {
        let mut fields: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for (name, value) in pairs {
            fields.entry(name).or_default().push(value);
        }
        Self(fields)
    }

    /// The first value of a field without the space around it; none when it is empty.
    pub(super) fn text(&self, name: &str) -> Option<&str> {
        let value = self.0.get(name)?.first()?.trim();
        (!value.is_empty()).then_some(value)
    }

    /// A secret exactly as it was typed; none when it is empty.
    pub(super) fn secret(&self, name: &str) -> Option<&str> {
        self.0.get(name)?.first().map(String::as_str).filter(|value| !value.is_empty())
    }

    /// All values of a field, as they came.
    pub(super) fn all(&self, name: &str) -> impl Iterator<Item = &str> {
        self.0.get(name).into_iter().flatten().map(|value| value.trim())
    }

    /// Whether a field came with this value.
    pub(super) fn has(&self, name: &str, value: &str) -> bool {
        self.0.get(name).is_some_and(|values| values.iter().any(|it| it == value))
    }

    /// A number, with a decimal point or comma.
    ///
    /// # Errors
    /// A sentence when the text is no number.
    pub(super) fn number(&self, name: &str) -> Result<Option<f64>, String> {
        self.text(name)
            .map(|text| {
                text.replace(',', ".")
                    .parse::<f64>()
                    .ok()
                    .filter(|value| value.is_finite())
                    .ok_or_else(|| format!("«{text}» is no number; write such as 42.5"))
            })
            .transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fields(pairs: &[(&str, &str)]) -> Fields {
        Fields::of(web::Form(
            pairs.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect(),
        ))
    }

    #[test]
    fn numbers_take_point_or_comma_and_nothing_else() {
        let fields =
            fields(&[("a", "42.5"), ("b", " 42,5 "), ("c", "4 2"), ("d", ""), ("e", "inf")]);
        assert_eq!(fields.number("a"), Ok(Some(42.5)));
        assert_eq!(fields.number("b"), Ok(Some(42.5)));
        assert!(fields.number("c").is_err());
        assert_eq!(fields.number("d"), Ok(None));
        assert_eq!(fields.number("missing"), Ok(None));
        assert!(fields.number("e").is_err());
    }

    #[test]
    fn a_field_may_come_with_several_values() {
        let fields = fields(&[("seen", "hot"), ("seen", "bulged")]);
        assert!(fields.has("seen", "hot") && fields.has("seen", "bulged"));
        assert!(!fields.has("seen", "leaking"));
    }
}
