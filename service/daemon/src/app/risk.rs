//! Risk of homes from the scores of their parts.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentId, SiteId};
use hotspell_reliability::horizon::{self, HorizonPoint};

use super::fleet::Fleet;

/// For each home, the failures to be expected by each date: the sum over its parts in service.
#[must_use]
pub fn by_site(
    fleet: &Fleet,
    curves: &BTreeMap<ComponentId, Vec<HorizonPoint>>,
) -> BTreeMap<SiteId, Vec<HorizonPoint>> {
    let mut sites: BTreeMap<SiteId, Vec<HorizonPoint>> = BTreeMap::new();
    for component in fleet.living() {
        if let (Some(unit), Some(curve)) = (fleet.unit_of(component), curves.get(&component.id)) {
            horizon::add(sites.entry(unit.site_id).or_default(), curve);
        }
    }
    sites
}
