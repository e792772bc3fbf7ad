//! People reached about a site.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use diesel::{ExpressionMethods, QueryDsl, RunQueryDsl};
use hotspell_domain::{BranchId, ContactId, SiteId};

use crate::columns::{RawId, RawNullInstant, naive};
use crate::listing::listing;
use crate::record::{editable, keyed};
use crate::schema::contacts;
use crate::{AnyConnection, StoreError};

editable! {
    /// A person reached about a site.
    contacts, Contact, ContactRecord, ContactFields, ContactId {
        /// The user's own name of the person.
        key: String,
        /// The home.
        site_id: SiteId as RawId,
        /// As addressed.
        name: String,
        /// Where notices go.
        email: Option<String>,
        /// E.164.
        phone: Option<String>,
        /// Such as «owner» or «tenant».
        role: Option<String>,
        /// Whether the person agreed to mail.
        mail_consent: bool,
        /// When.
        consent_at: Option<DateTime<Utc>> as RawNullInstant,
        /// How, such as «agreement form».
        consent_how: Option<String>,
        /// When the person stopped the mail.
        stopped_at: Option<DateTime<Utc>> as RawNullInstant,
        /// False when mail came back.
        reachable_by_mail: bool,
        /// Why mail does not reach the person.
        unreachable_reason: Option<String>,
    }
}
keyed!(contacts, ContactRecord, ContactFields, ContactId, key);

impl ContactFields {
    /// Whether a mail may and can be sent: an address, consent, not stopped, not returned.
    #[must_use]
    pub fn may_be_mailed(&self) -> bool {
        self.email.is_some()
            && self.mail_consent
            && self.stopped_at.is_none()
            && self.reachable_by_mail
    }
}

listing! {
    contacts, ContactRecord, list,
    /// Which contacts.
    ContactFilter {
        /// Of this home.
        site: SiteId => |site| contacts::site_id.eq(site.0),
        /// Of one of these homes, at most a few hundred.
        sites: Vec<SiteId> => |sites| contacts::site_id
            .eq_any(sites.iter().map(|id| id.0).collect::<Vec<_>>()),
        /// Whom mail reaches or not.
        reachable_by_mail: bool => |reachable| contacts::reachable_by_mail.eq(*reachable),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| contacts::updated_at.gt(naive(*at)),
    }
    sorted by ContactSort {
        Key "key": Text key,
        Name "name": Text name,
        UpdatedAt "updated_at": Instant updated_at,
    }
}

/// The homes at which somebody may and can be reached by mail, as
/// [`ContactFields::may_be_mailed`] says.
///
/// # Errors
/// Those of the database.
pub fn homes_reached_by_mail(
    conn: &mut AnyConnection,
    branch: BranchId,
) -> Result<BTreeSet<SiteId>, StoreError> {
    let homes: Vec<i64> = contacts::table
        .filter(contacts::branch_id.eq(branch.0))
        .filter(contacts::email.is_not_null())
        .filter(contacts::mail_consent.eq(true))
        .filter(contacts::stopped_at.is_null())
        .filter(contacts::reachable_by_mail.eq(true))
        .select(contacts::site_id)
        .load(conn)?;
    Ok(homes.into_iter().map(SiteId).collect())
}
