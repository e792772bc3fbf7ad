//! What would have been said in past years, scored against what came.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::dates::year_dates;
use super::ensemble::{EnsembleOptions, climatology_paths, ensemble_with};
use super::outlook::{DateDistribution, base_years, outlook_of_paths, season_range};
use super::{SeasonDefinition, SeasonError};
use crate::series::StationSeries;

/// The events that are scored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HindcastEvent {
    /// Heat begins.
    HeatBegins,
    /// First hot spell.
    FirstHotSpell,
    /// Week of most load.
    PeakWeek,
}

/// Mean scores over the years.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EventScore {
    /// The event.
    pub event: HindcastEvent,
    /// Years scored.
    pub years: usize,
    /// Continuous ranked probability score of the outlook, days; smaller is better (Gneiting &
    /// Raftery, Journal of the American Statistical Association 102 (2007) 359-378).
    pub crps_days: f64,
    /// The same for the past years as they were.
    pub climatology_crps_days: f64,
    /// Share of years inside p10 to p90; 0.8 is right.
    pub coverage: f64,
    /// The same for climatology.
    pub climatology_coverage: f64,
    /// Share of years in which the event came before p10; 0.1 is right.
    pub before_p10: f64,
    /// The same for climatology.
    pub climatology_before_p10: f64,
}

/// A hindcast of one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hindcast {
    /// Station identifier.
    pub station: String,
    /// Month and day on which the outlook is given.
    pub month_day: (u32, u32),
    /// First and last year scored.
    pub years: Option<(i32, i32)>,
    /// By event.
    pub scores: Vec<EventScore>,
}

/// Scores the outlook of each year that is complete and has enough sources.
///
/// An event that never comes counts as the day after the season's last.
///
/// # Errors
/// [`SeasonError::BadSeason`] for a month and day that a year does not have.
pub fn hindcast(
    history: &StationSeries,
    month_day: (u32, u32),
    definition: &SeasonDefinition,
    options: &EnsembleOptions,
) -> Result<Hindcast, SeasonError> {
    let mut tallies = [Tally::default(); 3];
    let mut scored: Option<(i32, i32)> = None;
    for year in history.years().into_iter().flatten() {
        let as_of = NaiveDate::from_ymd_opt(year, month_day.0, month_day.1)
            .ok_or(SeasonError::BadSeason { year, first_month: month_day.0 })?;
        let Some(events) = hindcast_year(history, year, as_of, definition, options)? else {
            continue;
        };
        scored = Some((scored.map_or(year, |(first, _)| first), year));
        for (tally, event) in tallies.iter_mut().zip(&events) {
            tally.add(event);
        }
    }
    let names = [HindcastEvent::HeatBegins, HindcastEvent::FirstHotSpell, HindcastEvent::PeakWeek];
    let scores = names.into_iter().zip(tallies).filter_map(|(event, tally)| tally.mean(event));
    Ok(Hindcast {
        station: history.station.clone(),
        month_day,
        years: scored,
        scores: scores.collect(),
    })
}

/// What was said and what came, as days of the season.
struct Scored {
    came: f64,
    said: Said,
    climatology: Said,
}

struct Said {
    members: Vec<(f64, f64)>,
    p10: f64,
    p90: f64,
}

fn hindcast_year(
    history: &StationSeries,
    year: i32,
    as_of: NaiveDate,
    definition: &SeasonDefinition,
    options: &EnsembleOptions,
) -> Result<Option<[Scored; 3]>, SeasonError> {
    let season = season_range(year, definition)?;
    let base = base_years(history, year);
    let rules = (
        definition.heat_begins.resolve(history, base.clone()),
        definition.first_hot_spell.resolve(history, base),
    );
    let (Some(heat), Some(spell)) = rules else { return Ok(None) };
    let came = year_dates(history, season, &heat, &spell, definition.load_base);
    let Some(came) = came else { return Ok(None) };
    let said = outlook_of_paths(history, year, as_of, definition, |end| {
        ensemble_with(history, as_of, &[], end, options)
    });
    // Climatology alone knows nothing of this year, not even its days so far.
    let alone = outlook_of_paths(history, year, season.first, definition, |end| {
        climatology_paths(history, season.first, end, options.sources)
    });
    let (said, alone) = match (said, alone) {
        (Ok(said), Ok(alone)) => (said, alone),
        (Err(SeasonError::TooFewYears { .. }), _) | (_, Err(SeasonError::TooFewYears { .. })) => {
            return Ok(None);
        }
        (Err(error), _) | (_, Err(error)) => return Err(error),
    };
    let never = season.days() as f64;
    let day = |date: Option<NaiveDate>| {
        date.map_or(never, |date| (date - season.first).num_days() as f64)
    };
    let spoken = |distribution: &DateDistribution| Said {
        members: distribution.paths.iter().map(|path| (day(path.date), path.weight)).collect(),
        p10: day(distribution.p10),
        p90: day(distribution.p90),
    };
    let scored = |came, said, alone| Scored {
        came: day(came),
        said: spoken(said),
        climatology: spoken(alone),
    };
    Ok(Some([
        scored(came.heat_begins, &said.heat_begins, &alone.heat_begins),
        scored(came.first_hot_spell, &said.first_hot_spell, &alone.first_hot_spell),
        scored(came.peak_week, &said.peak_week, &alone.peak_week),
    ]))
}

#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    years: usize,
    crps: [f64; 2],
    covered: [f64; 2],
    early: [f64; 2],
}

impl Tally {
    fn add(&mut self, scored: &Scored) {
        self.years += 1;
        for (at, said) in [&scored.said, &scored.climatology].into_iter().enumerate() {
            let within = scored.came >= said.p10 && scored.came <= said.p90;
            let (Some(crps), Some(covered), Some(early)) =
                (self.crps.get_mut(at), self.covered.get_mut(at), self.early.get_mut(at))
            else {
                continue;
            };
            *crps += ranked_probability_score(&said.members, scored.came);
            *covered += f64::from(u8::from(within));
            *early += f64::from(u8::from(scored.came < said.p10));
        }
    }

    fn mean(self, event: HindcastEvent) -> Option<EventScore> {
        if self.years == 0 {
            return None;
        }
        let [crps_days, climatology_crps_days] = self.crps.map(|sum| sum / self.years as f64);
        let [coverage, climatology_coverage] = self.covered.map(|sum| sum / self.years as f64);
        let [before_p10, climatology_before_p10] = self.early.map(|sum| sum / self.years as f64);
        Some(EventScore {
            event,
            years: self.years,
            crps_days,
            climatology_crps_days,
            coverage,
            climatology_coverage,
            before_p10,
            climatology_before_p10,
        })
    }
}

/// Continuous ranked probability score of weighted members: mean distance to what came less half
/// the mean distance among them.
fn ranked_probability_score(members: &[(f64, f64)], came: f64) -> f64 {
    let to_truth: f64 = members.iter().map(|(value, weight)| weight * (value - came).abs()).sum();
    let among: f64 = members
        .iter()
        .map(|(a, wa)| members.iter().map(|(b, wb)| wa * wb * (a - b).abs()).sum::<f64>())
        .sum();
    to_truth - among / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sure_and_right_word_scores_zero() {
        assert!(ranked_probability_score(&[(100.0, 1.0)], 100.0).abs() < 1e-12);
    }

    #[test]
    fn a_sure_and_wrong_word_scores_its_error() {
        assert!((ranked_probability_score(&[(100.0, 1.0)], 107.0) - 7.0).abs() < 1e-12);
    }

    #[test]
    fn two_even_members_around_the_truth_score_half_their_distance() {
        // E|X - y| - E|X - X'| / 2 = 1 - 0.5
        let score = ranked_probability_score(&[(99.0, 0.5), (101.0, 0.5)], 100.0);
        assert!((score - 0.5).abs() < 1e-12);
    }
}
