//! The smallest load that keeps the chance of missing a part under a bound.

use std::collections::BTreeMap;

use hotspell_domain::SiteId;
use serde::{Deserialize, Serialize};

use super::counts::shortage_probability;
use super::demand::Demand;
use super::substitution::Substitution;
use crate::gamma_mixture::FrailtyPosterior;

/// One part that may be needed on the truck.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PartNeed {
    /// Where: parts of one site share its frailty.
    pub site: SiteId,
    /// Index of the kind of part wanted.
    pub wanted: usize,
    /// The site's frailty.
    pub frailty: FrailtyPosterior,
    /// Hazard mass at frailty 1 on each weather path.
    pub hazard_mass: Vec<f64>,
    /// Cumulative risk on each path that does not depend on the frailty (drift); infinite for a
    /// part that is to be replaced anyway.
    pub other_risk: Vec<f64>,
}

/// One line of a load list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadLine {
    /// Index of the kind carried.
    pub carried: usize,
    /// How many.
    pub quantity: usize,
    /// Mean number needed.
    pub expected_need: f64,
    /// Probability that more are needed.
    pub shortage_probability: f64,
    /// Indices of the wanted kinds that it serves.
    pub serves: Vec<usize>,
}

/// What to carry, with what remains open.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadList {
    /// Lines by kind.
    pub lines: Vec<LoadLine>,
    /// Upper bound of the probability that any part is missing. Exact for one line; with several
    /// it takes them as independent given the heat, which errs on the safe side because parts of
    /// a site fail together.
    pub chance_of_missing: f64,
    /// The bound that was asked for.
    pub bound: f64,
    /// What the chance would be called by one who ignores the common heat and frailty.
    pub chance_if_unmixed: f64,
    /// Wanted kinds that no carried kind fits; they are not in the chance.
    pub unserved: Vec<usize>,
}

/// A request that cannot be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StockError {
    /// The bound is no probability.
    #[error("the bound {0} is not between 0 and 1")]
    Bound(f64),
    /// Paths differ.
    #[error("need {need} has {found} weather paths, the first has {expected}")]
    Paths {
        /// Index of the need.
        need: usize,
        /// Its paths.
        found: usize,
        /// Expected.
        expected: usize,
    },
    /// A wanted kind without a row in the rule.
    #[error("need {need} wants kind {wanted}, the substitution rule knows {known}")]
    Kind {
        /// Index of the need.
        need: usize,
        /// Kind wanted.
        wanted: usize,
        /// Kinds known.
        known: usize,
    },
}

/// The smallest load, built up one part at a time where it helps most, that keeps the chance of
/// missing any part at or under `bound`.
///
/// # Errors
/// [`StockError`] names the need at fault.
pub fn load_list(
    needs: &[PartNeed],
    substitution: &Substitution,
    bound: f64,
) -> Result<LoadList, StockError> {
    check_needs(needs, substitution, bound)?;
    let mut used = vec![false; substitution.fits.len()];
    for need in needs {
        used[need.wanted] = true;
    }
    let assignment = substitution.assignment(&used);
    let mut by_line: BTreeMap<usize, Vec<&PartNeed>> = BTreeMap::new();
    let mut unserved = Vec::new();
    for need in needs {
        match assignment[need.wanted] {
            Some(carried) => by_line.entry(carried).or_default().push(need),
            None => unserved.push(need.wanted),
        }
    }
    unserved.sort_unstable();
    unserved.dedup();
    let lines: Vec<Demand<'_>> =
        by_line.into_iter().map(|(carried, needs)| Demand::new(carried, needs)).collect();
    let quantities = fill(&lines, bound);
    let chance_if_unmixed = 1.0
        - lines
            .iter()
            .zip(&quantities)
            .map(|(line, &q)| 1.0 - shortage_probability(&line.unmixed, q))
            .product::<f64>();
    Ok(LoadList {
        chance_of_missing: chance_of_missing(&lines, &quantities),
        bound,
        chance_if_unmixed,
        unserved,
        lines: lines.iter().zip(quantities).map(|(line, q)| line.describe(q)).collect(),
    })
}

fn check_needs(
    needs: &[PartNeed],
    substitution: &Substitution,
    bound: f64,
) -> Result<(), StockError> {
    if !(bound > 0.0 && bound < 1.0) {
        return Err(StockError::Bound(bound));
    }
    let expected = needs.first().map_or(0, |need| need.hazard_mass.len());
    for (i, need) in needs.iter().enumerate() {
        for found in [need.hazard_mass.len(), need.other_risk.len()] {
            if found != expected || found == 0 {
                return Err(StockError::Paths { need: i, found, expected });
            }
        }
        if need.wanted >= substitution.fits.len() {
            let known = substitution.fits.len();
            return Err(StockError::Kind { need: i, wanted: need.wanted, known });
        }
    }
    Ok(())
}

fn chance_of_missing(lines: &[Demand<'_>], quantities: &[usize]) -> f64 {
    let paths = lines.first().map_or(0, |line| line.cumulative.len());
    if paths == 0 {
        return 0.0;
    }
    let count = u32::try_from(paths).map_or(f64::MAX, f64::from);
    let enough: f64 = (0..paths)
        .map(|path| {
            lines.iter().zip(quantities).map(|(line, &q)| line.enough(path, q)).product::<f64>()
        })
        .sum();
    (1.0 - enough / count).max(0.0)
}

/// A line whose chance of being enough is not above this on any path lacks a certain need.
const CERTAIN: f64 = 1e-12;

/// Starts from what is needed for certain, then adds the part that lowers the chance of missing
/// one most, until the bound is met.
///
/// Without the certain needs first, two lines that each need a part would both leave the chance
/// at one whatever is added elsewhere, and the truck would fill up with parts that nobody needs.
fn fill(lines: &[Demand<'_>], bound: f64) -> Vec<usize> {
    let full: Vec<usize> = lines.iter().map(|line| line.needs.len()).collect();
    let mut quantities: Vec<usize> = lines
        .iter()
        .zip(&full)
        .map(|(line, &full)| {
            let some_path = |quantity| {
                (0..line.cumulative.len()).any(|path| line.enough(path, quantity) > CERTAIN)
            };
            (0..full).find(|&quantity| some_path(quantity)).unwrap_or(full)
        })
        .collect();
    while chance_of_missing(lines, &quantities) > bound {
        let best = (0..lines.len())
            .filter(|&i| quantities[i] < full[i])
            .map(|i| {
                let mut more = quantities.clone();
                more[i] += 1;
                (i, chance_of_missing(lines, &more))
            })
            .min_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
        let Some((i, _)) = best else { break };
        quantities[i] += 1;
    }
    quantities
}
