//! The fate of one part in one replicate: its random numbers and what follows from them.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, Gamma};

use crate::score::Drifting;

/// Weibull law of one class as drawn for a replicate.
#[derive(Debug, Clone, Copy)]
pub(super) struct DrawnLaw {
    pub(super) shape: f64,
    pub(super) log_scale: f64,
}

impl DrawnLaw {
    /// Cumulative hazard of a reference part.
    fn mass(self, age: f64) -> f64 {
        if age > 0.0 { (self.shape * (age.ln() - self.log_scale)).exp() } else { 0.0 }
    }
}

/// Where a part stands when a stretch of heat begins.
#[derive(Debug, Clone, Copy)]
pub(super) struct Start {
    /// Heat age, equivalent hours.
    pub(super) age: f64,
    /// Heat of the series that was gathered before, equivalent hours of the reference part.
    pub(super) gathered: f64,
    /// Equivalent hours that the part gathers per hour of the series.
    pub(super) rate: f64,
}

/// The random numbers of one part; the same under every plan.
pub(super) struct PartDraw {
    /// Index of the part.
    pub(super) part: usize,
    /// Hazard ratio of its covariates.
    pub(super) effect: f64,
    /// Cumulative hazard gathered until today, at frailty 1.
    pub(super) hazard_now: f64,
    law: DrawnLaw,
    life: f64,
    drift_life: f64,
    second_life: f64,
    /// Whether a check finds a coming failure: it does when this is below its detection.
    pub(super) luck: f64,
}

impl PartDraw {
    pub(super) fn new(
        rng: &mut ChaCha8Rng,
        part: usize,
        law: DrawnLaw,
        effect: f64,
        age: f64,
    ) -> Self {
        Self {
            part,
            effect,
            hazard_now: effect * law.mass(age),
            law,
            life: rng.sample(Exp1),
            drift_life: rng.sample(Exp1),
            second_life: rng.sample(Exp1),
            luck: rng.random(),
        }
    }

    /// Day on which the part fails if nobody comes: suddenly or by drift, whichever is first.
    pub(super) fn first_failure(
        &self,
        frailty: f64,
        drifting: Option<&Drifting>,
        start: Start,
        heat: &[f64],
    ) -> Option<usize> {
        let speed = frailty * self.effect;
        let Some(lines) = drifting else {
            return self.day_of_failure(start, self.life / speed, heat);
        };
        let sudden = self.day_of_failure(start, self.life / (speed * (1.0 - lines.share)), heat);
        let drifted = heat.partition_point(|hours| {
            lines.crossing_risk(start.age, start.rate * hours) < self.drift_life
        });
        let drifted = (drifted < heat.len()).then_some(drifted);
        [sudden, drifted].into_iter().flatten().min()
    }

    /// Day on which the part put in on `day` fails.
    pub(super) fn second_failure(
        &self,
        frailty: f64,
        day: usize,
        rate: f64,
        heat: &[f64],
    ) -> Option<usize> {
        let start = Start { age: 0.0, gathered: heat[day], rate };
        let life = self.second_life / (frailty * self.effect);
        self.day_of_failure(start, life, &heat[day..]).map(|later| later + day)
    }

    /// First day on which the hazard of a reference part, gathered since `start`, exceeds `life`.
    fn day_of_failure(&self, start: Start, life: f64, heat: &[f64]) -> Option<usize> {
        let last = heat.last()? - start.gathered;
        let now = self.law.mass(start.age);
        if self.law.mass(start.age + start.rate * last) - now <= life {
            return None;
        }
        let age_at_failure = ((now + life).ln() / self.law.shape + self.law.log_scale).exp();
        let needed = start.gathered + (age_at_failure - start.age) / start.rate;
        let day = heat.partition_point(|gathered| *gathered < needed);
        (day < heat.len()).then_some(day)
    }
}

/// A site's frailty from its posterior under drawn parameters: gamma with shape
/// `1 / variance + failures` and rate `1 / variance + hazard`.
pub(super) fn draw_frailty(rng: &mut ChaCha8Rng, variance: f64, failures: u32, hazard: f64) -> f64 {
    if variance < 1e-9 {
        return 1.0;
    }
    let shape = 1.0 / variance + f64::from(failures);
    let rate = 1.0 / variance + hazard;
    Gamma::new(shape, 1.0 / rate).map_or(1.0, |law| law.sample(rng))
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;

    use super::*;

    fn part(age: f64) -> PartDraw {
        let law = DrawnLaw { shape: 2.0, log_scale: 1000.0_f64.ln() };
        PartDraw::new(&mut ChaCha8Rng::seed_from_u64(1), 0, law, 1.0, age)
    }

    #[test]
    fn a_part_fails_on_the_day_that_brings_its_hazard_to_its_life() {
        // 100 hours a day, scale 1000, shape 2: hazard 0.25 is reached at 500 hours.
        let heat: Vec<f64> = (1..=10).map(|day| f64::from(day) * 100.0).collect();
        let fails = |age: f64, life: f64| {
            part(age).day_of_failure(Start { age, gathered: 0.0, rate: 1.0 }, life, &heat)
        };
        assert_eq!(fails(0.0, 0.2499), Some(4));
        assert_eq!(fails(0.0, 0.2501), Some(5));
        assert_eq!(fails(0.0, 1.01), None);
        // From 500 hours on, 0.11 more is reached at 600.
        assert_eq!(fails(500.0, 0.1099), Some(0));
    }

    #[test]
    fn a_part_put_in_during_the_season_gathers_only_the_heat_that_follows() {
        let heat: Vec<f64> = (1..=10).map(|day| f64::from(day) * 100.0).collect();
        let mut draw = part(0.0);
        draw.second_life = 0.0899;
        // 300 hours after day 2.
        assert_eq!(draw.second_failure(1.0, 2, 1.0, &heat), Some(5));
        assert_eq!(draw.second_failure(1.0, 8, 1.0, &heat), None);
    }
}
