//! What an office does once, before the season can be planned at all.

use hotspell_store::agreements::{self, AgreementFilter};
use hotspell_store::branches::BranchRecord;
use hotspell_store::plans::{self, PlanFilter};
use hotspell_store::technicians::{self, TechnicianFilter};
use hotspell_store::words::RunKind;
use hotspell_store::{AnyConnection, Page, runs, weather};

use crate::app::AppError;

/// A step on the way to the first plan.
pub(super) struct Step {
    /// Whether it was taken.
    pub(super) done: bool,
    /// What is to be done.
    pub(super) what: &'static str,
    /// What it is good for.
    pub(super) why: &'static str,
    /// Where.
    pub(super) path: &'static str,
}

/// The steps of a branch in their order; none for one that has taken them all.
pub(super) fn of_branch(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
) -> Result<Vec<Step>, AppError> {
    let (id, one) = (branch.id, Page::first(1));
    let record = match branch.station_id {
        Some(station) => weather::stored_range(conn, station)?,
        None => None,
    };
    let people = technicians::list(conn, id, &TechnicianFilter::default(), one)?;
    let agreed = agreements::list(conn, id, &AgreementFilter::default(), one)?;
    let plan = plans::list(conn, id, &PlanFilter::default(), one)?;
    let step = |done, what, why, path| Step { done, what, why, path };
    let steps = vec![
        step(
            branch.station_id.is_some(),
            "Name the weather station",
            "Its heat is what the parts live through.",
            "/office/settings/station",
        ),
        step(
            record.is_some(),
            "Read in its daily record",
            "Thirty years tell when heat usually comes; eight are the least.",
            "/office/weather",
        ),
        step(
            !people.is_empty(),
            "Say who works, and when",
            "A plan gives each technician's hours to the visits.",
            "/office/settings/technicians",
        ),
        step(
            !agreed.is_empty(),
            "Bring in homes, machines, parts and agreements",
            "From the files of your records; nothing is stored before you have seen what it would be.",
            super::import::PATH,
        ),
        step(
            runs::latest(conn, id, RunKind::Scoring)?.is_some(),
            "Score the parts",
            "So that what is likely to fail is looked at first.",
            "/office/risk",
        ),
        step(
            !plan.is_empty(),
            "Compose the first plan",
            "A draft that you look at; nobody is told before you adopt it.",
            "/office/plans",
        ),
    ];
    Ok(if steps.iter().all(|step| step.done) { Vec::new() } else { steps })
}
