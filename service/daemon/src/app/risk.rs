//! Risk of homes from the scores of their parts.

use std::collections::BTreeMap;

use hotspell_domain::{ComponentId, SiteId};
use hotspell_reliability::horizon::{self, HorizonPoint};

/// For each home, the failures to be expected by each date: the sum over its parts in service, which are
/// given with their homes.
#[must_use]
pub fn by_site(
    living: &[(ComponentId, SiteId)],
    curves: &BTreeMap<ComponentId, Vec<HorizonPoint>>,
) -> BTreeMap<SiteId, Vec<HorizonPoint>> {
    let mut sites: BTreeMap<SiteId, Vec<HorizonPoint>> = BTreeMap::new();
    for (component, site) in living {
        if let Some(curve) = curves.get(component) {
            horizon::add(sites.entry(*site).or_default(), curve);
        }
    }
    sites
}
