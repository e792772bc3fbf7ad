//! Machines at sites.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::{BoolExpressionMethods, ExpressionMethods};
use hotspell_domain::{Exposure, SiteId, UnitId, UnitKind};

use crate::columns::{RawId, RawText, naive};
use crate::listing::listing;
use crate::record::{editable, keyed};
use crate::schema::units;

editable! {
    /// A machine at a site.
    units, Unit, UnitRecord, UnitFields, UnitId {
        /// The user's own name of it.
        key: String,
        /// The home; machines of one home are sisters.
        site_id: SiteId as RawId,
        /// What it is.
        kind: UnitKind as RawText,
        /// Such as «upstairs».
        label: Option<String>,
        /// Cooling capacity in watts.
        capacity_watts: Option<f64>,
        /// It was not installed before this day; equal to the latest when the day is known.
        installed_earliest: Option<NaiveDate>,
        /// It was installed by this day.
        installed_latest: Option<NaiveDate>,
        /// When it was taken out.
        removed_on: Option<NaiveDate>,
        /// Sun or shade.
        exposure: Exposure as RawText,
        /// Nominal supply voltage in volts.
        supply_volts: f64,
    }
}
keyed!(units, UnitRecord, UnitFields, UnitId, key);

listing! {
    units, UnitRecord, list,
    /// Which units.
    UnitFilter {
        /// Of this home.
        site: SiteId => |site| units::site_id.eq(site.0),
        /// Of one of these homes, at most a few hundred.
        sites: Vec<SiteId> => |sites| units::site_id
            .eq_any(sites.iter().map(|id| id.0).collect::<Vec<_>>()),
        /// Of this kind.
        kind: UnitKind => |kind| units::kind.eq(kind.as_str()),
        /// Still there on this day.
        present_on: NaiveDate => |day| units::removed_on.is_null().or(units::removed_on.gt(*day)),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| units::updated_at.gt(naive(*at)),
    }
    sorted by UnitSort {
        Key "key": Text key,
        InstalledEarliest "installed_earliest": Day installed_earliest,
        RemovedOn "removed_on": Day removed_on,
        UpdatedAt "updated_at": Instant updated_at,
    }
}
