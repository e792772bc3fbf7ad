//! People of a home, on the wire.

use chrono::{DateTime, Utc};
use hotspell_domain::{ContactId, SiteId};
use hotspell_store::contacts::{ContactFields, ContactRecord};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::stored::stored_view;
use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;

/// A person reached about a site.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "C-1", "site_id": 1, "name": "Ines Alvarez", "email": "ines@example.com",
    "phone": "+12025550144", "role": "owner", "mail_consent": true,
    "consent_at": "2025-02-03T17:00:00Z", "consent_how": "agreement form",
    "stopped_at": null, "reachable_by_mail": true, "unreachable_reason": null
}))]
pub struct ContactInput {
    /// Your own name of the person, unique in the branch.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The home.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// As addressed.
    #[schema(min_length = 1, max_length = 200, pattern = r"\S")]
    pub name: String,
    /// Where notices go.
    #[schema(max_length = 254)]
    pub email: Option<String>,
    /// E.164; blanks, dots, hyphens and brackets are taken out.
    #[schema(max_length = 40)]
    pub phone: Option<String>,
    /// Such as «owner» or «tenant».
    #[schema(max_length = 200)]
    pub role: Option<String>,
    /// Whether the person agreed to mail; without consent none is sent.
    #[serde(default)]
    pub mail_consent: bool,
    /// When the person agreed; required with consent.
    pub consent_at: Option<DateTime<Utc>>,
    /// How the person agreed, such as «agreement form»; required with consent.
    #[schema(max_length = 200)]
    pub consent_how: Option<String>,
    /// When the person stopped the mail; only consent given later may take it out.
    pub stopped_at: Option<DateTime<Utc>>,
    /// False when mail came back: reach the person by phone. True if absent.
    #[serde(default = "yes")]
    pub reachable_by_mail: bool,
    /// Why mail does not reach the person.
    #[schema(max_length = 200)]
    pub unreachable_reason: Option<String>,
}

const fn yes() -> bool {
    true
}

stored_view!(
    /// A person of a home, as stored.
    ContactView, ContactInput, ContactRecord, ContactId
);

impl ContactInput {
    /// What is stored of it; `before` is the stored one when it is changed.
    pub(crate) fn fields(
        &self,
        before: Option<&ContactFields>,
        now: DateTime<Utc>,
    ) -> Result<ContactFields, ApiError> {
        let mut checks = Checks::default();
        let fields = ContactFields {
            key: checks.key("/key", &self.key),
            site_id: self.site_id,
            name: checks.text("/name", &self.name, LINE_MAX),
            email: checks.email("/email", self.email.as_deref()),
            phone: checks.phone("/phone", self.phone.as_deref()),
            role: checks.optional("/role", self.role.as_deref(), LINE_MAX),
            mail_consent: self.mail_consent,
            consent_at: self.consent_at,
            consent_how: checks.optional("/consent_how", self.consent_how.as_deref(), LINE_MAX),
            stopped_at: self.stopped_at,
            reachable_by_mail: self.reachable_by_mail,
            unreachable_reason: checks.optional(
                "/unreachable_reason",
                self.unreachable_reason.as_deref(),
                LINE_MAX,
            ),
        };
        if self.mail_consent && (self.consent_at.is_none() || fields.consent_how.is_none()) {
            checks.refuse("/mail_consent", "consent needs consent_at and consent_how");
        }
        if self.consent_at.is_some_and(|at| at > now) {
            checks.refuse("/consent_at", "lies in the future");
        }
        if let Some(stopped) = before.and_then(|before| before.stopped_at)
            && self.stopped_at.is_none()
            && !(self.mail_consent && self.consent_at.is_some_and(|at| at > stopped))
        {
            checks.refuse(
                "/stopped_at",
                format!("the person stopped the mail at {stopped}; expected consent given later"),
            );
        }
        checks.finish()?;
        Ok(fields)
    }
}

impl From<&ContactFields> for ContactInput {
    fn from(fields: &ContactFields) -> Self {
        Self {
            key: fields.key.clone(),
            site_id: fields.site_id,
            name: fields.name.clone(),
            email: fields.email.clone(),
            phone: fields.phone.clone(),
            role: fields.role.clone(),
            mail_consent: fields.mail_consent,
            consent_at: fields.consent_at,
            consent_how: fields.consent_how.clone(),
            stopped_at: fields.stopped_at,
            reachable_by_mail: fields.reachable_by_mail,
            unreachable_reason: fields.unreachable_reason.clone(),
        }
    }
}

/// Which links of a contact count.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LinkGenerationView {
    /// The contact.
    #[schema(value_type = i64)]
    pub contact_id: ContactId,
    /// Number of times that links were taken back; those made before the last time count no more.
    pub generation: u32,
}
