//! Many changes at once, on the wire: all of them or none.

use hotspell_domain::{AgreementId, VisitId};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::agreements::{AgreementView, RenewalInput};
use super::readings::{ReadingInput, ReadingView};
use super::visits::{StateChangeInput, VisitView};

/// Most visits that change their state in one request.
pub(crate) const VISITS_MAX: usize = 200;
/// Most readings in one request.
pub(crate) const READINGS_MAX: usize = 1_000;
/// Most agreements that are renewed in one request.
pub(crate) const RENEWALS_MAX: usize = 500;

/// One visit of many and where it is to stand.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VisitStateChange {
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// The version that the change is based on (number of changes so far); the present one if absent.
    pub version: Option<i64>,
    /// Where it is to stand, as for a single visit.
    pub change: StateChangeInput,
}

/// Visits that change their state together, such as after a round of telephone calls.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "items": [
    { "visit_id": 1, "version": null, "change": {
        "state": "placed", "day": "2026-06-02", "technician_id": 1, "starts": "09:00:00",
        "ends": "11:00:00", "why": "the household asked for the morning"
    } }
] }))]
pub struct VisitStateChanges {
    /// Each visit once, in the order in which they are changed.
    #[schema(min_items = 1, max_items = 200)]
    pub items: Vec<VisitStateChange>,
}

/// The visits as they stand after a change of many.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ChangedVisits {
    /// In the order of the request.
    pub items: Vec<VisitView>,
}

/// Readings that come in together.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "items": [
    { "key": "R-10", "component_id": 1, "taken_on": "2026-04-02", "microfarads": 43.1 }
] }))]
pub struct ReadingInputs {
    /// As for a single reading; each key once.
    #[schema(min_items = 1, max_items = 1000)]
    pub items: Vec<ReadingInput>,
}

/// The readings as they are stored.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CreatedReadings {
    /// In the order of the request.
    pub items: Vec<ReadingView>,
}

/// One agreement of many and what of its next term differs.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AgreementRenewal {
    /// The agreement that ends.
    #[schema(value_type = i64)]
    pub agreement_id: AgreementId,
    /// What differs, as for a single renewal; nothing if absent.
    pub renewal: Option<RenewalInput>,
}

/// Agreements that are renewed together.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "items": [{ "agreement_id": 1, "renewal": null }] }))]
pub struct AgreementRenewals {
    /// Each agreement once.
    #[schema(min_items = 1, max_items = 500)]
    pub items: Vec<AgreementRenewal>,
}

/// The agreements of the next terms.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RenewedAgreements {
    /// In the order of the request.
    pub items: Vec<AgreementView>,
}
