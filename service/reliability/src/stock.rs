//! How many failures, and what a truck must carry.
//!
//! Given the season's heat and the frailty of every site, parts fail independently and the count
//! is Poisson-binomial (Y. Hong, Comput. Stat. Data Anal. 59 (2013) 41-51). Heat is shared by
//! all parts and frailty by the parts of a site, so the count is that law mixed over both; the
//! law of the mean probabilities alone runs short in hot years.

use std::collections::BTreeMap;

use hotspell_domain::SiteId;
use serde::{Deserialize, Serialize};

use crate::gamma_mixture::FrailtyPosterior;

/// Distribution of the number of failures among independent parts: element `n` is the
/// probability of `n`. Exact convolution.
#[must_use]
pub fn poisson_binomial(probabilities: &[f64]) -> Vec<f64> {
    let mut pmf = vec![1.0];
    for &p in probabilities {
        convolve_in_place(&mut pmf, &[1.0 - p, p]);
    }
    pmf
}

fn convolve_in_place(pmf: &mut Vec<f64>, other: &[f64]) {
    let mut result = vec![0.0; pmf.len() + other.len() - 1];
    for (i, a) in pmf.iter().enumerate() {
        for (j, b) in other.iter().enumerate() {
            result[i + j] += a * b;
        }
    }
    *pmf = result;
}

/// Probability that the count exceeds `stock`.
#[must_use]
pub fn shortage_probability(pmf: &[f64], stock: usize) -> f64 {
    pmf.iter().skip(stock + 1).sum()
}

/// Smallest stock whose shortage probability is at most `bound`.
#[must_use]
pub fn smallest_stock(pmf: &[f64], bound: f64) -> usize {
    let mut beyond = 0.0;
    for stock in (0..pmf.len()).rev() {
        if beyond + pmf[stock] > bound {
            return stock;
        }
        beyond += pmf[stock];
    }
    0
}

/// Mean number of parts asked for beyond `stock`.
#[must_use]
pub fn expected_shortage(pmf: &[f64], stock: usize) -> f64 {
    pmf.iter()
        .enumerate()
        .skip(stock + 1)
        .map(|(n, p)| u32::try_from(n - stock).map_or(f64::MAX, f64::from) * p)
        .sum()
}

/// Share of the demand that `stock` meets on average.
#[must_use]
pub fn fill_rate(pmf: &[f64], stock: usize) -> f64 {
    let mean: f64 =
        pmf.iter().enumerate().map(|(n, p)| u32::try_from(n).map_or(f64::MAX, f64::from) * p).sum();
    if mean > 0.0 { 1.0 - expected_shortage(pmf, stock) / mean } else { 1.0 }
}

/// Counts of a Poisson demand up to a negligible tail: replacements of a large base.
#[must_use]
pub fn poisson_counts(mean: f64) -> Vec<f64> {
    counts_by_ratio((-mean).exp(), |n| mean / n)
}

/// Counts of a Poisson demand whose mean is multiplied by a gamma season effect with mean 1 and
/// this variance: negative binomial.
#[must_use]
pub fn gamma_mixed_poisson_counts(mean: f64, variance: f64) -> Vec<f64> {
    let size = 1.0 / variance;
    let p = mean / (mean + size);
    counts_by_ratio((-size * (mean / size).ln_1p()).exp(), |n| p * (n - 1.0 + size) / n)
}

fn counts_by_ratio(first: f64, ratio: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut pmf = vec![first];
    let mut sum = first;
    let mut n = 1.0;
    while sum < 1.0 - 1e-15 && n < 1e5 {
        let next = pmf.last().copied().unwrap_or(0.0) * ratio(n);
        pmf.push(next);
        sum += next;
        if next < 1e-18 && n > 10.0 && ratio(n) < 1.0 {
            break;
        }
        n += 1.0;
    }
    pmf
}

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

/// What may be carried for what.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Substitution {
    /// `fits[wanted][carried]`: whether a carried kind may go where the wanted kind was.
    pub fits: Vec<Vec<bool>>,
}

impl Substitution {
    /// From a rule: `fits(wanted, carried)`.
    #[must_use]
    pub fn from_rule(wanted: usize, carried: usize, fits: impl Fn(usize, usize) -> bool) -> Self {
        Self { fits: (0..wanted).map(|w| (0..carried).map(|c| fits(w, c)).collect()).collect() }
    }

    /// Which kind to carry for each wanted kind: the one that fits the most wanted kinds, so that
    /// few kinds serve all (a 370/440 V can serves every voltage); ties go to the lower index.
    fn assignment(&self, used: &[bool]) -> Vec<Option<usize>> {
        let breadth = |c: usize| {
            self.fits.iter().zip(used).filter(|(row, needed)| **needed && row[c]).count()
        };
        self.fits
            .iter()
            .map(|row| {
                (0..row.len())
                    .filter(|&c| row[c])
                    .max_by(|&a, &b| breadth(a).cmp(&breadth(b)).then(b.cmp(&a)))
            })
            .collect()
    }
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

/// The demand for one kind carried.
struct Demand<'a> {
    carried: usize,
    serves: Vec<usize>,
    /// Cumulative distribution per weather path.
    cumulative: Vec<Vec<f64>>,
    unmixed: Vec<f64>,
    expected: f64,
    needs: Vec<&'a PartNeed>,
}

impl<'a> Demand<'a> {
    fn new(carried: usize, needs: Vec<&'a PartNeed>) -> Self {
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

    fn enough(&self, path: usize, quantity: usize) -> f64 {
        self.cumulative[path].get(quantity).copied().unwrap_or(1.0).min(1.0)
    }

    fn describe(&self, quantity: usize) -> LoadLine {
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

/// Probability that none of these parts of one site fails on a path.
fn survival(parts: &[&PartNeed], path: usize) -> f64 {
    let mass: f64 = parts.iter().map(|need| need.hazard_mass[path]).sum();
    let other: f64 = parts.iter().map(|need| need.other_risk[path]).sum();
    parts.first().map_or(1.0, |need| (-other - need.frailty.cumulative_risk(mass)).exp())
}

/// Beyond so many parts at one site the exact sum over subsets gives way to a sum over
/// equally likely slices of the frailty.
const MOST_SUBSET_PARTS: usize = 10;
const FRAILTY_SLICES: u32 = 64;

/// Distribution of the number of failures among the parts of one site, frailty integrated out.
fn site_counts(parts: &[&PartNeed], path: usize) -> Vec<f64> {
    if parts.len() > MOST_SUBSET_PARTS {
        return sliced_counts(parts, path);
    }
    // P(exactly this set survives) by inclusion and exclusion over survivals of larger sets.
    let n = parts.len();
    let none_of = |set: usize| {
        let chosen: Vec<&PartNeed> =
            (0..n).filter(|i| set >> i & 1 == 1).map(|i| parts[i]).collect();
        survival(&chosen, path)
    };
    let survivals: Vec<f64> = (0..1_usize << n).map(none_of).collect();
    let mut exact = survivals;
    for bit in 0..n {
        for set in 0..1_usize << n {
            if set >> bit & 1 == 0 {
                exact[set] -= exact[set | 1 << bit];
            }
        }
    }
    let mut counts = vec![0.0; n + 1];
    for (set, p) in exact.iter().enumerate() {
        counts[n - set.count_ones() as usize] += p.max(0.0);
    }
    counts
}

fn sliced_counts(parts: &[&PartNeed], path: usize) -> Vec<f64> {
    let weight = 1.0 / f64::from(FRAILTY_SLICES);
    let mut counts = vec![0.0; parts.len() + 1];
    for slice in 0..FRAILTY_SLICES {
        let frailty = parts[0].frailty.quantile((f64::from(slice) + 0.5) * weight);
        let probabilities: Vec<f64> = parts
            .iter()
            .map(|need| -(-frailty * need.hazard_mass[path] - need.other_risk[path]).exp_m1())
            .collect();
        for (total, p) in counts.iter_mut().zip(poisson_binomial(&probabilities)) {
            *total += weight * p;
        }
    }
    counts
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const EVEN: FrailtyPosterior = FrailtyPosterior { shape: f64::INFINITY, rate: f64::INFINITY };

    fn need(site: i64, wanted: usize, masses: &[f64], frailty: FrailtyPosterior) -> PartNeed {
        PartNeed {
            site: SiteId(site),
            wanted,
            frailty,
            hazard_mass: masses.to_vec(),
            other_risk: vec![0.0; masses.len()],
        }
    }

    #[test]
    fn certain_needs_of_two_kinds_do_not_fill_the_truck_with_a_third() {
        let unlikely: Vec<PartNeed> = (0..9).map(|site| need(site, 0, &[1e-4], EVEN)).collect();
        let certain = |wanted| PartNeed {
            other_risk: vec![f64::INFINITY],
            ..need(20, wanted, &[1e-4], EVEN)
        };
        let needs: Vec<PartNeed> = unlikely.into_iter().chain([certain(1), certain(2)]).collect();
        let own = Substitution::from_rule(3, 3, |wanted, carried| wanted == carried);
        let list = load_list(&needs, &own, 0.05).unwrap();
        let quantities: Vec<usize> = list.lines.iter().map(|line| line.quantity).collect();
        assert_eq!(quantities, [0, 1, 1]);
    }

    fn voltages() -> Substitution {
        // 0: 370 V, 1: 440 V, 2: 370/440 V.
        Substitution::from_rule(3, 3, |wanted, carried| wanted == 0 || carried >= 1)
    }

    #[test]
    fn every_voltage_is_served_by_one_kind_that_fits_all() {
        let needs: Vec<PartNeed> =
            (0..30).map(|i| need(i64::from(i), (i % 2) as usize, &[0.1], EVEN)).collect();
        let list = load_list(&needs, &voltages(), 0.05).unwrap();
        assert_eq!(list.lines.len(), 1);
        assert_eq!(list.lines[0].serves, vec![0, 1]);
        assert!(list.chance_of_missing <= 0.05 && list.unserved.is_empty());
    }

    #[test]
    fn a_hot_year_needs_more_than_the_mean_says() {
        // One path in five is hot: five times the hazard.
        let masses = [0.05, 0.05, 0.05, 0.05, 0.25];
        let needs: Vec<PartNeed> = (0..60).map(|i| need(i, 0, &masses, EVEN)).collect();
        let list = load_list(&needs, &voltages(), 0.05).unwrap();
        assert!(list.chance_if_unmixed < 0.005, "{}", list.chance_if_unmixed);
        let unmixed_stock = {
            let mean = masses.iter().map(|m| 1.0 - f64::exp(-m)).sum::<f64>() / 5.0;
            smallest_stock(&poisson_binomial(&[mean; 60]), 0.05)
        };
        assert!(list.lines[0].quantity > unmixed_stock + 3);
    }

    #[test]
    fn a_part_to_be_replaced_anyway_is_always_on_the_truck() {
        let mut sure = need(1, 0, &[0.0, 0.0], EVEN);
        sure.other_risk = vec![f64::INFINITY; 2];
        let list = load_list(&[sure], &voltages(), 0.05).unwrap();
        assert_eq!(list.lines[0].quantity, 1);
        assert!(list.chance_of_missing < 1e-12);
    }

    #[test]
    fn a_kind_that_nothing_fits_is_named() {
        let none = Substitution::from_rule(1, 1, |_, _| false);
        let list = load_list(&[need(1, 0, &[0.1], EVEN)], &none, 0.05).unwrap();
        assert_eq!(list.unserved, vec![0]);
    }

    proptest! {
        #[test]
        fn subsets_and_slices_of_the_frailty_agree(
            masses in proptest::collection::vec(0.01_f64..0.6, 1..6),
            variance in 0.1_f64..1.0,
        ) {
            let frailty = FrailtyPosterior::new(variance, 0.0, 0.2);
            let needs: Vec<PartNeed> =
                masses.iter().map(|m| need(1, 0, &[*m], frailty)).collect();
            let parts: Vec<&PartNeed> = needs.iter().collect();
            let exact = site_counts(&parts, 0);
            let sliced = sliced_counts(&parts, 0);
            prop_assert!((exact.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            for (a, b) in exact.iter().zip(&sliced) {
                prop_assert!((a - b).abs() < 4e-3, "{exact:?} {sliced:?}");
            }
        }

        #[test]
        fn the_smallest_stock_meets_the_bound_and_one_less_does_not(
            ps in proptest::collection::vec(0.0_f64..1.0, 1..20), bound in 0.001_f64..0.5,
        ) {
            let pmf = poisson_binomial(&ps);
            let stock = smallest_stock(&pmf, bound);
            prop_assert!(shortage_probability(&pmf, stock) <= bound + 1e-15);
            if stock > 0 {
                prop_assert!(shortage_probability(&pmf, stock - 1) > bound);
            }
        }
    }
}
