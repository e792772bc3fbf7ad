//! One newtype per kind of row, so that a visit's number is never taken for a site's.

use serde::{Deserialize, Serialize};

macro_rules! id {
    ($($(#[$doc:meta])* $name:ident),+ $(,)?) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        #[serde(transparent)]
        pub struct $name(pub i64);

        impl core::fmt::Display for $name {
            fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                self.0.fmt(f)
            }
        }

        impl From<i64> for $name {
            fn from(value: i64) -> Self {
                Self(value)
            }
        }

        impl From<$name> for i64 {
            fn from(id: $name) -> Self {
                id.0
            }
        }
    )+};
}

id! {
    /// An office with its own station, calendar and technicians; the key data would be sharded by.
    BranchId,
    /// A home under agreement.
    SiteId,
    /// A person reached about a site.
    ContactId,
    /// What is owed to a site.
    AgreementId,
    /// A machine at a site.
    UnitId,
    /// One part in one position of a unit for one stretch of time.
    ComponentId,
    /// What was measured or seen on one day.
    ReadingId,
    /// A person who visits.
    TechnicianId,
    /// One owed or planned call at a site.
    VisitId,
    /// One run of the season planner.
    PlanId,
    /// One technician's stops on one day.
    RouteId,
    /// What a truck must carry on one day.
    LoadListId,
    /// One message to one person.
    NoticeId,
    /// Somebody who may use the API.
    AccountId,
    /// One recorded computation: which inputs, which version, when.
    RunId,
}
