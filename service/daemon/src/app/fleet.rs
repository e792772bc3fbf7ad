//! Everything that a branch has under agreement, loaded once for a computation.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use hotspell_domain::{BranchId, ComponentId, DateRange, SiteId, UnitId};
use hotspell_store::agreements::{self, AgreementFilter, AgreementRecord};
use hotspell_store::branches::{self, BranchRecord};
use hotspell_store::components::{self, ComponentFilter, ComponentRecord};
use hotspell_store::readings::{self, ReadingFilter, ReadingRecord};
use hotspell_store::sites::{self, SiteFilter, SiteRecord};
use hotspell_store::units::{self, UnitFilter, UnitRecord};
use hotspell_store::{AnyConnection, Page, StoreError};

/// A branch's homes, machines, parts and measurements.
#[derive(Debug, Clone)]
pub struct Fleet {
    /// The branch.
    pub branch: BranchRecord,
    /// Homes.
    pub sites: BTreeMap<SiteId, SiteRecord>,
    /// Machines.
    pub units: BTreeMap<UnitId, UnitRecord>,
    /// Parts, past and present, in order of their ids.
    pub components: Vec<ComponentRecord>,
    /// Measurements of each part, oldest first.
    pub readings: BTreeMap<ComponentId, Vec<ReadingRecord>>,
    /// Agreements of each home.
    pub agreements: BTreeMap<SiteId, Vec<AgreementRecord>>,
}

impl Fleet {
    /// Loads the branch, or only one of its homes.
    ///
    /// # Errors
    /// [`StoreError::NotFound`] when there is no such branch or home; those of the database.
    pub fn load(
        conn: &mut AnyConnection,
        branch: BranchId,
        only: Option<SiteId>,
    ) -> Result<Self, StoreError> {
        let everything = Page::everything();
        let record = branches::find(conn, branch)?;
        let site_records = match only {
            None => sites::list(conn, branch, &SiteFilter::default(), everything)?,
            Some(site) => vec![sites::find(conn, branch, site)?],
        };
        let filter = UnitFilter { site: only, ..UnitFilter::default() };
        let unit_records = units::list(conn, branch, &filter, everything)?;
        let filter = ComponentFilter { site: only, ..ComponentFilter::default() };
        let component_records = components::list(conn, branch, &filter, everything)?;
        let filter = ReadingFilter { site: only, ..ReadingFilter::default() };
        let mut by_component: BTreeMap<ComponentId, Vec<ReadingRecord>> = BTreeMap::new();
        for reading in readings::list(conn, branch, &filter, everything)? {
            by_component.entry(reading.component_id).or_default().push(reading);
        }
        for list in by_component.values_mut() {
            list.sort_by(|a, b| a.when().cmp(&b.when()));
        }
        let filter = AgreementFilter { site: only, ..AgreementFilter::default() };
        let mut by_site: BTreeMap<SiteId, Vec<AgreementRecord>> = BTreeMap::new();
        for agreement in agreements::list(conn, branch, &filter, everything)? {
            by_site.entry(agreement.site_id).or_default().push(agreement);
        }
        Ok(Self {
            branch: record,
            sites: site_records.into_iter().map(|site| (site.id, site)).collect(),
            units: unit_records.into_iter().map(|unit| (unit.id, unit)).collect(),
            components: component_records,
            readings: by_component,
            agreements: by_site,
        })
    }

    /// Keeps only these homes, with what belongs to them.
    pub fn keep(&mut self, homes: &BTreeSet<SiteId>) {
        self.sites.retain(|site, _| homes.contains(site));
        self.units.retain(|_, unit| homes.contains(&unit.site_id));
        self.components.retain(|component| self.units.contains_key(&component.unit_id));
        let kept: BTreeSet<ComponentId> = self.components.iter().map(|it| it.id).collect();
        self.readings.retain(|component, _| kept.contains(component));
        self.agreements.retain(|site, _| homes.contains(site));
    }

    /// The machine that a part sits in.
    #[must_use]
    pub fn unit_of(&self, component: &ComponentRecord) -> Option<&UnitRecord> {
        self.units.get(&component.unit_id)
    }

    /// Parts in service.
    pub fn living(&self) -> impl Iterator<Item = &ComponentRecord> {
        self.components.iter().filter(|component| component.ended_on.is_none())
    }

    /// The last day on which the home is under any agreement; `None` while one runs on.
    #[must_use]
    pub fn left_on(&self, site: SiteId) -> Option<NaiveDate> {
        let agreements = self.agreements.get(&site)?;
        agreements
            .iter()
            .map(|agreement| agreement.last_day)
            .collect::<Option<Vec<_>>>()?
            .into_iter()
            .max()
    }

    /// Between which days a part was put in, and what was assumed when nobody knows.
    #[must_use]
    pub fn installed(&self, component: &ComponentRecord) -> Installed {
        let unit = self.unit_of(component);
        let unit_earliest = unit.and_then(|unit| unit.installed_earliest);
        let unit_latest = unit.and_then(|unit| unit.installed_latest);
        let latest_possible = component.observed_from;
        let latest = component.installed_latest.unwrap_or_else(|| {
            if component.installed_earliest.is_none() { latest_possible } else { NaiveDate::MAX }
        });
        let latest = latest.min(component.ended_on.unwrap_or(NaiveDate::MAX));
        let earliest = component.installed_earliest.or(unit_earliest);
        match (earliest, component.installed_latest.or(unit_latest)) {
            (Some(first), _) => {
                let last =
                    if latest == NaiveDate::MAX { latest_possible.max(first) } else { latest };
                Installed {
                    between: ordered(first, last),
                    assumed: component.installed_earliest.is_none(),
                }
            }
            (None, Some(last)) => Installed { between: guessed(last.min(latest)), assumed: true },
            (None, None) => {
                Installed { between: guessed(latest.min(latest_possible)), assumed: true }
            }
        }
    }
}

/// When a part was put in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Installed {
    /// First and last possible day.
    pub between: DateRange,
    /// Whether the first day is the unit's or a guess, because the part's own is not known.
    pub assumed: bool,
}

/// Years before the last possible day that a part with no known day may have been put in: the
/// usual life of the most common part (common practice, no source).
const UNKNOWN_YEARS_BACK: u32 = 10;

fn guessed(last: NaiveDate) -> DateRange {
    let first =
        last.checked_sub_months(chrono::Months::new(12 * UNKNOWN_YEARS_BACK)).unwrap_or(last);
    DateRange { first, last }
}

fn ordered(first: NaiveDate, last: NaiveDate) -> DateRange {
    DateRange { first, last: last.max(first) }
}
