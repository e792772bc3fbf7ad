//! The demand for one kind carried, over all sites and weather paths.

use std::collections::BTreeMap;

use hotspell_domain::SiteId;

use super::counts::{convolve_in_place, poisson_binomial};
use super::load_list::{LoadLine, PartNeed};
use super::site_counts::{site_counts, survival};

/// The demand for one kind carried.
pub(super) struct Demand<'a> {
    pub(super) carried: usize,
    pub(super) serves: Vec<usize>,
    /// Cumulative distribution per weather path.
    pub(super) cumulative: Vec<Vec<f64>>,
    pub(super) unmixed: Vec<f64>,
    pub(super) expected: f64,
    pub(super) needs: Vec<&'a PartNeed>,
}

impl<'a> Demand<'a> {
    pub(super) fn new(carried: usize, needs: Vec<&'a PartNeed>) -> Self {
        let mut sites: BTreeMap<SiteId, Vec<&PartNeed>> = BTreeMap::new();
        for need in &needs {
            sites.entry(need.site).or_default().push(need);
        }
        let paths = needs.first().map_or(0, |need| need.hazard_mass.len());
        let mut cumulative = Vec::with_capacity(paths);
        for path in 0..paths {
            let mut pmf = vec![1.0];
            for site in sites.values() {
                convolve_in_place(&mut pmf, &site_counts(site, path));
            }
            let mut sum = 0.0;
            cumulative.push(
                pmf.iter()
                    .map(|p| {
                        sum += p;
                        sum
                    })
                    .collect(),
            );
        }
        let count = u32::try_from(paths).map_or(f64::MAX, f64::from);
        let means: Vec<f64> = needs
            .iter()
            .map(|need| (0..paths).map(|path| 1.0 - survival(&[need], path)).sum::<f64>() / count)
            .collect();
        let mut serves: Vec<usize> = needs.iter().map(|need| need.wanted).collect();
        serves.sort_unstable();
        serves.dedup();
        Self {
            carried,
            serves,
            cumulative,
            expected: means.iter().sum(),
            unmixed: poisson_binomial(&means),
            needs,
        }
    }

    pub(super) fn enough(&self, path: usize, quantity: usize) -> f64 {
        self.cumulative[path].get(quantity).copied().unwrap_or(1.0).min(1.0)
    }

    pub(super) fn describe(&self, quantity: usize) -> LoadLine {
        let paths = self.cumulative.len();
        let count = u32::try_from(paths).map_or(f64::MAX, f64::from);
        LoadLine {
            carried: self.carried,
            quantity,
            expected_need: self.expected,
            shortage_probability: (0..paths).map(|p| 1.0 - self.enough(p, quantity)).sum::<f64>()
                / count,
            serves: self.serves.clone(),
        }
    }
}
