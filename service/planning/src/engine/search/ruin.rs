//! Ruining: strings of visits are taken out of a few slots near each other.

use super::super::route::NONE;
use super::{CHANGING, Search};

impl Search<'_> {
    /// Removes strings of visits near a random one; fills `pending`.
    pub(super) fn ruin(&mut self) {
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
            if slot == NONE || self.closed[slot as usize] || self.version[slot as usize] == CHANGING
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
}
