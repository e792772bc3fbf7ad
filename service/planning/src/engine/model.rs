//! The problem as the search sees it.

use super::route::{Place, Route};
use crate::season::problem::{Break, Fairness};
use crate::travel::{DayProfile, TravelTable, TravelTimes};

/// One vehicle or technician-day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Slot {
    pub(crate) start_location: u32,
    pub(crate) end_location: u32,
    pub(crate) start_s: i32,
    pub(crate) end_s: i32,
    pub(crate) capacity: i32,
    /// Cost of using the slot at all.
    pub(crate) fixed_cost: i32,
    pub(crate) pause: Option<Break>,
    /// Slots that belong together (the technicians of one day).
    pub(crate) group: u32,
}

/// One way to start the work of a visit in a slot: a span and what it costs to use it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct WindowOption {
    pub(crate) start_s: i32,
    pub(crate) end_s: i32,
    pub(crate) cost: i32,
}

/// A visit's candidate slot, while a model is built.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Candidate {
    pub(crate) slot: u32,
    pub(crate) cost: i32,
    /// First of its window options in [`Model::windows`].
    pub(crate) window: u32,
    pub(crate) windows: u32,
}

/// What the search reads of each candidate; small, for it is read most.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Choice {
    pub(crate) slot: u32,
    pub(crate) cost: i32,
}

/// See the parent module. Read-only while the search runs; shared by all threads.
#[derive(Debug)]
pub(crate) struct Model {
    pub(crate) slots: Vec<Slot>,
    pub(crate) location: Vec<u32>,
    pub(crate) duration: Vec<i32>,
    pub(crate) demand: Vec<i32>,
    pub(crate) drop_cost: Vec<i32>,
    /// Candidates of visit v: `candidates[first[v]..first[v + 1]]`, by slot.
    pub(crate) first: Vec<usize>,
    pub(crate) candidates: Vec<Choice>,
    /// First and number of the window options of each candidate.
    pub(crate) options: Vec<(u32, u32)>,
    pub(crate) windows: Vec<WindowOption>,
    pub(crate) travel: TravelTable,
    pub(crate) profile: Option<DayProfile>,
    pub(crate) fairness: Option<Fairness>,
    /// One bit for each pair of visit and slot: whether the slot is a candidate. `words` words a visit.
    may: Vec<u64>,
    words: usize,
    /// Candidates of a visit before each word of `may`.
    rank: Vec<u32>,
    /// Least cost of a visit's candidates within each word of `may`.
    least: Vec<i32>,
    /// Least that a visit can cost, placed or not.
    pub(crate) price: Vec<i32>,
    /// First and number of the window options that all candidates of a visit share; none if they differ.
    shared_options: Vec<(u32, u32)>,
    /// Least length of work of each class, ascending.
    pub(crate) shortest: Vec<i32>,
    /// Class of each visit's length of work.
    pub(crate) class: Vec<u8>,
    /// For each visit its nearest other visits, nearest first; `near_count` a visit.
    pub(crate) near: Vec<u32>,
    pub(crate) near_count: usize,
    /// Earliest start and span of the widest window, for insertion orders.
    pub(crate) earliest: Vec<i32>,
    pub(crate) span: Vec<i32>,
    /// Travel from the farthest-used end point, for insertion orders.
    pub(crate) remoteness: Vec<i32>,
    /// Whether all slots are alike for every visit; then only one empty slot is tried.
    pub(crate) uniform: bool,
    /// Largest gain that a detour may have because of rounding.
    pub(crate) detour_floor: i32,
}

/// Most classes of lengths of work.
const CLASSES: usize = 24;

/// Neighbours kept for each visit.
const NEAR: usize = 160;

/// Collects a model visit by visit.
#[derive(Debug)]
pub(crate) struct ModelBuilder {
    model: Model,
    empty: Vec<Route>,
}

impl ModelBuilder {
    pub(crate) fn new(
        slots: Vec<Slot>,
        travel: TravelTable,
        profile: Option<DayProfile>,
        fairness: Option<Fairness>,
    ) -> Self {
        // A detour through a third place can only save time by rounding, one second a leg; tables that
        // do not promise the triangle inequality get no such bound.
        let detour_floor = if travel.obeys_triangle_inequality() { -2 } else { i32::MIN / 4 };
        let uniform = slots.len() > 1 && slots.iter().all(|slot| *slot == slots[0]);
        let model = Model {
            uniform,
            slots,
            location: Vec::new(),
            duration: Vec::new(),
            demand: Vec::new(),
            drop_cost: Vec::new(),
            first: vec![0],
            candidates: Vec::new(),
            options: Vec::new(),
            windows: Vec::new(),
            travel,
            profile,
            fairness,
            may: Vec::new(),
            words: 0,
            rank: Vec::new(),
            least: Vec::new(),
            shared_options: Vec::new(),
            price: Vec::new(),
            shortest: Vec::new(),
            class: Vec::new(),
            near: Vec::new(),
            near_count: 0,
            earliest: Vec::new(),
            span: Vec::new(),
            remoteness: Vec::new(),
            detour_floor,
        };
        let empty = (0..model.slots.len()).map(|slot| Route::empty(&model, slot)).collect();
        Self { model, empty }
    }

    /// Adds window options that candidates may refer to; returns the index of the first.
    pub(crate) fn add_windows(&mut self, options: &[WindowOption]) -> u32 {
        let first = self.model.windows.len();
        self.model.windows.extend_from_slice(options);
        first as u32
    }

    /// Adds a visit; candidates that do not even fit into an empty slot are left out.
    pub(crate) fn add_visit(
        &mut self,
        location: u32,
        duration: i32,
        demand: i32,
        drop_cost: i32,
        candidates: impl IntoIterator<Item = Candidate>,
    ) {
        let model = &mut self.model;
        let visit = model.location.len();
        model.location.push(location);
        model.duration.push(duration);
        model.demand.push(demand);
        model.drop_cost.push(drop_cost);
        let mut fitting: Vec<Candidate> = Vec::new();
        for candidate in candidates {
            let slot = candidate.slot as usize;
            let windows = &model.windows[candidate.window as usize..][..candidate.windows as usize];
            let empty = &self.empty[slot];
            let place = empty.best_place(model, slot, visit, windows, i32::MAX, |_| false);
            if place != Place::NOWHERE {
                fitting.push(candidate);
            }
        }
        fitting.sort_unstable_by_key(|c| c.slot);
        let least = fitting.iter().map(|c| c.cost).min().unwrap_or(i32::MAX);
        model.price.push(drop_cost.min(least.saturating_add(model.detour_floor)));
        let shared = fitting.first().map_or((0, 0), |c| (c.window, c.windows));
        let differ = fitting.iter().any(|c| (c.window, c.windows) != shared);
        model.shared_options.push(if differ { (0, 0) } else { shared });
        model.candidates.extend(fitting.iter().map(|c| Choice { slot: c.slot, cost: c.cost }));
        model.options.extend(fitting.iter().map(|c| (c.window, c.windows)));
        model.first.push(model.candidates.len());
        let widest = fitting
            .iter()
            .map(|c| model.windows[c.window as usize + c.windows as usize - 1])
            .max_by_key(|w| w.end_s - w.start_s)
            .unwrap_or(WindowOption { start_s: 0, end_s: 0, cost: 0 });
        model.earliest.push(widest.start_s);
        model.span.push(widest.end_s - widest.start_s);
        let row = model.travel.row_to(location as usize);
        let far = fitting
            .iter()
            .map(|c| row[model.slots[c.slot as usize].start_location as usize])
            .min()
            .unwrap_or(0);
        model.remoteness.push(far);
    }

    /// A model for looking at routes one by one; without what only a search needs.
    pub(crate) fn build_plain(self) -> Model {
        self.model
    }

    pub(crate) fn build(mut self) -> Model {
        let model = &mut self.model;
        let n = model.location.len();
        model.words = model.slots.len().div_ceil(64);
        model.may = vec![0; n * model.words];
        for visit in 0..n {
            for choice in &model.candidates[model.first[visit]..model.first[visit + 1]] {
                let slot = choice.slot as usize;
                model.may[visit * model.words + slot / 64] |= 1 << (slot % 64);
            }
        }
        model.rank_candidates();
        model.classify();
        let keep = NEAR.min(n.saturating_sub(1));
        model.near_count = keep;
        model.near = Vec::with_capacity(n * keep);
        let mut order: Vec<(i32, u32)> = Vec::with_capacity(n);
        for visit in 0..n {
            let row = model.travel.row_from(model.location[visit] as usize);
            order.clear();
            order.extend(
                (0..n).filter(|&w| w != visit).map(|w| (row[model.location[w] as usize], w as u32)),
            );
            if keep > 0 && keep < order.len() {
                order.select_nth_unstable(keep - 1);
                order.truncate(keep);
            }
            order.sort_unstable();
            model.near.extend(order.iter().map(|&(_, w)| w));
        }
        self.model
    }
}

impl Model {
    pub(crate) fn visits(&self) -> usize {
        self.location.len()
    }

    pub(crate) fn candidates_of(&self, visit: usize) -> &[Choice] {
        &self.candidates[self.first[visit]..self.first[visit + 1]]
    }

    fn rank_candidates(&mut self) {
        self.rank = Vec::with_capacity(self.may.len());
        self.least = vec![i32::MAX; self.may.len()];
        for visit in 0..self.visits() {
            for choice in &self.candidates[self.first[visit]..self.first[visit + 1]] {
                let least = &mut self.least[visit * self.words + choice.slot as usize / 64];
                *least = choice.cost.min(*least);
            }
        }
        for row in self.may.chunks(self.words.max(1)) {
            let mut before = 0;
            for word in row {
                self.rank.push(before);
                before += word.count_ones();
            }
        }
    }

    fn classify(&mut self) {
        let mut lengths = self.duration.clone();
        lengths.sort_unstable();
        lengths.dedup();
        let step = lengths.len().div_ceil(CLASSES).max(1);
        self.shortest = lengths.into_iter().step_by(step).collect();
        let class = |length: &i32| self.shortest.partition_point(|s| s <= length).saturating_sub(1);
        self.class = self.duration.iter().map(|length| class(length) as u8).collect();
    }

    /// The candidate entry of a visit for a slot, if it may go there.
    pub(crate) fn entry(&self, visit: usize, slot: usize) -> Option<usize> {
        self.may(visit, slot).then(|| self.entry_of_allowed(visit, slot))
    }

    /// The candidate entry of a visit for a slot that it may go to.
    #[inline]
    pub(crate) fn entry_of_allowed(&self, visit: usize, slot: usize) -> usize {
        let word = visit * self.words + slot / 64;
        let below = self.may[word] & ((1 << (slot % 64)) - 1);
        self.first[visit] + self.rank[word] as usize + below.count_ones() as usize
    }

    /// Words of 64 slots.
    pub(crate) fn words(&self) -> usize {
        self.words
    }

    /// The slots that a visit may go to, one bit each.
    #[inline]
    pub(crate) fn allowed(&self, visit: usize) -> &[u64] {
        &self.may[visit * self.words..][..self.words]
    }

    /// Whether a visit may go into a slot.
    #[inline]
    pub(crate) fn may(&self, visit: usize, slot: usize) -> bool {
        self.may[visit * self.words + slot / 64] >> (slot % 64) & 1 == 1
    }

    /// Least cost of a visit's candidates among the slots 64 `word`..
    #[inline]
    pub(crate) fn least_cost(&self, visit: usize, word: usize) -> i32 {
        self.least[visit * self.words + word]
    }

    /// Window options of a visit's candidate entry.
    #[inline]
    pub(crate) fn windows_of(&self, visit: usize, entry: usize) -> &[WindowOption] {
        let (first, count) = match self.shared_options[visit] {
            (_, 0) => self.options[entry],
            shared => shared,
        };
        &self.windows[first as usize..][..count as usize]
    }

    pub(crate) fn near(&self, visit: usize) -> &[u32] {
        &self.near[visit * self.near_count..][..self.near_count]
    }

    /// Arrival after a trip of nominal length.
    #[inline]
    pub(crate) fn arrive(&self, departure: i32, nominal: i32) -> i32 {
        match &self.profile {
            None => departure + nominal,
            Some(profile) => profile.arrival(departure, nominal),
        }
    }

    /// Latest departure for an arrival.
    #[inline]
    pub(crate) fn leave(&self, arrival: i32, nominal: i32) -> i32 {
        match &self.profile {
            None => arrival - nominal,
            Some(profile) => profile.latest_departure(arrival, nominal),
        }
    }

    /// Cost of uneven load of a slot with so much work.
    #[inline]
    pub(crate) fn fairness_cost(&self, work: i32) -> i32 {
        match self.fairness {
            None => 0,
            Some(f) => {
                let beyond = i64::from((work - f.comfortable_work_s).max(0));
                i32::try_from(beyond * i64::from(f.cost_per_mille) / 1000).unwrap_or(i32::MAX / 4)
            }
        }
    }
}
