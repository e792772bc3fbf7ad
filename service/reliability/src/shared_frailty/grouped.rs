//! Lifetimes sorted into the groups that share a frailty.

use super::layout::Layout;
use crate::frailty_law::FrailtyLaw;
use crate::lifetime::{Lifetime, Observation};

#[derive(Debug, Clone)]
pub(super) struct Unit {
    pub(super) class: usize,
    pub(super) log_entry: f64,
    pub(super) end: End,
}

#[derive(Debug, Clone, Copy)]
pub(super) enum End {
    Exact(f64),
    Right(f64),
    Interval(f64, f64),
}

/// Lifetimes sorted into groups that share a frailty.
#[derive(Debug, Clone)]
pub struct GroupedLifetimes {
    pub(super) layout: Layout,
    pub(super) units: Vec<Unit>,
    pub(super) covariates: Vec<f64>,
    pub(super) group_starts: Vec<usize>,
    pub(super) law: FrailtyLaw,
}

/// One lifetime with its class, covariates and group.
#[derive(Debug, Clone, Copy)]
pub struct GroupedUnit<'a> {
    /// Index of the group, in any order.
    pub group: usize,
    /// Index of the class.
    pub class: usize,
    /// The lifetime; its weight is taken as 1.
    pub lifetime: Lifetime,
    /// Covariates, as many as the layout says.
    pub covariates: &'a [f64],
}

impl GroupedLifetimes {
    /// Sorts units into their groups.
    #[must_use]
    pub fn new(layout: Layout, units: &[GroupedUnit<'_>]) -> Self {
        let mut order: Vec<usize> = (0..units.len()).collect();
        order.sort_by_key(|&i| units[i].group);
        let mut sorted = Self {
            layout,
            units: Vec::with_capacity(units.len()),
            covariates: Vec::with_capacity(units.len() * layout.covariates),
            group_starts: Vec::new(),
            law: FrailtyLaw::Gamma,
        };
        let mut last = None;
        for i in order {
            let unit = &units[i];
            if last != Some(unit.group) {
                sorted.group_starts.push(sorted.units.len());
                last = Some(unit.group);
            }
            let end = match unit.lifetime.observation {
                Observation::Exact { age } => End::Exact(age.ln()),
                Observation::RightCensored { age } => End::Right(age.ln()),
                Observation::Interval { after, by } => End::Interval(after.ln(), by.ln()),
            };
            sorted.units.push(Unit { class: unit.class, log_entry: unit.lifetime.entry.ln(), end });
            sorted.covariates.extend_from_slice(unit.covariates);
        }
        sorted.group_starts.push(sorted.units.len());
        sorted
    }

    /// The same lifetimes under another law of the frailty than gamma.
    #[must_use]
    pub fn under(self, law: FrailtyLaw) -> Self {
        Self { law, ..self }
    }

    /// Number of groups.
    #[must_use]
    pub fn groups(&self) -> usize {
        self.group_starts.len() - 1
    }

    /// Where the parameters stand.
    #[must_use]
    pub fn layout(&self) -> Layout {
        self.layout
    }

    pub(super) fn unit(&self, index: usize) -> (&Unit, &[f64]) {
        let p = self.layout.covariates;
        (&self.units[index], &self.covariates[index * p..(index + 1) * p])
    }
}
