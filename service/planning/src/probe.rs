//! Single steps of the search, for the benchmarks only: not part of what the crate offers.

use crate::engine::{Dice, Search, Settings};
use crate::error::PlanningError;
use crate::season::compile::{Compiled, compile};
use crate::season::plan::SeasonPlan;
use crate::season::problem::SeasonProblem;

/// A problem made ready for searches.
pub struct Ready(Compiled);

impl Ready {
    /// Compiles a problem: what every plan, repair and offer pays before its first step.
    ///
    /// # Errors
    /// If the problem is not sound.
    pub fn new(problem: &SeasonProblem) -> Result<Self, PlanningError> {
        compile(problem).map(Self)
    }

    /// A search that holds a plan of the same problem.
    #[must_use]
    pub fn search(&self, plan: &SeasonPlan, seed: u64) -> Steps<'_> {
        let dice = Dice::new(seed, 1);
        let settings = Settings::for_visits(self.0.model.visits());
        let mut search = Search::new(&self.0.model, settings, dice, 0, 1);
        for (day, technician, visits) in plan.sequences() {
            if let Ok(slot) = self.0.slots.binary_search(&(day, technician)) {
                search.append_all(slot, &visits);
            }
        }
        Steps(search)
    }
}

/// A search, one step at a time.
pub struct Steps<'m>(Search<'m>);

impl Steps<'_> {
    /// Ruins and puts everything back; returns the number of visits that were taken out.
    pub fn ruin_and_take_back(&mut self) -> usize {
        self.0.ruin_and_take_back()
    }

    /// Exchanges the ends of two routes, tests both, and puts them back; says whether both kept all times.
    pub fn concatenate_and_take_back(&mut self) -> bool {
        self.0.cross_and_take_back()
    }

    /// Takes out strings of visits, places each where it costs least, accepts or takes back.
    pub fn iterate(&mut self, temperature: f64) -> bool {
        self.0.iterate(temperature)
    }

    /// The best insertion of a visit into every slot that may take it, none remembered; returns the number
    /// of slots that can.
    #[must_use]
    pub fn insertions(&self, visit: usize) -> usize {
        self.0.insertions(visit)
    }
}
