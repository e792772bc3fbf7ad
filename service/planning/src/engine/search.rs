//! The search state of one thread: routes, unplaced visits, cached insertions; one iteration ruins a few
//! slots and recreates them.

mod cross;
mod recreate;
mod ruin;
mod steps;

use std::sync::atomic::{AtomicBool, Ordering};

use super::dice::Dice;
use super::gaps::Gaps;
use super::model::Model;
use super::route::{NONE, Place, Route};

/// Knobs of the search; the defaults are those of the paper unless said otherwise.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Settings {
    /// Mean number of visits removed in an iteration.
    pub(crate) removed: f64,
    /// Longest string removed from one slot.
    pub(crate) string: usize,
    /// Chance that a place is overlooked.
    pub(crate) blink: f64,
    /// Unplaced visits tried again in one iteration (own; bounds the work when many are unplaced).
    pub(crate) retries: usize,
    /// Chance that only slots which the seed visit may enter are ruined (own: at random days, most
    /// neighbours' slots are of no use to each other).
    pub(crate) compatible: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self { removed: 10.0, string: 10, blink: 0.01, retries: 12, compatible: 0.8 }
    }
}

impl Settings {
    /// The defaults, but that in a small problem, where greedy choices soon repeat themselves, more places
    /// are overlooked.
    pub(crate) fn for_visits(visits: usize) -> Self {
        let settings = Self::default();
        let blink = (1.0 / visits.max(1) as f64).clamp(settings.blink, 0.15);
        Self { blink, ..settings }
    }
}

/// Best insertion of a visit into a slot's content of a given version; and the cost of the candidate, to
/// be read in one go.
#[derive(Debug, Clone, Copy)]
struct Cached {
    cost: i32,
    version: u32,
    place: Place,
}

/// One iteration in so many exchanges the ends, or all, of two slots' sequences instead of ruining.
const CROSSING_ONE_IN: usize = 16;

/// Where all slots are alike, one iteration in so many opens empty ones more easily.
const EAGER_ONE_IN: usize = 8;
/// While visits are unplaced, one iteration in so many may place them at a loss.
const GENEROUS_ONE_IN: usize = 8;

/// Version of a slot that the running iteration has changed; no cache entry has it.
const CHANGING: u32 = u32::MAX;

/// Routes and where each visit is.
#[derive(Debug, Clone)]
pub(crate) struct Solution {
    pub(crate) routes: Vec<Route>,
    pub(crate) slot_of: Vec<u32>,
    pub(crate) placed_cost: Vec<i32>,
    pub(crate) unplaced: Vec<u32>,
    pub(crate) cost: i64,
}

impl Solution {
    /// Objective from scratch.
    pub(crate) fn recount(&self, model: &Model) -> i64 {
        let routes: i64 =
            self.routes.iter().enumerate().map(|(s, route)| route.cost(model, s)).sum();
        let visits = (0..model.visits()).map(|v| {
            let placed = self.slot_of[v] != NONE;
            i64::from(if placed { self.placed_cost[v] } else { model.drop_cost[v] })
        });
        routes + visits.sum::<i64>()
    }
}

/// What an iteration changed, to be taken back if it is not accepted.
#[derive(Debug, Default)]
struct Undo {
    /// Slots and their content before; `used` of them are in use, the rest are spare buffers.
    slots: Vec<(usize, Route)>,
    used: usize,
    /// Visits taken out or tried, with slot and cost before.
    visits: Vec<(u32, u32, i32)>,
}

#[derive(Debug)]
pub(crate) struct Search<'m> {
    model: &'m Model,
    settings: Settings,
    routes: Vec<Route>,
    /// Slot of each visit, or [`NONE`].
    slot_of: Vec<u32>,
    /// Candidate and window cost of each placed visit.
    placed_cost: Vec<i32>,
    /// Visits that are this search's to place.
    unplaced: Vec<u32>,
    /// Objective, with drop costs.
    cost: i64,
    /// Whether each slot is closed: another search's.
    closed: Vec<bool>,
    /// The best solution met, when this search holds all slots.
    best: Option<Solution>,
    dice: Dice,
    cache: Vec<Cached>,
    /// Version of each slot's content; [`CHANGING`] while the iteration has changed it.
    version: Vec<u32>,
    gaps: Gaps,
    /// Open slots with at least one stop, and stops in them.
    used: usize,
    placed: usize,
    undo: Undo,
    next_version: u32,
    version_step: u32,
    /// Places to go until one is overlooked.
    blink_in: i64,
    /// Whether this iteration may place visits at a loss: two visits can be worth a trip that neither is
    /// worth alone, and an insertion that only ever gains would never find it.
    generous: bool,
    /// Share of the price of an empty slot that this iteration overlooks where all slots are alike: greedy
    /// insertion hardly ever opens a route, even where one more would shorten the others.
    eager: f64,
    pending: Vec<u32>,
}

impl<'m> Search<'m> {
    /// A search with nothing placed. `part` of `parts` searches that exchange routes.
    pub(crate) fn new(
        model: &'m Model,
        settings: Settings,
        dice: Dice,
        part: u32,
        parts: u32,
    ) -> Self {
        let n = model.visits();
        let mut routes: Vec<Route> =
            (0..model.slots.len()).map(|slot| Route::empty(model, slot)).collect();
        for route in &mut routes {
            route.version = 1;
        }
        let cached = |cost: i32| Cached { cost, version: 0, place: Place::NOWHERE };
        let mut gaps = Gaps::new(model);
        for (slot, route) in routes.iter().enumerate() {
            gaps.set(model, slot, route.slack, true);
        }
        Self {
            model,
            settings,
            version: vec![1; routes.len()],
            gaps,
            routes,
            slot_of: vec![NONE; n],
            placed_cost: vec![0; n],
            unplaced: (0..n as u32).collect(),
            cost: model.drop_cost.iter().map(|&c| i64::from(c)).sum(),
            closed: vec![false; model.slots.len()],
            best: None,
            dice,
            cache: model.candidates.iter().map(|choice| cached(choice.cost)).collect(),
            used: 0,
            placed: 0,
            undo: Undo::default(),
            next_version: 3 + part,
            version_step: parts,
            blink_in: 0,
            generous: false,
            eager: 0.0,
            pending: Vec::new(),
        }
    }

    /// Objective of all routes, with drop costs.
    pub(crate) fn cost(&self) -> i64 {
        self.cost
    }

    /// All of the current solution, to start other searches from: its versions are none of theirs.
    pub(crate) fn solution(&self) -> Solution {
        let mut routes = self.routes.clone();
        for route in &mut routes {
            route.version = 2;
        }
        Solution {
            routes,
            slot_of: self.slot_of.clone(),
            placed_cost: self.placed_cost.clone(),
            unplaced: self.unplaced.clone(),
            cost: self.cost,
        }
    }

    /// Closes all slots that are not open.
    pub(crate) fn close(&mut self, open: &[bool]) {
        for (slot, open) in open.iter().enumerate() {
            self.closed[slot] = !open;
            self.look(slot);
        }
    }

    /// Takes over a solution; only the slots dealt to `part` may be changed, and only every so many'th
    /// unplaced visit is this search's to place.
    pub(crate) fn load(&mut self, from: &Solution, deal: &[u32], part: u32) {
        self.used = 0;
        self.placed = 0;
        for (slot, route) in from.routes.iter().enumerate() {
            if self.routes[slot].version != route.version {
                self.routes[slot].copy_from(route);
            }
            self.closed[slot] = deal[slot] != part;
            self.look(slot);
            self.version[slot] = route.version;
            if !self.closed[slot] {
                self.used += usize::from(!route.is_empty());
                self.placed += route.stops();
            }
        }
        self.slot_of.copy_from_slice(&from.slot_of);
        self.placed_cost.copy_from_slice(&from.placed_cost);
        self.unplaced.clear();
        let step = self.version_step as usize;
        self.unplaced.extend(from.unplaced.iter().skip(part as usize).step_by(step));
        self.cost = from.cost;
    }

    /// Writes all of this search's solution back.
    pub(crate) fn save(&self, to: &mut Solution) {
        for slot in 0..self.routes.len() {
            self.save_slot(slot, to);
        }
        to.unplaced.clear();
        self.save_unplaced(to);
        to.cost = self.cost;
    }

    /// Writes one slot back.
    pub(crate) fn save_slot(&self, slot: usize, to: &mut Solution) {
        let route = &self.routes[slot];
        if to.routes[slot].version == route.version {
            return;
        }
        to.routes[slot].copy_from(route);
        for node in route.nodes.iter().filter(|node| node.visit != NONE) {
            let v = node.visit as usize;
            to.slot_of[v] = slot as u32;
            to.placed_cost[v] = self.placed_cost[v];
        }
    }

    /// Adds this search's unplaced visits.
    pub(crate) fn save_unplaced(&self, to: &mut Solution) {
        for &visit in &self.unplaced {
            to.slot_of[visit as usize] = NONE;
            to.unplaced.push(visit);
        }
    }

    /// Hands over the best solution met, if this search kept one and it is better.
    pub(crate) fn offer_best(&mut self, best: &mut Solution) {
        if let Some(own) = self.best.as_ref().filter(|own| own.cost < best.cost) {
            best.clone_from(own);
        }
    }

    fn fresh_version(&mut self) -> u32 {
        let version = self.next_version;
        self.next_version = self.next_version.wrapping_add(self.version_step);
        if self.next_version > CHANGING - 2 * self.version_step {
            self.forget_cache();
        }
        version
    }

    /// Starts the numbering of versions anew.
    fn forget_cache(&mut self) {
        for cached in &mut self.cache {
            cached.version = 0;
        }
        self.next_version %= self.version_step;
        self.next_version += 2 * self.version_step;
        for slot in 0..self.routes.len() {
            let version = self.next_version;
            self.next_version += self.version_step;
            self.routes[slot].version = version;
            if self.version[slot] != CHANGING {
                self.version[slot] = version;
            }
        }
    }

    /// Places all that fits by cheapest insertion in the given order.
    pub(crate) fn construct(&mut self, order: &[u32]) {
        self.blink_in = i64::MAX;
        for &visit in order {
            if self.slot_of[visit as usize] == NONE && self.insert_best(visit) {
                self.settle();
            }
        }
        let slot_of = &self.slot_of;
        self.unplaced.retain(|&v| slot_of[v as usize] == NONE);
    }

    /// Puts visits into a slot in order, each at the end with the first window option that keeps the route
    /// feasible; what does not fit stays out.
    pub(crate) fn append_all(&mut self, slot: usize, visits: &[usize]) {
        for &v in visits {
            let Some(entry) = self.model.entry(v, slot) else { continue };
            if self.slot_of[v] != NONE {
                continue;
            }
            let after = self.routes[slot].nodes.len() - 2;
            let windows = self.model.windows_of(v, entry);
            let place = self.routes[slot]
                .best_place(self.model, slot, v, windows, i32::MAX, |i| i != after);
            if place != Place::NOWHERE {
                self.put(v, entry, place);
                self.settle();
            }
        }
        let slot_of = &self.slot_of;
        self.unplaced.retain(|&v| slot_of[v as usize] == NONE);
    }

    /// Makes the changes so far the base of the next iteration.
    fn settle(&mut self) {
        for index in 0..self.undo.used {
            let (slot, before) = &self.undo.slots[index];
            let slot = *slot;
            let now = &self.routes[slot];
            let same = before.same_stops(now);
            let version = before.version;
            self.used = self.used + usize::from(before.is_empty()) - usize::from(now.is_empty());
            self.placed = self.placed + now.stops() - before.stops();
            self.routes[slot].version = if same { version } else { self.fresh_version() };
            self.version[slot] = self.routes[slot].version;
        }
        self.undo.used = 0;
        self.undo.visits.clear();
    }

    fn take_back(&mut self) {
        for index in 0..self.undo.used {
            let (slot, before) = &mut self.undo.slots[index];
            let slot = *slot;
            std::mem::swap(&mut self.routes[slot], before);
            self.look(slot);
            self.version[slot] = self.routes[slot].version;
        }
        self.undo.used = 0;
        for &(visit, slot, cost) in self.undo.visits.iter().rev() {
            self.slot_of[visit as usize] = slot;
            self.placed_cost[visit as usize] = cost;
        }
        self.undo.visits.clear();
    }

    /// Renews what is glanced at of a slot.
    fn look(&mut self, slot: usize) {
        let route = &self.routes[slot];
        let gap = if self.closed[slot] { -1 } else { route.slack };
        self.gaps.set(self.model, slot, gap, route.is_empty());
    }

    /// Remembers a slot before its first change.
    fn touch(&mut self, slot: usize) {
        if self.version[slot] == CHANGING {
            return;
        }
        self.version[slot] = CHANGING;
        if self.undo.used == self.undo.slots.len() {
            self.undo.slots.push((slot, self.routes[slot].clone()));
        } else {
            let spare = &mut self.undo.slots[self.undo.used];
            spare.0 = slot;
            spare.1.copy_from(&self.routes[slot]);
        }
        self.undo.used += 1;
    }

    /// One iteration at a temperature. Returns whether it was accepted.
    pub(crate) fn iterate(&mut self, temperature: f64) -> bool {
        let before = self.cost;
        let limit = before as f64 - temperature * self.dice.unit().ln();
        if self.dice.below(CROSSING_ONE_IN) == 0 {
            let accepted = self.cross() && (self.cost as f64) < limit;
            self.pending.clear();
            self.conclude(accepted, before);
            return accepted;
        }
        self.ruin();
        self.order_pending();
        if self.blink_in <= 0 || self.blink_in == i64::MAX {
            self.blink_in = self.dice.until(self.settings.blink);
        }
        self.generous = !self.unplaced.is_empty() && self.dice.below(GENEROUS_ONE_IN) == 0;
        if self.model.uniform && self.dice.below(EAGER_ONE_IN) == 0 {
            self.eager = self.dice.unit();
        }
        let accepted = self.recreate(limit);
        (self.generous, self.eager) = (false, 0.0);
        self.conclude(accepted, before);
        accepted
    }

    fn conclude(&mut self, accepted: bool, before: i64) {
        if accepted {
            self.settle();
            let pending = std::mem::take(&mut self.pending);
            self.update_unplaced(&pending);
            self.pending = pending;
            self.keep_best();
        } else {
            self.cost = before;
            self.take_back();
        }
    }

    /// From now on remembers the best solution met. Only for a search that holds all slots.
    pub(crate) fn remember(&mut self, best: Solution) {
        self.best = Some(best);
    }

    fn keep_best(&mut self) {
        let Some(mut best) = self.best.take() else { return };
        if self.cost < best.cost {
            self.save(&mut best);
        }
        self.best = Some(best);
    }

    fn update_unplaced(&mut self, pending: &[u32]) {
        let slot_of = &self.slot_of;
        self.unplaced.retain(|&v| slot_of[v as usize] == NONE);
        for &visit in pending {
            if self.slot_of[visit as usize] == NONE && !self.unplaced.contains(&visit) {
                self.unplaced.push(visit);
            }
        }
    }

    /// A random visit that is not in a closed slot.
    fn seed_visit(&mut self) -> Option<u32> {
        let n = self.model.visits();
        for _ in 0..64 {
            let visit = self.dice.below(n);
            let slot = self.slot_of.get(visit)?;
            if *slot == NONE || !self.closed[*slot as usize] {
                return Some(visit as u32);
            }
        }
        None
    }

    /// Runs a number of iterations while the temperature falls from one value to another.
    pub(crate) fn anneal(
        &mut self,
        iterations: u64,
        hot: f64,
        cold: f64,
        stop: &AtomicBool,
    ) -> u64 {
        let factor = (cold / hot).powf(1.0 / iterations.max(1) as f64);
        let mut temperature = hot;
        for iteration in 0..iterations {
            if iteration % 64 == 0 && stop.load(Ordering::Relaxed) {
                return iteration;
            }
            self.iterate(temperature);
            temperature *= factor;
        }
        iterations
    }
}
