//! What changed from one plan to the next, typed and in words.

use serde::Serialize;

use crate::season::plan::{SeasonPlan, UnplacedReason};

/// Where a visit stands in a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Placement {
    /// Day of the problem.
    pub day: usize,
    /// Technician of the problem.
    pub technician: usize,
    /// Start of the work.
    pub start_s: i32,
}

/// A visit that both plans have, but not at the same place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Moved {
    /// Index of the visit.
    pub visit: usize,
    /// Before.
    pub from: Placement,
    /// After.
    pub to: Placement,
}

impl Moved {
    /// Whether the day changed.
    #[must_use]
    pub fn day_changed(&self) -> bool {
        self.from.day != self.to.day
    }

    /// Whether the person changed.
    #[must_use]
    pub fn person_changed(&self) -> bool {
        self.from.technician != self.to.technician
    }

    /// How much later on the clock the work starts, in seconds.
    #[must_use]
    pub fn later_s(&self) -> i32 {
        self.to.start_s - self.from.start_s
    }
}

/// A visit that the new plan has and the old one had not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Added {
    /// Index of the visit.
    pub visit: usize,
    /// Where it stands now.
    pub to: Placement,
}

/// A visit that the new plan leaves out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Removed {
    /// Index of the visit.
    pub visit: usize,
    /// Where it stood.
    pub from: Placement,
    /// Why it has no place.
    pub reason: Option<UnplacedReason>,
}

/// The difference between two plans of the same visits.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Difference {
    /// Other day, person or time.
    pub moved: Vec<Moved>,
    /// New in the plan.
    pub added: Vec<Added>,
    /// No longer in the plan.
    pub removed: Vec<Removed>,
    /// Visits of both plans that kept day, person and (within the tolerance) time.
    pub kept: usize,
}

/// Words for what the planner knows by number only.
pub trait Names {
    /// A visit, such as "Ortega, 12 Palm Street".
    fn visit(&self, visit: usize) -> String;
    /// A technician.
    fn technician(&self, technician: usize) -> String;
    /// A day, such as "Tue 14 April".
    fn day(&self, day: usize) -> String;
    /// A time of the day.
    fn time(&self, second: i32) -> String {
        format!("{:02}:{:02}", second / 3600, second / 60 % 60)
    }
}

impl Difference {
    /// Compares two plans. Starts that differ by at most `tolerance_s` on the same day by the same person
    /// count as kept.
    #[must_use]
    pub fn between(before: &SeasonPlan, after: &SeasonPlan, tolerance_s: i32) -> Self {
        let mut difference =
            Self::of_placements(&placements(before), &placements(after), tolerance_s);
        for removed in &mut difference.removed {
            let left = after.unplaced.iter().find(|left| left.visit == removed.visit);
            removed.reason = left.map(|left| left.reason);
        }
        difference
    }

    /// Compares where visits stand, by index; nothing is known of why one has lost its place.
    #[must_use]
    pub fn of_placements(
        before: &[Option<Placement>],
        after: &[Option<Placement>],
        tolerance_s: i32,
    ) -> Self {
        let mut difference = Self::default();
        for visit in 0..before.len().max(after.len()) {
            let at = |list: &[Option<Placement>]| list.get(visit).copied().flatten();
            match (at(before), at(after)) {
                (Some(from), Some(to)) => {
                    let moved = Moved { visit, from, to };
                    let shifted = moved.later_s().abs() > tolerance_s;
                    if moved.day_changed() || moved.person_changed() || shifted {
                        difference.moved.push(moved);
                    } else {
                        difference.kept += 1;
                    }
                }
                (None, Some(to)) => difference.added.push(Added { visit, to }),
                (Some(from), None) => {
                    difference.removed.push(Removed { visit, from, reason: None });
                }
                (None, None) => {}
            }
        }
        difference
    }

    /// Whether nothing changed.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.moved.is_empty() && self.added.is_empty() && self.removed.is_empty()
    }

    /// Share of the visits of both plans that changed their day; the measure of calm for nightly plans.
    #[must_use]
    pub fn day_changes(&self) -> f64 {
        let both = self.kept + self.moved.len();
        let changed = self.moved.iter().filter(|m| m.day_changed()).count();
        if both == 0 { 0.0 } else { changed as f64 / both as f64 }
    }

    /// One sentence a change, for the office.
    #[must_use]
    pub fn sentences(&self, names: &impl Names) -> Vec<String> {
        let added = self.added.iter().map(|added| {
            format!(
                "{} is new: {} at {} with {}.",
                names.visit(added.visit),
                names.day(added.to.day),
                names.time(added.to.start_s),
                names.technician(added.to.technician)
            )
        });
        let removed = self.removed.iter().map(|removed| {
            let why = removed.reason.map_or(String::new(), |reason| format!(": {reason}"));
            format!(
                "{} loses its place on {} with {}{why}.",
                names.visit(removed.visit),
                names.day(removed.from.day),
                names.technician(removed.from.technician)
            )
        });
        let moved = self.moved.iter().map(|moved| move_sentence(moved, names));
        removed.chain(moved).chain(added).collect()
    }
}

fn move_sentence(moved: &Moved, names: &impl Names) -> String {
    let visit = names.visit(moved.visit);
    let (from, to) = (moved.from, moved.to);
    if moved.day_changed() {
        let person = if moved.person_changed() {
            format!(
                "from {} to {}",
                names.technician(from.technician),
                names.technician(to.technician)
            )
        } else {
            format!("still with {}", names.technician(to.technician))
        };
        return format!(
            "{visit} moves from {} to {} at {}, {person}.",
            names.day(from.day),
            names.day(to.day),
            names.time(to.start_s)
        );
    }
    let time = if from.start_s == to.start_s {
        format!("at {} as before", names.time(to.start_s))
    } else {
        let direction = if moved.later_s() > 0 { "later" } else { "earlier" };
        format!("{direction}: {} instead of {}", names.time(to.start_s), names.time(from.start_s))
    };
    if moved.person_changed() {
        return format!(
            "{visit} goes from {} to {} on {}, {time}.",
            names.technician(from.technician),
            names.technician(to.technician),
            names.day(to.day)
        );
    }
    format!(
        "{visit} stays with {} on {}, {time}.",
        names.technician(to.technician),
        names.day(to.day)
    )
}

/// Where each visit stands, by index.
fn placements(plan: &SeasonPlan) -> Vec<Option<Placement>> {
    let stops = plan.routes.iter().flat_map(|route| {
        route.stops.iter().map(move |stop| {
            let to =
                Placement { day: route.day, technician: route.technician, start_s: stop.start_s };
            (stop.visit, to)
        })
    });
    let mut placed = Vec::new();
    for (visit, to) in stops {
        if placed.len() <= visit {
            placed.resize(visit + 1, None);
        }
        placed[visit] = Some(to);
    }
    placed
}
