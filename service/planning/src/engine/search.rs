//! The search state of one thread: routes, unplaced visits, cached insertions; one iteration ruins a few
//! slots and recreates them.

use std::sync::atomic::{AtomicBool, Ordering};

use super::dice::Dice;
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

/// Best insertion of a visit into a slot's content of a given version.
#[derive(Debug, Clone, Copy)]
struct Cached {
    version: u32,
    place: Place,
}

/// What is read of every slot in every scan, kept small and together.
#[derive(Debug, Clone, Copy)]
struct Glance {
    /// Version of the content; [`CHANGING`] while the iteration has changed it.
    version: u32,
    /// Most work that may still fit; negative for a slot that is closed to this search.
    slack: i32,
    /// Room left of the capacity.
    room: i32,
    empty: bool,
}

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
    glance: Vec<Glance>,
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
        let glance = routes
            .iter()
            .zip(&model.slots)
            .map(|(route, slot)| Glance {
                version: route.version,
                slack: route.slack,
                room: slot.capacity,
                empty: true,
            })
            .collect();
        let cached = Cached { version: 0, place: Place::NOWHERE };
        Self {
            model,
            settings,
            routes,
            slot_of: vec![NONE; n],
            placed_cost: vec![0; n],
            unplaced: (0..n as u32).collect(),
            cost: model.drop_cost.iter().map(|&c| i64::from(c)).sum(),
            closed: vec![false; model.slots.len()],
            best: None,
            dice,
            cache: vec![cached; model.candidates.len()],
            glance,
            used: 0,
            placed: 0,
            undo: Undo::default(),
            next_version: 3 + part,
            version_step: parts,
            blink_in: 0,
            generous: false,
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
            self.glance[slot].version = route.version;
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
        self.cache.fill(Cached { version: 0, place: Place::NOWHERE });
        self.next_version %= self.version_step;
        self.next_version += 2 * self.version_step;
        for slot in 0..self.routes.len() {
            let version = self.next_version;
            self.next_version += self.version_step;
            self.routes[slot].version = version;
            if self.glance[slot].version != CHANGING {
                self.glance[slot].version = version;
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
            let windows = self.model.windows_of(entry);
            let place = self.routes[slot].best_place(self.model, slot, v, windows, |i| i != after);
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
            self.glance[slot].version = self.routes[slot].version;
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
            self.glance[slot].version = self.routes[slot].version;
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
        self.glance[slot].slack = if self.closed[slot] { -1 } else { route.slack };
        self.glance[slot].room = self.model.slots[slot].capacity - route.load;
        self.glance[slot].empty = route.is_empty();
    }

    /// Remembers a slot before its first change.
    fn touch(&mut self, slot: usize) {
        if self.glance[slot].version == CHANGING {
            return;
        }
        self.glance[slot].version = CHANGING;
        if self.undo.used == self.undo.slots.len() {
            self.undo.slots.push((slot, self.routes[slot].clone()));
        } else {
            let spare = &mut self.undo.slots[self.undo.used];
            spare.0 = slot;
            spare.1.copy_from(&self.routes[slot]);
        }
        self.undo.used += 1;
    }

    /// One iteration at a temperature. Returns whether something changed.
    pub(crate) fn iterate(&mut self, temperature: f64) -> bool {
        let before = self.cost;
        self.ruin();
        self.order_pending();
        if self.blink_in <= 0 || self.blink_in == i64::MAX {
            self.blink_in = self.dice.until(self.settings.blink);
        }
        self.generous = !self.unplaced.is_empty() && self.dice.below(GENEROUS_ONE_IN) == 0;
        let pending = std::mem::take(&mut self.pending);
        for &visit in &pending {
            self.insert_best(visit);
        }
        self.generous = false;
        let limit = before as f64 - temperature * self.dice.unit().ln();
        let accepted = (self.cost as f64) < limit;
        if accepted {
            self.settle();
            self.update_unplaced(&pending);
            self.keep_best();
        } else {
            self.cost = before;
            self.take_back();
        }
        self.pending = pending;
        accepted
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

    /// Removes strings of visits near a random one; fills `pending`.
    fn ruin(&mut self) {
        self.pending.clear();
        let model = self.model;
        let mean = if self.used == 0 { 1.0 } else { self.placed as f64 / self.used as f64 };
        let string = (self.settings.string as f64).min(mean).max(1.0);
        let strings = 4.0 * self.settings.removed / (1.0 + string) - 1.0;
        let strings = (self.dice.unit() * strings + 1.0) as usize;
        let Some(seed) = self.seed_visit() else { return };
        let mut ruined = 0;
        let filter = self.dice.unit() < self.settings.compatible;
        for &visit in std::iter::once(&seed).chain(model.near(seed as usize)) {
            if ruined >= strings {
                break;
            }
            let slot = self.slot_of[visit as usize];
            if slot == NONE
                || self.closed[slot as usize]
                || self.glance[slot as usize].version == CHANGING
            {
                continue;
            }
            if filter && !model.may(seed as usize, slot as usize) {
                continue;
            }
            self.remove_string(visit, slot as usize, string);
            ruined += 1;
        }
        self.add_retries();
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

    fn remove_string(&mut self, visit: u32, slot: usize, string: f64) {
        let stops = self.routes[slot].stops();
        let longest = string.min(stops as f64);
        let length = ((self.dice.unit() * longest).ceil() as usize).clamp(1, stops);
        let Some(at) = self.routes[slot].nodes.iter().position(|node| node.visit == visit) else {
            return;
        };
        // Half of the time a string with a kept part in its middle (split string).
        let mut kept = 0;
        if length > 1 && length < stops && self.dice.unit() < 0.5 {
            kept = 1;
            while length + kept < stops && self.dice.unit() > 0.5 {
                kept += 1;
            }
        }
        let whole = length + kept;
        // Start so that the string holds the visit: nodes 1..=stops.
        let low = at.saturating_sub(whole - 1).max(1);
        let high = at.min(stops + 1 - whole);
        let start = low + self.dice.below(high - low + 1);
        let kept_from = start + if kept == 0 { length } else { 1 + self.dice.below(length - 1) };
        self.touch(slot);
        let before = self.routes[slot].cost(self.model, slot);
        let mut nodes = std::mem::take(&mut self.routes[slot].nodes);
        let mut index = 0;
        nodes.retain(|node| {
            let here = index;
            index += 1;
            let inside = (start..start + whole).contains(&here);
            if !inside || (kept_from..kept_from + kept).contains(&here) {
                return true;
            }
            self.forget(node.visit);
            false
        });
        self.routes[slot].nodes = nodes;
        self.routes[slot].refresh(self.model, slot);
        self.look(slot);
        self.cost += self.routes[slot].cost(self.model, slot) - before;
    }

    /// Marks a visit as not placed and puts it on the pending list.
    fn forget(&mut self, visit: u32) {
        let v = visit as usize;
        self.undo.visits.push((visit, self.slot_of[v], self.placed_cost[v]));
        self.cost += i64::from(self.model.drop_cost[v]) - i64::from(self.placed_cost[v]);
        self.slot_of[v] = NONE;
        self.pending.push(visit);
    }

    fn add_retries(&mut self) {
        let count = self.unplaced.len();
        if count <= self.settings.retries {
            for &visit in &self.unplaced {
                self.undo.visits.push((visit, NONE, 0));
                self.pending.push(visit);
            }
            return;
        }
        let start = self.dice.below(count);
        for k in 0..self.settings.retries {
            let visit = self.unplaced[(start + k) % count];
            self.undo.visits.push((visit, NONE, 0));
            self.pending.push(visit);
        }
    }

    /// Puts the pending visits into one of the orders of insertion.
    fn order_pending(&mut self) {
        let model = self.model;
        let mut pending = std::mem::take(&mut self.pending);
        self.dice.shuffle(&mut pending);
        let key = |v: u32| v as usize;
        match self.dice.below(12) {
            0..4 => {}
            4..6 => pending.sort_by_key(|&v| -model.drop_cost[key(v)]),
            6 => pending.sort_by_key(|&v| -model.remoteness[key(v)]),
            7 => pending.sort_by_key(|&v| model.remoteness[key(v)]),
            8 => pending.sort_by_key(|&v| -model.duration[key(v)]),
            9 => pending.sort_by_key(|&v| model.span[key(v)]),
            10 => pending.sort_by_key(|&v| model.earliest[key(v)]),
            _ => pending.sort_by_key(|&v| model.first[key(v) + 1] - model.first[key(v)]),
        }
        self.pending = pending;
    }

    /// Places a visit where it costs least, if that is cheaper than leaving it out.
    fn insert_best(&mut self, visit: u32) -> bool {
        let v = visit as usize;
        let model = self.model;
        let (demand, service) = (model.demand[v], model.duration[v]);
        let worth =
            if self.generous && self.dice.below(2) == 0 { i32::MAX } else { model.drop_cost[v] };
        let mut best = (worth, usize::MAX, Place::NOWHERE);
        let mut met_empty = false;
        for entry in model.first[v]..model.first[v + 1] {
            let candidate = model.candidates[entry];
            if candidate.cost.saturating_add(model.detour_floor) >= best.0 {
                break;
            }
            let slot = candidate.slot as usize;
            let glance = self.glance[slot];
            if glance.slack < service || glance.room < demand {
                continue;
            }
            if glance.empty && model.uniform {
                if met_empty {
                    continue;
                }
                met_empty = true;
            }
            let place = if glance.version == CHANGING {
                self.place_with_blinks(v, entry, slot)
            } else {
                self.blink_in -= 1;
                if self.blink_in < 0 {
                    self.blink_in = self.dice.until(self.settings.blink);
                    continue;
                }
                let cached = &mut self.cache[entry];
                if cached.version != glance.version {
                    let windows = model.windows_of(entry);
                    cached.place = self.routes[slot].best_place(model, slot, v, windows, |_| false);
                    cached.version = glance.version;
                }
                cached.place
            };
            if place.delta == i32::MAX {
                continue;
            }
            let total = candidate.cost.saturating_add(place.delta);
            if total < best.0 {
                best = (total, entry, place);
            }
        }
        if best.1 == usize::MAX {
            return false;
        }
        self.put(v, best.1, best.2);
        true
    }

    fn place_with_blinks(&mut self, v: usize, entry: usize, slot: usize) -> Place {
        let blink_in = &mut self.blink_in;
        let blinks = |_: usize| {
            *blink_in -= 1;
            *blink_in < 0
        };
        let windows = self.model.windows_of(entry);
        let place = self.routes[slot].best_place(self.model, slot, v, windows, blinks);
        if self.blink_in < 0 {
            self.blink_in = self.dice.until(self.settings.blink);
        }
        place
    }

    fn put(&mut self, v: usize, entry: usize, place: Place) {
        let model = self.model;
        let candidate = model.candidates[entry];
        let slot = candidate.slot as usize;
        let window = model.windows_of(entry)[place.option as usize];
        self.touch(slot);
        let before = self.routes[slot].cost(model, slot);
        let route = &mut self.routes[slot];
        route.insert(model, v, place.after as usize, window);
        route.refresh(model, slot);
        self.look(slot);
        self.slot_of[v] = slot as u32;
        self.placed_cost[v] = candidate.cost + window.cost;
        self.cost += self.routes[slot].cost(model, slot) - before + i64::from(self.placed_cost[v])
            - i64::from(model.drop_cost[v]);
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
