//! Steps of an iteration one by one, for the benchmarks.

use super::super::model::Choice;
use super::super::route::Place;
use super::Search;

impl Search<'_> {
    /// Ruins, counts what was taken out, and takes it back.
    pub(crate) fn ruin_and_take_back(&mut self) -> usize {
        let before = self.cost;
        self.ruin();
        let count = self.pending.len();
        self.conclude(false, before);
        count
    }

    /// Exchanges the ends of two slots' sequences and takes them back; whether both were feasible.
    pub(crate) fn cross_and_take_back(&mut self) -> bool {
        let before = self.cost;
        let feasible = self.cross();
        self.conclude(false, before);
        feasible
    }

    /// Slots of which the best insertion of a visit, looked at afresh, exists.
    pub(crate) fn insertions(&self, visit: usize) -> usize {
        let model = self.model;
        let fits = |(choice, entry): (&Choice, usize)| {
            let slot = choice.slot as usize;
            let windows = model.windows_of(visit, entry);
            let route = &self.routes[slot];
            route.best_place(model, slot, visit, windows, i32::MAX, |_| false) != Place::NOWHERE
        };
        model.candidates_of(visit).iter().zip(model.first[visit]..).filter(|c| fits(*c)).count()
    }
}
