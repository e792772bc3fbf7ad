//! Laws of a count, and what a stock means under one.

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

pub(super) fn convolve_in_place(pmf: &mut Vec<f64>, other: &[f64]) {
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
