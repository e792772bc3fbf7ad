//! Recreating: visits are placed one by one where each costs least.

use super::super::route::Place;
use super::{CHANGING, Search};

impl Search<'_> {
    /// Places the pending visits; stops as soon as the objective cannot come below the limit any more.
    pub(super) fn recreate(&mut self, limit: f64) -> bool {
        let pending = std::mem::take(&mut self.pending);
        // What the visits still to come save at most against being left out.
        let saving = |v: u32| {
            i64::from(self.model.drop_cost[v as usize]) - i64::from(self.model.price[v as usize])
        };
        let mut to_save: i64 = pending.iter().map(|&v| saving(v)).sum();
        let mut hopeful = true;
        for &visit in &pending {
            to_save -= i64::from(self.model.drop_cost[visit as usize])
                - i64::from(self.model.price[visit as usize]);
            self.insert_best(visit);
            hopeful = ((self.cost - to_save) as f64) < limit;
            if !hopeful {
                break;
            }
        }
        self.pending = pending;
        hopeful && (self.cost as f64) < limit
    }

    /// Puts the pending visits into one of the orders of insertion.
    pub(super) fn order_pending(&mut self) {
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
    pub(super) fn insert_best(&mut self, visit: u32) -> bool {
        let v = visit as usize;
        let model = self.model;
        let worth =
            if self.generous && self.dice.below(2) == 0 { i32::MAX } else { model.drop_cost[v] };
        let mut best = (worth, usize::MAX, Place::NOWHERE);
        let mut met_empty = false;
        for (word, &allowed) in model.allowed(v).iter().enumerate() {
            let mut left = allowed & self.gaps.open(model.class[v], word);
            if model.least_cost(v, word).saturating_add(model.detour_floor) >= best.0 {
                continue;
            }
            if model.uniform {
                let empty = left & self.gaps.empty(word);
                let first = if met_empty { 0 } else { empty & empty.wrapping_neg() };
                met_empty |= empty != 0;
                left = left & !empty | first;
            }
            while left != 0 {
                let slot = word * 64 + left.trailing_zeros() as usize;
                left &= left - 1;
                let entry = model.entry_of_allowed(v, slot);
                let cost = self.cache[entry].cost;
                if cost.saturating_add(model.detour_floor) >= best.0 {
                    continue;
                }
                if self.eager > 0.0 && self.gaps.empty(word) >> (slot % 64) & 1 == 1 {
                    let place = self.place_in(v, entry, slot, i32::MAX);
                    let asked = (f64::from(place.delta) * (1.0 - self.eager)) as i32;
                    if place != Place::NOWHERE && asked < best.0 - cost {
                        best = (cost + asked, entry, place);
                    }
                    continue;
                }
                let place = self.place_in(v, entry, slot, best.0 - cost);
                if place.delta < best.0 - cost {
                    best = (cost + place.delta, entry, place);
                }
            }
        }
        if best.1 == usize::MAX {
            return false;
        }
        self.put(v, best.1, best.2);
        true
    }

    /// The best place in one slot if it costs less than the limit and is not overlooked.
    #[inline]
    fn place_in(&mut self, v: usize, entry: usize, slot: usize, limit: i32) -> Place {
        let version = self.version[slot];
        if version == CHANGING {
            return self.place_with_blinks(v, entry, slot, limit);
        }
        let cached = &mut self.cache[entry];
        if cached.version != version {
            let windows = self.model.windows_of(v, entry);
            let route = &self.routes[slot];
            cached.place = route.best_place(self.model, slot, v, windows, i32::MAX, |_| false);
            cached.version = version;
        }
        let place = cached.place;
        if place.delta >= limit {
            return Place::NOWHERE;
        }
        self.blink_in -= 1;
        if self.blink_in < 0 {
            self.blink_in = self.dice.until(self.settings.blink);
            return Place::NOWHERE;
        }
        place
    }

    fn place_with_blinks(&mut self, v: usize, entry: usize, slot: usize, limit: i32) -> Place {
        let blink_in = &mut self.blink_in;
        let blinks = |_: usize| {
            *blink_in -= 1;
            *blink_in < 0
        };
        let windows = self.model.windows_of(v, entry);
        let place = self.routes[slot].best_place(self.model, slot, v, windows, limit, blinks);
        if self.blink_in < 0 {
            self.blink_in = self.dice.until(self.settings.blink);
        }
        place
    }

    pub(super) fn put(&mut self, v: usize, entry: usize, place: Place) {
        let model = self.model;
        let candidate = model.candidates[entry];
        let slot = candidate.slot as usize;
        let window = model.windows_of(v, entry)[place.option as usize];
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
}
