//! What many replicates say: bands, days over capacity, differences between plans.

use serde::{Deserialize, Serialize};

use super::RehearsalInput;

/// Median with a band from the 5th to the 95th percentile.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// 5th percentile.
    pub low: f64,
    /// Median.
    pub median: f64,
    /// 95th percentile.
    pub high: f64,
    /// Mean.
    pub mean: f64,
    /// Standard error of the mean from the number of replicates; 0 for a single one.
    pub standard_error: f64,
}

/// The season under one plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RehearsedPlan {
    /// Name; the first is always «without visits».
    pub name: String,
    /// No-cool calls per day.
    pub calls_per_day: Vec<Band>,
    /// Share of replicates in which a day's calls exceed its capacity, per day.
    pub share_over_capacity: Vec<f64>,
    /// No-cool calls in the season.
    pub calls: Band,
    /// Days on which calls exceed the capacity.
    pub days_over_capacity: Band,
}

/// What one plan spares against another, replicate by replicate on the same fate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanDifference {
    /// Index of the plan in [`Rehearsal::plans`].
    pub plan: usize,
    /// Index of the plan that it is held against; always a smaller one.
    pub against: usize,
    /// Calls that `plan` has less than `against`.
    pub calls_avoided: Band,
    /// Days over capacity that `plan` has less than `against`.
    pub days_over_capacity_avoided: Band,
    /// Share of replicates in which `plan` has fewer calls.
    pub share_with_fewer_calls: f64,
}

/// What a rehearsal found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rehearsal {
    /// Without visits first, then the plans in order.
    pub plans: Vec<RehearsedPlan>,
    /// Every plan against every earlier one, so also against no visits.
    pub differences: Vec<PlanDifference>,
    /// Replicates.
    pub replicates: usize,
    /// Seed.
    pub seed: u64,
}

impl Rehearsal {
    /// The difference of two plans by their indices, if `plan` comes after `against`.
    #[must_use]
    pub fn difference(&self, plan: usize, against: usize) -> Option<&PlanDifference> {
        self.differences.iter().find(|d| d.plan == plan && d.against == against)
    }
}

/// Season totals of one plan, one value per replicate.
struct Totals {
    calls: Vec<f64>,
    days_over: Vec<f64>,
}

/// `outcomes`: per replicate the calls per day of every plan, one plan after the other.
pub(super) fn summarise(input: &RehearsalInput<'_>, outcomes: &[Vec<u16>]) -> Rehearsal {
    let capacity = input.daily_capacity;
    let names =
        core::iter::once("without visits").chain(input.plans.iter().map(|p| p.name.as_str()));
    let totals: Vec<Totals> =
        (0..=input.plans.len()).map(|plan| totals_of(plan, capacity, outcomes)).collect();
    let plans = names
        .zip(&totals)
        .enumerate()
        .map(|(plan, (name, totals))| {
            let days: Vec<Vec<f64>> = (0..capacity.len())
                .map(|day| {
                    let at = plan * capacity.len() + day;
                    outcomes.iter().map(|outcome| f64::from(outcome[at])).collect()
                })
                .collect();
            RehearsedPlan {
                name: name.to_owned(),
                share_over_capacity: days
                    .iter()
                    .zip(capacity)
                    .map(|(calls, most)| share(calls, |calls| calls > *most))
                    .collect(),
                calls_per_day: days.into_iter().map(band).collect(),
                calls: band(totals.calls.clone()),
                days_over_capacity: band(totals.days_over.clone()),
            }
        })
        .collect();
    let pairs = (1..totals.len()).flat_map(|plan| (0..plan).map(move |against| (plan, against)));
    let differences = pairs.map(|(plan, against)| difference(&totals, plan, against)).collect();
    Rehearsal { plans, differences, replicates: input.replicates, seed: input.seed }
}

fn totals_of(plan: usize, capacity: &[f64], outcomes: &[Vec<u16>]) -> Totals {
    let days = capacity.len();
    let calls_of = |outcome: &Vec<u16>| -> Vec<f64> {
        outcome[plan * days..(plan + 1) * days].iter().map(|c| f64::from(*c)).collect()
    };
    let over = |calls: &[f64]| calls.iter().zip(capacity).filter(|(c, most)| c > most).count();
    let (calls, days_over) = outcomes
        .iter()
        .map(calls_of)
        .map(|calls| (calls.iter().sum::<f64>(), float(over(&calls))))
        .unzip();
    Totals { calls, days_over }
}

fn difference(totals: &[Totals], plan: usize, against: usize) -> PlanDifference {
    let less = |of: fn(&Totals) -> &Vec<f64>| -> Vec<f64> {
        of(&totals[against]).iter().zip(of(&totals[plan])).map(|(a, p)| a - p).collect()
    };
    let calls = less(|totals| &totals.calls);
    PlanDifference {
        plan,
        against,
        share_with_fewer_calls: share(&calls, |avoided| avoided > 0.0),
        calls_avoided: band(calls),
        days_over_capacity_avoided: band(less(|totals| &totals.days_over)),
    }
}

fn share(values: &[f64], holds: impl Fn(f64) -> bool) -> f64 {
    float(values.iter().filter(|value| holds(**value)).count()) / float(values.len())
}

fn band(mut values: Vec<f64>) -> Band {
    let count = float(values.len());
    values.sort_by(f64::total_cmp);
    let at = |percent: usize| values[(values.len() - 1) * percent / 100];
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let standard_error = if count > 1.0 { (squares / (count - 1.0) / count).sqrt() } else { 0.0 };
    Band { low: at(5), median: at(50), high: at(95), mean, standard_error }
}

fn float(count: usize) -> f64 {
    u32::try_from(count).map_or(f64::MAX, f64::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_band_names_its_percentiles_and_the_error_of_its_mean() {
        // 0 to 100: mean 50, variance 101 * 102 / 12.
        let found = band((0..=100).map(f64::from).rev().collect());
        assert_eq!((found.low, found.median, found.high, found.mean), (5.0, 50.0, 95.0, 50.0));
        assert!((found.standard_error - (102.0_f64 / 12.0).sqrt()).abs() < 1e-12);
    }
}
