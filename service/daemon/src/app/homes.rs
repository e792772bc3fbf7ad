//! Homes and their machines as planning sees them: where visits go, when somebody may come, and what
//! those who come must be trained for.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use hotspell_domain::{BranchId, SiteId, Skill};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::to_plan::{self, HomeToPlan, MachineToPlan};
use hotspell_store::{AnyConnection, StoreError};

/// A branch's homes and machines, or some of them.
#[derive(Debug, Clone)]
pub struct Homes {
    /// The branch.
    pub branch: BranchRecord,
    /// The homes.
    pub sites: BTreeMap<SiteId, HomeToPlan>,
    /// Machines of each home in order of their numbers, those taken out too.
    machines: BTreeMap<SiteId, Vec<MachineToPlan>>,
}

impl Homes {
    /// Loads the branch's homes, or only these.
    ///
    /// # Errors
    /// [`StoreError::NotFound`] when there is no such branch; those of the database.
    pub fn load(
        conn: &mut AnyConnection,
        branch: BranchId,
        only: Option<&BTreeSet<SiteId>>,
    ) -> Result<Self, StoreError> {
        let record = branches::find(conn, branch)?;
        let only: Option<Vec<SiteId>> = only.map(|only| only.iter().copied().collect());
        let sites = to_plan::homes(conn, branch, only.as_deref())?;
        let mut machines: BTreeMap<SiteId, Vec<MachineToPlan>> = BTreeMap::new();
        for machine in to_plan::machines(conn, branch, only.as_deref())? {
            machines.entry(machine.site_id).or_default().push(machine);
        }
        let sites = sites.into_iter().map(|site| (site.id, site)).collect();
        Ok(Self { branch: record, sites, machines })
    }

    /// Machines of a home that are there on a day.
    pub fn machines_at(
        &self,
        site: SiteId,
        day: NaiveDate,
    ) -> impl Iterator<Item = &MachineToPlan> {
        self.machines
            .get(&site)
            .into_iter()
            .flatten()
            .filter(move |machine| machine.removed_on.is_none_or(|removed| removed > day))
    }

    /// What somebody must be trained for to look after the machines of a home that are there on a day.
    #[must_use]
    pub fn skills_needed(&self, site: SiteId, day: NaiveDate) -> BTreeSet<Skill> {
        let machines = self.machines_at(site, day);
        hotspell_domain::skills_needed(machines.map(|it| (it.kind, it.capacity_watts)))
    }
}
