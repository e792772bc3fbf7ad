//! What it costs to change what a household was told. The nearer the day and the firmer the word, the
//! dearer; so plans that are made again each night do not make people's days jump.

use crate::season::plan::SeasonPlan;
use crate::season::problem::{Promise, SeasonProblem, Window};

/// How firm a visit's place in the plan is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Standing {
    /// Only in the office's plan.
    Planned,
    /// The household was told.
    Announced,
    /// The household agreed.
    Agreed,
}

/// Prices of change in seconds of a technician's time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stability {
    /// Another day for a visit that is only planned, far ahead.
    pub planned_day_s: i64,
    /// Another day for an announced visit, far ahead.
    pub announced_day_s: i64,
    /// Another day for an agreed visit, far ahead.
    pub agreed_day_s: i64,
    /// Price of another time on the day over that of another day.
    pub time_share: f64,
    /// Price of another person on the day over that of another day.
    pub person_share: f64,
    /// How much dearer a change for today is than one far ahead (3 = four times the price).
    pub nearness: f64,
    /// Days after which that addition has halved.
    pub half_life_days: f64,
}

impl Default for Stability {
    /// Our choice, no source: ten minutes for a planned, one hour for an announced, three hours for an
    /// agreed visit, four times as much for today.
    fn default() -> Self {
        Self {
            planned_day_s: 600,
            announced_day_s: 3_600,
            agreed_day_s: 10_800,
            time_share: 0.5,
            person_share: 0.1,
            nearness: 3.0,
            half_life_days: 3.0,
        }
    }
}

impl Stability {
    /// The promise for a visit that stood on a day with a technician.
    #[must_use]
    pub fn promise(
        &self,
        standing: Standing,
        (day, technician): (usize, usize),
        window: Option<Window>,
        today: usize,
    ) -> Promise {
        let base = match standing {
            Standing::Planned => self.planned_day_s,
            Standing::Announced => self.announced_day_s,
            Standing::Agreed => self.agreed_day_s,
        };
        let ahead = day.saturating_sub(today) as f64;
        let factor = 1.0 + self.nearness * 0.5_f64.powf(ahead / self.half_life_days.max(0.1));
        let price = |share: f64| (base as f64 * factor * share).round() as i64;
        Promise {
            day,
            technician,
            window,
            day_change_cost_s: price(1.0),
            technician_change_cost_s: price(self.person_share),
            time_change_cost_s: price(self.time_share),
        }
    }

    /// Gives every visit of a plan that has no promise yet the one of a planned visit.
    pub fn hold(&self, problem: &mut SeasonProblem, plan: &SeasonPlan, today: usize) {
        for route in &plan.routes {
            for stop in &route.stops {
                let visit = &mut problem.visits[stop.visit];
                if visit.promise.is_none() {
                    let place = (route.day, route.technician);
                    visit.promise = Some(self.promise(Standing::Planned, place, None, today));
                }
            }
        }
    }
}
