//! Something at a home has failed: which of its parts?

/// The chance of each part to be the one that failed, given that exactly one of them did and that they
/// failed independently with these chances: odds over the sum of odds (Bayes). What is not among the parts
/// (a thermostat, a leak of refrigerant) is not counted, so these are shares among the parts on record.
///
/// Parts that fail for certain share everything among themselves; without any chance every share is zero.
#[must_use]
pub fn culprit_shares(chances: &[f64]) -> Vec<f64> {
    let certain = chances.iter().filter(|chance| **chance >= 1.0).count();
    if certain > 0 {
        let share = 1.0 / certain as f64;
        return chances.iter().map(|chance| if *chance >= 1.0 { share } else { 0.0 }).collect();
    }
    let odds: Vec<f64> = chances.iter().map(|chance| chance.max(0.0) / (1.0 - chance)).collect();
    let sum: f64 = odds.iter().sum();
    if sum <= 0.0 {
        return vec![0.0; chances.len()];
    }
    odds.into_iter().map(|odds| odds / sum).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_parts_are_weighed_as_counting_the_cases_does() {
        // Exactly one of two fails: 0.2 x 0.5 against 0.8 x 0.5.
        let shares = culprit_shares(&[0.2, 0.5]);
        assert!((shares[0] - 0.1 / 0.5).abs() < 1e-12, "{shares:?}");
        assert!((shares[1] - 0.4 / 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_part_that_was_seen_failed_is_the_one() {
        assert_eq!(culprit_shares(&[0.3, 1.0, 0.0]), [0.0, 1.0, 0.0]);
        assert_eq!(culprit_shares(&[0.0, 0.0]), [0.0, 0.0]);
        assert_eq!(culprit_shares(&[]), [] as [f64; 0]);
    }
}
