//! Homes under agreement.

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use diesel::{ExpressionMethods, QueryDsl, Queryable, RunQueryDsl, Selectable, SelectableHelper};
use hotspell_domain::{BranchId, Language, Position, SiteId};

use crate::columns::{RawId, RawInteger, RawText, naive};
use crate::listing::listing;
use crate::owned::owned_list;
use crate::record::{editable, keyed};
use crate::schema::sites;
use crate::weekdays::WeekdaySet;
use crate::{AnyConnection, StoreError};

editable! {
    /// A home.
    sites, Site, SiteRecord, SiteFields, SiteId {
        /// The user's own name of it.
        key: String,
        /// As the office knows it.
        name: String,
        /// Street and number.
        address_1: String,
        /// Second line.
        address_2: Option<String>,
        /// City.
        city: String,
        /// State or region.
        region: String,
        /// Postal code.
        postal_code: String,
        /// Nothing means unknown: travel there cannot be planned.
        latitude_degrees: Option<f64>,
        /// Nothing means unknown: travel there cannot be planned.
        longitude_degrees: Option<f64>,
        /// Above sea level; nothing means unknown: stations are then weighed by distance alone.
        elevation_metres: Option<f64>,
        /// Gate, dog, key.
        access_notes: Option<String>,
        /// Days on which nobody may come.
        refused_weekdays: WeekdaySet as RawInteger,
        /// Nobody may come before this clock time.
        visit_from: Option<NaiveTime>,
        /// Nobody may come after this clock time.
        visit_until: Option<NaiveTime>,
        /// What the household itself has said; a no-cool call here goes first.
        vulnerability: Option<String>,
        /// Of the notices.
        language: Language as RawText,
    }
}
keyed!(sites, SiteRecord, SiteFields, SiteId, key);

impl SiteFields {
    /// Where it is, if that is stated.
    #[must_use]
    pub fn position(&self) -> Option<Position> {
        Position::new(self.latitude_degrees?, self.longitude_degrees?).ok()
    }
}

listing! {
    sites, SiteRecord, list,
    /// Which sites.
    SiteFilter {
        /// One of these, at most a few hundred.
        ids: Vec<SiteId> => |ids| sites::id.eq_any(ids.iter().map(|id| id.0).collect::<Vec<_>>()),
        /// With or without a position.
        has_position: bool => |has| sites::latitude_degrees.is_not_null().eq(*has),
        /// With or without a stated vulnerability.
        vulnerable: bool => |vulnerable| sites::vulnerability.is_not_null().eq(*vulnerable),
        /// In this city.
        city: String => |city| sites::city.eq(city.as_str()),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| sites::updated_at.gt(naive(*at)),
    }
    sorted by SiteSort {
        Key "key": Text key,
        Name "name": Text name,
        City "city": Text city,
        PostalCode "postal_code": Text postal_code,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// What a home is called and where it is: in what a piece of a word is looked for.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = sites)]
pub struct SiteLabel {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: SiteId,
    /// As the office knows it.
    pub name: String,
    /// City.
    pub city: String,
    /// Postal code.
    pub postal_code: String,
}

/// What every home of a branch is called and where it is, by number.
///
/// # Errors
/// Those of the database.
pub fn labels(conn: &mut AnyConnection, branch: BranchId) -> Result<Vec<SiteLabel>, StoreError> {
    let all = sites::table.filter(sites::branch_id.eq(branch.0)).order(sites::id);
    Ok(all.select(SiteLabel::as_select()).load(conn)?)
}

/// The cities in which a branch has homes, by name.
///
/// # Errors
/// Those of the database.
pub fn cities(conn: &mut AnyConnection, branch: BranchId) -> Result<Vec<String>, StoreError> {
    let all = sites::table.filter(sites::branch_id.eq(branch.0));
    Ok(all.select(sites::city).distinct().order(sites::city).load(conn)?)
}

owned_list! {
    /// Days on which nobody is at home.
    site_absences, site_id: SiteId, SiteAbsence, absences, set_absences,
    order first_day {
        /// First day.
        first_day: NaiveDate,
        /// Last day.
        last_day: NaiveDate,
        /// As the household said.
        reason: Option<String>,
    }
}
