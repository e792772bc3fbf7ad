//! What may be carried for what.

use serde::{Deserialize, Serialize};

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
    pub(super) fn assignment(&self, used: &[bool]) -> Vec<Option<usize>> {
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
