//! Failures among the parts of one site on one weather path, frailty integrated out.

use super::counts::poisson_binomial;
use super::load_list::PartNeed;

/// Probability that none of these parts of one site fails on a path.
pub(super) fn survival(parts: &[&PartNeed], path: usize) -> f64 {
    let mass: f64 = parts.iter().map(|need| need.hazard_mass[path]).sum();
    let other: f64 = parts.iter().map(|need| need.other_risk[path]).sum();
    parts.first().map_or(1.0, |need| (-other - need.frailty.cumulative_risk(mass)).exp())
}

/// Beyond so many parts at one site the exact sum over subsets gives way to a sum over
/// equally likely slices of the frailty.
const MOST_SUBSET_PARTS: usize = 10;

const FRAILTY_SLICES: u32 = 64;

/// Distribution of the number of failures among the parts of one site, frailty integrated out.
pub(super) fn site_counts(parts: &[&PartNeed], path: usize) -> Vec<f64> {
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

pub(super) fn sliced_counts(parts: &[&PartNeed], path: usize) -> Vec<f64> {
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
