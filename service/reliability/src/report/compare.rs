//! The log-rank comparison of a table's groups.

use serde::{Deserialize, Serialize};

use super::{ReportError, as_count};
use crate::nonparametric::{CurveError, log_rank};
use crate::table::LifetimeTable;

/// One group of a comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparedGroup {
    /// Name.
    pub group: String,
    /// Sum of weights.
    #[serde(serialize_with = "as_count")]
    pub n: f64,
    /// Failures seen.
    pub observed: f64,
    /// Failures expected if all groups were alike.
    pub expected: f64,
}

/// A log-rank test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CompareReport {
    /// Always `log-rank`.
    pub test: String,
    /// Statistic.
    pub chi_square: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Probability of a larger statistic if all groups were alike.
    pub p_value: f64,
    /// By group, in order of name.
    pub groups: Vec<ComparedGroup>,
}

/// Compares the groups of a table by the log-rank test.
///
/// # Errors
/// [`ReportError::Curve`], naming the line of an interval end.
pub fn compare_report(table: &LifetimeTable, group: &str) -> Result<CompareReport, ReportError> {
    let names = table.texts.get(group).cloned().unwrap_or_default();
    let mut distinct = names.clone();
    distinct.sort();
    distinct.dedup();
    let indices: Vec<usize> =
        names.iter().map(|n| distinct.binary_search(n).unwrap_or(0)).collect();
    let strata = vec![0; indices.len()];
    let found = log_rank(&table.lifetimes, &indices, &strata, 0.0).map_err(|error| {
        ReportError::Curve(match error {
            CurveError::Interval(row) => format!("line {}: {error}", table.lines[row]),
            _ => error.to_string(),
        })
    })?;
    let groups = distinct
        .iter()
        .enumerate()
        .map(|(i, name)| ComparedGroup {
            group: name.clone(),
            n: (0..indices.len())
                .filter(|&row| indices[row] == i)
                .map(|row| table.lifetimes[row].weight)
                .sum(),
            observed: found.observed[i],
            expected: found.expected[i],
        })
        .collect();
    Ok(CompareReport {
        test: "log-rank".to_owned(),
        chi_square: found.chi_square,
        degrees_of_freedom: found.degrees_of_freedom,
        p_value: found.p_value,
        groups,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comparing_names_its_groups() {
        let content = "lower,upper,arm\n3,3,new\n5,,new\n1,1,old\n2,2,old\n";
        let table = LifetimeTable::parse(content, &[], &["arm".to_owned()]).unwrap();
        let found = compare_report(&table, "arm").unwrap();
        assert_eq!(found.groups[1].group, "old");
        let (seen, expected) = (found.groups[1].observed, found.groups[1].expected);
        assert!(seen > expected);
    }
}
