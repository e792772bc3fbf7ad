//! What is owed to sites.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::{BoolExpressionMethods, ExpressionMethods};
use hotspell_domain::{AgreementId, DateRange, SiteId, VisitRule};

use crate::columns::{RawId, RawText, naive};
use crate::listing::listing;
use crate::record::{editable, keyed};
use crate::schema::agreements;

editable! {
    /// What is owed to a site. Its standing is derived from its days, not stored.
    agreements, Agreement, AgreementRecord, AgreementFields, AgreementId {
        /// The user's own name of it.
        key: String,
        /// The home.
        site_id: SiteId as RawId,
        /// First day.
        first_day: NaiveDate,
        /// Last day; nothing means that it runs on.
        last_day: Option<NaiveDate>,
        /// What is owed each year.
        rules: Vec<VisitRule> as RawText,
    }
}
keyed!(agreements, AgreementRecord, AgreementFields, AgreementId, key);

listing! {
    agreements, AgreementRecord, list,
    /// Which agreements.
    AgreementFilter {
        /// Of this home.
        site: SiteId => |site| agreements::site_id.eq(site.0),
        /// In force on some day of the range.
        in_force: DateRange => |range| agreements::first_day.le(range.last).and(
            agreements::last_day
                .is_null()
                .or(agreements::last_day.ge(range.first)),
        ),
        /// Whose last day lies in the range.
        ends_within: DateRange => |range| agreements::last_day
            .between(range.first, range.last),
        /// Whether the home has one that begins after this one's last day.
        renewed: bool => |renewed| diesel::dsl::sql::<diesel::sql_types::Bool>(
            "EXISTS (SELECT 1 FROM agreements AS later WHERE later.branch_id = agreements.branch_id \
             AND later.site_id = agreements.site_id AND later.first_day > agreements.last_day)",
        )
        .eq(*renewed),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| agreements::updated_at.gt(naive(*at)),
    }
    sorted by AgreementSort {
        Key "key": Text key,
        FirstDay "first_day": Day first_day,
        LastDay "last_day": Day last_day,
        UpdatedAt "updated_at": Instant updated_at,
    }
}
