//! Quantiles: linear between order statistics (type 7 of Hyndman & Fan, The American Statistician
//! 50 (1996) 361-365, the default of numpy and R), and its form for weighted members.

/// Type-7 quantile of values already in ascending order; none when empty.
///
/// `probability` is limited to 0..=1.
pub fn quantile_sorted(ascending: &[f64], probability: f64) -> Option<f64> {
    let last = ascending.len().checked_sub(1)?;
    let position = probability.clamp(0.0, 1.0) * last as f64;
    let below = position.floor() as usize;
    let low = *ascending.get(below)?;
    let high = *ascending.get(below + 1).unwrap_or(&low);
    Some(low + (position - below as f64) * (high - low))
}

/// Type-7 quantile of values in any order; none when empty.
pub fn quantile(values: &[f64], probability: f64) -> Option<f64> {
    let mut ascending = values.to_vec();
    ascending.sort_by(f64::total_cmp);
    quantile_sorted(&ascending, probability)
}

/// Quantile of weighted values in ascending order: the position of a value is the sum of the mean
/// weights between neighbours up to it, so that equal weights give type 7.
///
/// Values may be infinite (an event that never comes); a quantile that would lie between a finite
/// and an infinite value is infinite. Weights are not negative; none when they sum to zero.
pub fn weighted_quantile_sorted(ascending: &[(f64, f64)], probability: f64) -> Option<f64> {
    let held: Vec<(f64, f64)> = ascending.iter().copied().filter(|(_, w)| *w > 0.0).collect();
    let (first, _) = *held.first()?;
    let steps = || held.windows(2).map(|pair| f64::midpoint(pair[0].1, pair[1].1));
    let target = probability.clamp(0.0, 1.0) * steps().sum::<f64>();
    let mut reached = 0.0;
    for (pair, step) in held.windows(2).zip(steps()) {
        let ahead = reached + step;
        if target <= ahead {
            let share = (target - reached) / step;
            return Some(between(pair[0].0, pair[1].0, share));
        }
        reached = ahead;
    }
    Some(held.last().map_or(first, |(value, _)| *value))
}

fn between(low: f64, high: f64, share: f64) -> f64 {
    if share <= 1e-12 || low.total_cmp(&high).is_eq() {
        low
    } else if share >= 1.0 - 1e-12 {
        high
    } else {
        low + share * (high - low)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn matches_numpy_default_on_a_small_sample() {
        // numpy.quantile([1, 2, 4, 8], [0.1, 0.5, 0.9]) = 1.3, 3.0, 6.8
        let sample = [8.0, 1.0, 4.0, 2.0];
        for (p, expected) in [(0.1, 1.3), (0.5, 3.0), (0.9, 6.8)] {
            assert!((quantile(&sample, p).unwrap() - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn an_event_that_mostly_never_comes_has_no_median() {
        let members = [(100.0, 1.0), (f64::INFINITY, 1.0), (f64::INFINITY, 1.0)];
        assert_eq!(weighted_quantile_sorted(&members, 0.5), Some(f64::INFINITY));
        assert_eq!(weighted_quantile_sorted(&members, 0.0), Some(100.0));
    }

    proptest! {
        #[test]
        fn equal_weights_give_the_plain_quantile(
            mut values in prop::collection::vec(-50.0..50.0f64, 1..40),
            p in 0.0..=1.0f64,
            weight in 0.01..10.0f64,
        ) {
            values.sort_by(f64::total_cmp);
            let members: Vec<_> = values.iter().map(|v| (*v, weight)).collect();
            let weighted = weighted_quantile_sorted(&members, p).unwrap();
            prop_assert!((weighted - quantile_sorted(&values, p).unwrap()).abs() < 1e-9);
        }
    }
}
