//! Exchanging the ends, or all, of two slots' sequences: what ruining visit by visit seldom finds.

use super::super::route::{NONE, Node};
use super::Search;

/// How many of a visit's neighbours may begin the end that follows it.
const NEAR_ENDS: usize = 24;

impl Search<'_> {
    /// Exchanges what follows after some stop of one slot with what follows in another: the ends of two
    /// routes near each other, or the whole content of two slots. Whether both are feasible.
    pub(super) fn cross(&mut self) -> bool {
        let Some(seed) = self.seed_visit() else { return false };
        let a = self.slot_of[seed as usize];
        if a == NONE {
            return false;
        }
        let whole = !self.model.uniform && self.dice.below(4) == 0;
        let (b, partner) = if whole {
            (self.dice.below(self.routes.len()), NONE)
        } else {
            let near = self.model.near(seed as usize);
            if near.is_empty() {
                return false;
            }
            let partner = near[self.dice.below(near.len().min(NEAR_ENDS))];
            (self.slot_of[partner as usize] as usize, partner)
        };
        let a = a as usize;
        if a == b || b >= self.routes.len() || self.closed[a] || self.closed[b] {
            return false;
        }
        let after = |search: &Self, slot: usize, visit: u32| {
            search.routes[slot].nodes.iter().position(|node| node.visit == visit).unwrap_or(0)
        };
        let (after_a, after_b) =
            if whole { (0, 0) } else { (after(self, a, seed), after(self, b, partner) - 1) };
        self.exchange_ends((a, after_a), (b, after_b))
    }

    /// Exchanges the stops after node `a.1` of slot `a.0` with those after `b.1` of `b.0`.
    fn exchange_ends(&mut self, a: (usize, usize), b: (usize, usize)) -> bool {
        let model = self.model;
        let end = |search: &Self, (slot, after): (usize, usize)| {
            let nodes = &search.routes[slot].nodes;
            (after + 1)..(nodes.len() - 1)
        };
        let (ends_a, ends_b) = (end(self, a), end(self, b));
        let may = |search: &Self, slot: usize, range: std::ops::Range<usize>, to: usize| {
            search.routes[slot].nodes[range].iter().all(|node| model.may(node.visit as usize, to))
        };
        if (ends_a.is_empty() && ends_b.is_empty())
            || !may(self, a.0, ends_a.clone(), b.0)
            || !may(self, b.0, ends_b.clone(), a.0)
        {
            return false;
        }
        self.touch(a.0);
        self.touch(b.0);
        let before = self.routes[a.0].cost(model, a.0) + self.routes[b.0].cost(model, b.0);
        let mut nodes_a = std::mem::take(&mut self.routes[a.0].nodes);
        let mut nodes_b = std::mem::take(&mut self.routes[b.0].nodes);
        let moved_a: Vec<Node> =
            nodes_a.splice(ends_a.clone(), nodes_b[ends_b.clone()].iter().copied()).collect();
        nodes_b.splice(ends_b.clone(), moved_a);
        let new_a = ends_a.start..ends_a.start + ends_b.len();
        let new_b = ends_b.start..ends_b.start + ends_a.len();
        for (slot, nodes, range) in [(a.0, &mut nodes_a, new_a), (b.0, &mut nodes_b, new_b)] {
            for node in &mut nodes[range] {
                self.reassign(node, slot);
            }
        }
        self.routes[a.0].nodes = nodes_a;
        self.routes[b.0].nodes = nodes_b;
        let feasible = self.routes[a.0].refresh(model, a.0) & self.routes[b.0].refresh(model, b.0);
        self.look(a.0);
        self.look(b.0);
        self.cost += self.routes[a.0].cost(model, a.0) + self.routes[b.0].cost(model, b.0) - before;
        feasible
    }

    /// Gives a placed visit to another slot, with the first window option there.
    fn reassign(&mut self, node: &mut Node, slot: usize) {
        let v = node.visit as usize;
        let entry = self.model.entry_of_allowed(v, slot);
        let window = self.model.windows_of(v, entry)[0];
        (node.from, node.until) = (window.start_s, window.end_s);
        self.undo.visits.push((node.visit, self.slot_of[v], self.placed_cost[v]));
        let cost = self.model.candidates[entry].cost + window.cost;
        self.cost += i64::from(cost - self.placed_cost[v]);
        self.placed_cost[v] = cost;
        self.slot_of[v] = slot as u32;
    }
}
