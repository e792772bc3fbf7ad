//! One day of a season on its own. As long as nobody moves to another day, no day knows of any other: what
//! one visit would cost on each is found day by day, with the trips of that day alone, where the whole
//! problem needs a table of all trips.

use std::collections::BTreeMap;

use super::problem::{SeasonProblem, Technician, Visit};
use crate::error::PlanningError;
use crate::travel::{TravelTable, TravelTimes};

/// For each technician-day (day, technician) the visits in order.
type Sequences = [(usize, usize, Vec<usize>)];

/// The visits of one day and the one that is asked about; days and technicians keep their numbers.
pub(crate) struct OneDay {
    /// Nobody works on the other days.
    pub(crate) problem: SeasonProblem,
    /// What stands on the day.
    pub(crate) sequences: Vec<(usize, usize, Vec<usize>)>,
    /// The visit that is asked about.
    pub(crate) visit: usize,
}

impl OneDay {
    /// Takes a day out of a problem whose trips may come from any source.
    ///
    /// # Errors
    /// If a visit is unknown or a time of travel is none.
    pub(crate) fn of<T: TravelTimes>(
        whole: &SeasonProblem<T>,
        sequences: &Sequences,
        day: usize,
        visit: usize,
    ) -> Result<Self, PlanningError> {
        let mut visits = Chosen::default();
        let asked = visits.number(visit);
        let sequences = sequences
            .iter()
            .filter(|(at, _, _)| *at == day)
            .map(|(at, technician, stops)| {
                (*at, *technician, stops.iter().map(|stop| visits.number(*stop)).collect())
            })
            .collect();
        let mut places = Chosen::default();
        let technicians =
            whole.technicians.iter().map(|person| on(day, person, &mut places)).collect();
        let visits = visits
            .list
            .iter()
            .map(|index| {
                let visit = known(whole, *index)?;
                let allowed = visit.days.iter().copied().filter(|at| *at == day).collect();
                let location = places.number(visit.location);
                Ok(Visit { days: allowed, location, ..visit.clone() })
            })
            .collect::<Result<_, PlanningError>>()?;
        let locations = whole.travel.locations();
        if let Some(place) = places.list.iter().find(|place| **place >= locations) {
            return Err(PlanningError::Content(format!(
                "location {place} is not among the {locations} locations"
            )));
        }
        let problem = SeasonProblem {
            days: whole.days,
            travel: TravelTable::build(&Among { times: &whole.travel, places: &places.list })?,
            profile: whole.profile.clone(),
            technicians,
            visits,
            late_cost_per_day_s: whole.late_cost_per_day_s,
            fairness: whole.fairness,
        };
        Ok(Self { problem, sequences, visit: asked })
    }
}

/// A visit of the problem.
///
/// # Errors
/// If there is no such visit.
pub(crate) fn known<T>(problem: &SeasonProblem<T>, visit: usize) -> Result<&Visit, PlanningError> {
    let visits = problem.visits.len();
    problem.visits.get(visit).ok_or_else(|| {
        PlanningError::Content(format!("visit {visit} is not among the {visits} visits"))
    })
}

/// The person with the shift of that day only.
fn on(day: usize, person: &Technician, places: &mut Chosen) -> Technician {
    let shifts = person.shifts.iter().enumerate();
    Technician {
        start_location: places.number(person.start_location),
        end_location: places.number(person.end_location),
        shifts: shifts.map(|(at, shift)| shift.filter(|_| at == day)).collect(),
        skills: person.skills,
    }
}

/// Some of many things, numbered anew in the order in which they were first asked for.
#[derive(Default)]
struct Chosen {
    list: Vec<usize>,
    seen: BTreeMap<usize, usize>,
}

impl Chosen {
    fn number(&mut self, of: usize) -> usize {
        *self.seen.entry(of).or_insert_with(|| {
            self.list.push(of);
            self.list.len() - 1
        })
    }
}

/// The trips between some of the places.
struct Among<'a, T> {
    times: &'a T,
    places: &'a [usize],
}

impl<T: TravelTimes> TravelTimes for Among<'_, T> {
    fn locations(&self) -> usize {
        self.places.len()
    }

    fn seconds(&self, from: usize, to: usize) -> i32 {
        self.times.seconds(self.places[from], self.places[to])
    }

    fn obeys_triangle_inequality(&self) -> bool {
        self.times.obeys_triangle_inequality()
    }
}
