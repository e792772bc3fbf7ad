//! Which rows a role reaches.
//!
//! The office reaches everything in its branch. A technician reaches the sites of the visits that
//! are or were theirs, with all that is known of these sites. A homeowner reaches the visits of
//! their own home. What is not reached is answered as if it were not there.

use hotspell_domain::{ComponentId, Role, SiteId, TechnicianId, UnitId};
use hotspell_store::visits::{self, VisitFilter, VisitRecord};
use hotspell_store::{AnyConnection, Page, components, contacts, units};

use super::caller::Caller;
use super::error::ApiError;
use super::problem::ProblemKind;
use super::transact::read;
use crate::state::AppState;

/// Whether the caller reaches a home.
pub(crate) fn site(
    conn: &mut AnyConnection,
    caller: &Caller,
    site: SiteId,
) -> Result<bool, ApiError> {
    match caller.role {
        Role::Office => Ok(true),
        Role::Technician => {
            let Some(technician) = caller.technician else { return Ok(false) };
            let filter = VisitFilter {
                site: Some(site),
                technician: Some(technician),
                ..VisitFilter::default()
            };
            Ok(!visits::list(conn, caller.branch, &filter, Page::first(1))?.is_empty())
        }
        Role::Homeowner => Ok(own_site(conn, caller)? == Some(site)),
    }
}

/// The home of a homeowner.
pub(crate) fn own_site(
    conn: &mut AnyConnection,
    caller: &Caller,
) -> Result<Option<SiteId>, ApiError> {
    let Some(contact) = caller.contact else { return Ok(None) };
    Ok(Some(contacts::find(conn, caller.branch, contact)?.site_id))
}

/// Whether the caller reaches a machine.
pub(crate) fn unit(
    conn: &mut AnyConnection,
    caller: &Caller,
    unit: UnitId,
) -> Result<bool, ApiError> {
    let home = units::find(conn, caller.branch, unit)?.site_id;
    site(conn, caller, home)
}

/// Whether the caller reaches a part.
pub(crate) fn component(
    conn: &mut AnyConnection,
    caller: &Caller,
    component: ComponentId,
) -> Result<bool, ApiError> {
    let machine = components::find(conn, caller.branch, component)?.unit_id;
    unit(conn, caller, machine)
}

/// Whether the caller reaches a visit: a technician the own ones and the history of their homes.
pub(crate) fn visit(
    conn: &mut AnyConnection,
    caller: &Caller,
    visit: &VisitRecord,
) -> Result<bool, ApiError> {
    match caller.role {
        Role::Office => Ok(true),
        Role::Technician if visit.technician_id == caller.technician => Ok(true),
        Role::Technician | Role::Homeowner => site(conn, caller, visit.site_id),
    }
}

/// Whether the caller may enter what was found at a visit that it reaches: the office at every one, a
/// technician at the own ones. The history of a home is theirs to read, not to write.
pub(crate) fn may_enter(caller: &Caller, visit: &VisitRecord) -> bool {
    match caller.role {
        Role::Office => true,
        Role::Technician => caller.technician.is_some() && visit.technician_id == caller.technician,
        Role::Homeowner => false,
    }
}

/// Whether something belongs to the technician who calls; the office has no such bound.
pub(crate) fn technician(caller: &Caller, technician: TechnicianId) -> bool {
    caller.is_office() || caller.technician == Some(technician)
}

/// A list of a home's rows: the office lists across homes, a technician names one of theirs.
///
/// # Errors
/// 403 when a technician names none, or one that is not theirs.
pub(crate) async fn listed_site(
    state: &AppState,
    caller: &Caller,
    site_id: Option<i64>,
) -> Result<(), ApiError> {
    if caller.is_office() {
        return Ok(());
    }
    let Some(id) = site_id else {
        return Err(ApiError::new(
            ProblemKind::Forbidden,
            "Name a site of your visits with site_id; only the office lists across sites",
        ));
    };
    let caller = *caller;
    if read(state, move |conn| site(conn, &caller, SiteId(id))).await? {
        Ok(())
    } else {
        Err(ApiError::new(ProblemKind::Forbidden, "None of your visits is at this site"))
    }
}
