//! Machines on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use hotspell_domain::{Exposure, SiteId, UnitId, UnitKind};
use hotspell_store::units::{UnitFields, UnitRecord};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::stored::stored_view;
use crate::api::checks::{Checks, LINE_MAX};
use crate::api::error::ApiError;

/// Largest cooling capacity, 30 tons of refrigeration, in watts.
const CAPACITY_MAX_WATTS: f64 = 105_506.0;

/// A machine at a site.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "key": "U-1", "site_id": 1, "kind": "split-air-conditioner", "label": "upstairs",
    "capacity_watts": 10550.6, "installed_earliest": "2014-05-06",
    "installed_latest": "2014-05-06", "removed_on": null, "exposure": "sun",
    "supply_volts": 240.0
}))]
pub struct UnitInput {
    /// Your own name of it, unique in the branch.
    #[schema(min_length = 1, max_length = 100, pattern = r"\S")]
    pub key: String,
    /// The home; machines of one home are sisters. It cannot be changed later.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// What it is.
    pub kind: UnitKind,
    /// Such as «upstairs».
    #[schema(max_length = 200)]
    pub label: Option<String>,
    /// Cooling capacity in watts (1 ton of refrigeration is 3516.85 W).
    #[schema(minimum = 1, maximum = 105_506)]
    pub capacity_watts: Option<f64>,
    /// It was not installed before this day; equal to the latest when the day is known.
    pub installed_earliest: Option<NaiveDate>,
    /// It was installed by this day; absent on both sides means unknown.
    pub installed_latest: Option<NaiveDate>,
    /// When it was taken out.
    pub removed_on: Option<NaiveDate>,
    /// How much sun the outdoor cabinet gets; `part-sun` if absent.
    #[serde(default = "part_sun")]
    pub exposure: Exposure,
    /// Nominal supply voltage in volts; 240 if absent.
    #[serde(default = "two_forty")]
    #[schema(minimum = 100, maximum = 600)]
    pub supply_volts: f64,
}

const fn part_sun() -> Exposure {
    Exposure::PartSun
}

const fn two_forty() -> f64 {
    240.0
}

stored_view!(
    /// A machine, as it is stored.
    UnitView, UnitInput, UnitRecord, UnitId
);

impl UnitInput {
    /// What is stored of it.
    pub(crate) fn fields(&self, now: DateTime<Utc>) -> Result<UnitFields, ApiError> {
        let mut checks = Checks::default();
        let key = checks.key("/key", &self.key);
        let label = checks.optional("/label", self.label.as_deref(), LINE_MAX);
        if let Some(watts) = self.capacity_watts {
            checks.number("/capacity_watts", watts, 1.0, CAPACITY_MAX_WATTS, "W");
        }
        checks.number("/supply_volts", self.supply_volts, 100.0, 600.0, "V");
        checks.past_day("/installed_earliest", self.installed_earliest, now);
        checks.past_day("/installed_latest", self.installed_latest, now);
        checks.past_day("/removed_on", self.removed_on, now);
        checks.order("/installed_latest", self.installed_earliest, self.installed_latest);
        checks.order("/removed_on", self.installed_earliest, self.removed_on);
        checks.finish()?;
        Ok(UnitFields {
            key,
            site_id: self.site_id,
            kind: self.kind,
            label,
            capacity_watts: self.capacity_watts,
            installed_earliest: self.installed_earliest,
            installed_latest: self.installed_latest,
            removed_on: self.removed_on,
            exposure: self.exposure,
            supply_volts: self.supply_volts,
        })
    }
}

impl From<&UnitFields> for UnitInput {
    fn from(fields: &UnitFields) -> Self {
        Self {
            key: fields.key.clone(),
            site_id: fields.site_id,
            kind: fields.kind,
            label: fields.label.clone(),
            capacity_watts: fields.capacity_watts,
            installed_earliest: fields.installed_earliest,
            installed_latest: fields.installed_latest,
            removed_on: fields.removed_on,
            exposure: fields.exposure,
            supply_volts: fields.supply_volts,
        }
    }
}
