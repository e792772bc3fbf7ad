//! One slot's sequence with the two times that make an insertion test constant-time: the earliest
//! departure from each stop and the latest arrival at each stop from which the rest is still feasible.
//!
//! A break doubles both: `depart` is then without the break taken so far, `pauses[i].after` with it;
//! `latest` at a stop supposes the break taken, `pauses[i].before` that it is still to come.

use super::model::{Model, WindowOption};
use crate::season::problem::Break;

/// Marks "no visit" (the ends of a route) and "no slot".
pub(crate) const NONE: u32 = u32::MAX;
/// Times that cannot be reached: far from overflow when travel is added.
pub(crate) const NEVER: i32 = 1_000_000_000;

/// A stop, or one of the two ends, of a route.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Node {
    pub(crate) visit: u32,
    pub(crate) location: u32,
    /// Span for the start of work.
    pub(crate) from: i32,
    pub(crate) until: i32,
    pub(crate) service: i32,
    /// Earliest departure.
    pub(crate) depart: i32,
    /// Latest arrival.
    pub(crate) latest: i32,
    /// Nominal travel to the next node.
    pub(crate) leg: i32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Pause {
    after: i32,
    before: i32,
}

/// The best place found for a visit in one slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place {
    /// Change of travel, fixed cost, fairness, and the window option's cost; `i32::MAX` = none.
    pub(crate) delta: i32,
    /// The new stop comes after node `after`.
    pub(crate) after: u16,
    /// Which window option.
    pub(crate) option: u16,
}

impl Place {
    pub(crate) const NOWHERE: Self = Self { delta: i32::MAX, after: 0, option: 0 };
}

/// One slot's content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Route {
    /// Start, stops, end.
    pub(crate) nodes: Vec<Node>,
    pauses: Vec<Pause>,
    pub(crate) travel: i32,
    pub(crate) load: i32,
    pub(crate) work: i32,
    /// Names the content; a cache entry with the same number is valid.
    pub(crate) version: u32,
    /// Upper bound of the work that still fits somewhere; negative when the slot is closed.
    pub(crate) slack: i32,
}

impl Route {
    pub(crate) fn empty(model: &Model, slot: usize) -> Self {
        let s = &model.slots[slot];
        let end = |location, time| Node {
            visit: NONE,
            location,
            from: s.start_s,
            until: s.end_s,
            service: 0,
            depart: time,
            latest: s.end_s,
            leg: 0,
        };
        let mut route = Self {
            nodes: vec![end(s.start_location, s.start_s), end(s.end_location, s.start_s)],
            pauses: Vec::new(),
            travel: 0,
            load: 0,
            work: 0,
            version: 0,
            slack: 0,
        };
        route.refresh(model, slot);
        route
    }

    /// Visits in order.
    pub(crate) fn visits(&self) -> impl Iterator<Item = u32> + '_ {
        self.nodes.iter().map(|node| node.visit).filter(|&visit| visit != NONE)
    }

    pub(crate) fn stops(&self) -> usize {
        self.nodes.len() - 2
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.nodes.len() == 2
    }

    /// Travel, fixed cost and fairness; an empty slot costs nothing.
    pub(crate) fn cost(&self, model: &Model, slot: usize) -> i64 {
        if self.is_empty() {
            return 0;
        }
        i64::from(self.travel)
            + i64::from(model.slots[slot].fixed_cost)
            + i64::from(model.fairness_cost(self.work))
    }

    /// Takes over the content of another route without giving up the buffers.
    pub(crate) fn copy_from(&mut self, other: &Self) {
        self.nodes.clone_from(&other.nodes);
        self.pauses.clone_from(&other.pauses);
        self.travel = other.travel;
        self.load = other.load;
        self.work = other.work;
        self.version = other.version;
        self.slack = other.slack;
    }

    pub(crate) fn same_stops(&self, other: &Self) -> bool {
        self.nodes.len() == other.nodes.len()
            && self
                .nodes
                .iter()
                .zip(&other.nodes)
                .all(|(a, b)| (a.visit, a.from, a.until) == (b.visit, b.from, b.until))
    }

    /// Puts a visit after node `after`; times are stale until [`Self::refresh`].
    pub(crate) fn insert(
        &mut self,
        model: &Model,
        visit: usize,
        after: usize,
        window: WindowOption,
    ) {
        let node = Node {
            visit: visit as u32,
            location: model.location[visit],
            from: window.start_s,
            until: window.end_s,
            service: model.duration[visit],
            depart: 0,
            latest: 0,
            leg: 0,
        };
        self.nodes.insert(after + 1, node);
    }

    /// Recomputes all that follows from the order of the stops. Returns whether every time is kept.
    pub(crate) fn refresh(&mut self, model: &Model, slot: usize) -> bool {
        let s = &model.slots[slot];
        self.travel = 0;
        self.load = 0;
        self.work = 0;
        let last = self.nodes.len() - 1;
        let mut feasible = true;
        for i in 1..=last {
            let leg = model.travel.row_from(self.nodes[i - 1].location as usize)
                [self.nodes[i].location as usize];
            self.nodes[i - 1].leg = leg;
            self.travel += leg;
            let depart = self.nodes[i - 1].depart;
            let node = &mut self.nodes[i];
            let start = model.arrive(depart, leg).max(node.from);
            feasible &= start <= node.until;
            node.depart = start + node.service;
            if node.visit != NONE {
                self.load += model.demand[node.visit as usize];
                self.work += node.service;
            }
        }
        self.nodes[last].latest = s.end_s;
        for i in (0..last).rev() {
            let next = self.nodes[i + 1].latest;
            let node = &mut self.nodes[i];
            node.latest = node.until.min(model.leave(next, node.leg) - node.service);
        }
        if let Some(pause) = s.pause {
            feasible = self.refresh_pauses(model, pause);
        }
        feasible &= self.load <= s.capacity;
        self.slack = self.find_slack(model);
        feasible
    }

    fn refresh_pauses(&mut self, model: &Model, pause: Break) -> bool {
        let last = self.nodes.len() - 1;
        self.pauses.clear();
        self.pauses.resize(last + 1, Pause { after: NEVER, before: -NEVER });
        // Without the break, an infeasible start must not be carried on as if it were kept.
        for i in 1..=last {
            let before = self.nodes[i - 1];
            let node = self.nodes[i];
            let free = if before.depart >= NEVER {
                NEVER
            } else {
                work_end(&node, model.arrive(before.depart, before.leg))
            };
            self.nodes[i].depart = free;
            let carried = if self.pauses[i - 1].after >= NEVER {
                NEVER
            } else {
                work_end(&node, model.arrive(self.pauses[i - 1].after, before.leg))
            };
            let taken = work_end(&node, after_pause(model, pause, before.depart, before.leg));
            self.pauses[i].after = carried.min(taken);
        }
        for i in (0..last).rev() {
            let node = self.nodes[i];
            let fit = |departure: i32| {
                let latest = node.until.min(departure - node.service);
                if latest < node.from { -NEVER } else { latest }
            };
            let later = self.pauses[i + 1].before;
            let later = if later <= -NEVER { -NEVER } else { fit(model.leave(later, node.leg)) };
            let next = self.nodes[i + 1].latest;
            let here = if pause.earliest_s + pause.duration_s <= next {
                fit(pause.latest_s.min(model.leave(next - pause.duration_s, node.leg)))
            } else {
                -NEVER
            };
            self.pauses[i].before = later.max(here);
        }
        self.is_empty() || self.pauses[last].after <= self.nodes[last].until
    }

    fn find_slack(&self, model: &Model) -> i32 {
        let bounded = model.detour_floor > i32::MIN / 8 && model.profile.is_none();
        let mut slack = -1;
        for (i, pair) in self.nodes.windows(2).enumerate() {
            let detour = if bounded { pair[0].leg + model.detour_floor } else { 0 };
            // With a break, the widest gap: not yet taken on the left, taken on the right.
            let left = self.pauses.get(i).map_or(pair[0].depart, |p| p.after.min(pair[0].depart));
            slack = slack.max(pair[1].latest - left - detour);
        }
        slack
    }

    /// The cheapest feasible place for a visit below a limit. `skip(i)` leaves out the place after node i;
    /// it is asked only for places that would otherwise be the best so far.
    pub(crate) fn best_place(
        &self,
        model: &Model,
        slot: usize,
        visit: usize,
        windows: &[WindowOption],
        limit: i32,
        mut skip: impl FnMut(usize) -> bool,
    ) -> Place {
        let s = &model.slots[slot];
        let mut best = Place { delta: limit, ..Place::NOWHERE };
        if self.load + model.demand[visit] > s.capacity {
            return Place::NOWHERE;
        }
        let location = model.location[visit] as usize;
        let (to, from) = (model.travel.row_to(location), model.travel.row_from(location));
        let service = model.duration[visit];
        let mut base = model.fairness_cost(self.work + service);
        if self.is_empty() {
            base += s.fixed_cost;
        } else {
            base -= model.fairness_cost(self.work);
        }
        let mut found = false;
        for (option, window) in windows.iter().enumerate() {
            let extra = base + window.cost;
            for (i, pair) in self.nodes.windows(2).enumerate() {
                let (a, b) = (&pair[0], &pair[1]);
                if s.pause.is_none() {
                    if a.depart > window.end_s {
                        break;
                    }
                    if b.latest < window.start_s + service {
                        continue;
                    }
                }
                let (t1, t2) = (to[a.location as usize], from[b.location as usize]);
                let closed = if self.is_empty() { 0 } else { a.leg };
                let delta = t1 + t2 - closed + extra;
                if delta >= best.delta {
                    continue;
                }
                let fits = match s.pause {
                    None => {
                        let start = model.arrive(a.depart, t1).max(window.start_s);
                        start <= window.end_s && model.arrive(start + service, t2) <= b.latest
                    }
                    Some(pause) => {
                        self.fits_with_pause(model, pause, i, (t1, t2), *window, service)
                    }
                };
                if fits && !skip(i) {
                    best = Place { delta, after: i as u16, option: option as u16 };
                    found = true;
                }
            }
        }
        if found { best } else { Place::NOWHERE }
    }

    /// Whether who leaves the node before `next` at `time` takes the break on the way there: if it cannot
    /// wait, or if it may begin by the arrival and the rest still fits.
    pub(crate) fn pauses_before(
        &self,
        model: &Model,
        pause: Break,
        next: usize,
        time: i32,
    ) -> bool {
        let leg = self.nodes[next - 1].leg;
        let arrival = model.arrive(time, leg);
        let can_wait = self.nodes[next].visit != NONE && arrival <= self.pauses[next].before;
        let can_now = after_pause(model, pause, time, leg) <= self.nodes[next].latest;
        !can_wait || (can_now && arrival >= pause.earliest_s)
    }

    /// Earliest start of the work at a stop, and the latest one up to which every start disturbs no other
    /// stop.
    pub(crate) fn starts(&self, index: usize) -> (i32, i32) {
        let node = &self.nodes[index];
        let Some(pause) = self.pauses.get(index) else {
            return (node.depart - node.service, node.latest);
        };
        // Either the break is still to come after this stop, or it has been taken before it.
        let still = (node.depart < NEVER && node.depart - node.service <= pause.before)
            .then(|| (node.depart - node.service, pause.before));
        let taken = (pause.after < NEVER && pause.after - node.service <= node.latest)
            .then(|| (pause.after - node.service, node.latest));
        match (still, taken) {
            (Some(still), Some(taken)) if taken.0 <= still.1 => {
                (still.0.min(taken.0), still.1.max(taken.1))
            }
            (Some(one), _) | (None, Some(one)) => one,
            (None, None) => (node.from, node.from),
        }
    }

    fn fits_with_pause(
        &self,
        model: &Model,
        pause: Break,
        i: usize,
        (t1, t2): (i32, i32),
        window: WindowOption,
        service: i32,
    ) -> bool {
        let work = |arrival: i32| {
            let start = arrival.max(window.start_s);
            if start > window.end_s { NEVER } else { start + service }
        };
        let open = self.nodes[i].depart;
        let (before, taken) = (self.pauses[i + 1].before, self.nodes[i + 1].latest);
        if open < NEVER {
            let plain = work(model.arrive(open, t1));
            if plain < NEVER
                && (model.arrive(plain, t2) <= before
                    || after_pause(model, pause, plain, t2) <= taken)
            {
                return true;
            }
            let paused = work(after_pause(model, pause, open, t1));
            if paused < NEVER && model.arrive(paused, t2) <= taken {
                return true;
            }
        }
        let carried = self.pauses[i].after;
        if carried >= NEVER {
            return false;
        }
        let late = work(model.arrive(carried, t1));
        late < NEVER && model.arrive(late, t2) <= taken
    }
}

fn work_end(node: &Node, arrival: i32) -> i32 {
    let start = arrival.max(node.from);
    if start > node.until { NEVER } else { start + node.service }
}

/// Arrival when the break is taken between a departure and the end of the trip.
pub(crate) fn after_pause(model: &Model, pause: Break, departure: i32, nominal: i32) -> i32 {
    if departure > pause.latest_s {
        return NEVER;
    }
    model.arrive(departure, nominal).max(pause.earliest_s) + pause.duration_s
}
