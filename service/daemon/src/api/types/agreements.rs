//! What is owed, on the wire.

use chrono::NaiveDate;
use hotspell_domain::{AgreementId, SiteId, VisitKind, VisitRule};
use hotspell_store::agreements::{AgreementFields, AgreementRecord};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::stored::stored_view;
use crate::api::checks::Checks;
use crate::api::error::ApiError;
use crate::app::renewal::Renewal;

/// What is owed to a site. Its standing follows from its days and is not stored.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "A-1", "site_id": 1, "first_day": "2025-01-01", "last_day": null,
    "visits": ["tune-up@02-01..05-15", "tune-up@09-15..11-30"]
}))]
pub struct AgreementInput {
    /// Your own name of it, unique in the branch.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The home.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// First day.
    pub first_day: NaiveDate,
    /// Last day; absent means that it runs on.
    pub last_day: Option<NaiveDate>,
    /// What is owed each year, as KIND@MM-DD..MM-DD; kinds `tune-up` and `capacitor-check`. A
    /// window may run across the new year.
    #[schema(
        value_type = Vec<String>, min_items = 1, max_items = 24,
        example = json!(["tune-up@02-01..05-15"])
    )]
    pub visits: Vec<VisitRule>,
}

stored_view!(
    /// An agreement, as stored.
    AgreementView, AgreementInput, AgreementRecord, AgreementId
);

/// What of the next term differs from the one before.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "key": null, "last_day": null, "visits": null }))]
pub struct RenewalInput {
    /// Your own name of the new agreement; the old one's with the first day behind it if absent.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: Option<String>,
    /// Last day; the new term is as long as the old one if absent.
    pub last_day: Option<NaiveDate>,
    /// What is owed each year, as in an agreement; as before if absent.
    #[schema(value_type = Option<Vec<String>>, min_items = 1, max_items = 24)]
    pub visits: Option<Vec<VisitRule>>,
}

impl RenewalInput {
    /// What is asked for, checked.
    pub(crate) fn checked(&self) -> Result<Renewal, ApiError> {
        let mut checks = Checks::default();
        let key = self.key.as_deref().map(|key| checks.key("/key", key));
        checks.day("/last_day", self.last_day);
        if let Some(rules) = &self.visits {
            check_rules(&mut checks, rules);
        }
        checks.finish()?;
        Ok(Renewal { key, last_day: self.last_day, rules: self.visits.clone() })
    }
}

fn check_rules(checks: &mut Checks, rules: &[VisitRule]) {
    if rules.is_empty() || rules.len() > 24 {
        checks.refuse("/visits", "expected 1 to 24 rules such as tune-up@02-01..05-15");
    }
    for (i, rule) in rules.iter().enumerate() {
        if !matches!(rule.kind, VisitKind::TuneUp | VisitKind::CapacitorCheck) {
            checks.refuse(
                &format!("/visits/{i}"),
                format!("{} is never owed; expected tune-up or capacitor-check", rule.kind),
            );
        }
    }
}

impl AgreementInput {
    /// What is stored of it.
    pub(crate) fn fields(&self) -> Result<AgreementFields, ApiError> {
        let mut checks = Checks::default();
        let key = checks.key("/key", &self.key);
        checks.day("/first_day", Some(self.first_day));
        checks.day("/last_day", self.last_day);
        checks.order("/last_day", Some(self.first_day), self.last_day);
        check_rules(&mut checks, &self.visits);
        checks.finish()?;
        Ok(AgreementFields {
            key,
            site_id: self.site_id,
            first_day: self.first_day,
            last_day: self.last_day,
            rules: self.visits.clone(),
        })
    }
}

impl From<&AgreementFields> for AgreementInput {
    fn from(fields: &AgreementFields) -> Self {
        Self {
            key: fields.key.clone(),
            site_id: fields.site_id,
            first_day: fields.first_day,
            last_day: fields.last_day,
            visits: fields.rules.clone(),
        }
    }
}
