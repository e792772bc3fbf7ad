//! From what is known of every part today to one season that can be predicted from what was known
//! before it.

use std::collections::BTreeMap;

use hotspell_domain::ComponentClass;

use super::{BacktestError, Fold, SeasonEnd, known_at};
use crate::drift::{DriftModel, DriftReading};
use crate::ensemble::HeatEnsemble;
use crate::history::{ComponentHistory, HistoryEnd};
use crate::priors::LocalHeat;
use crate::score::{ComponentState, PastPart};

/// One part with its whole history and the heat that the season really brought.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchedPart {
    /// All that is known of it today.
    pub history: ComponentHistory,
    /// Heat age that it had at the origin, equivalent hours; none if it was installed later. A
    /// part that had ended by then may give any age at or above its end.
    pub age_at_origin: Option<f64>,
    /// Heat age at every date of the season, counted on if it ended before.
    pub ages_at_dates: Vec<f64>,
    /// Equivalent hours that it gathers per hour of the ensemble.
    pub heat_rate: f64,
    /// Its readings; those taken after the origin are not used.
    pub readings: Vec<DriftReading>,
}

/// What was known of the branch as a whole at the origin.
#[derive(Debug, Clone)]
pub struct KnownThen {
    /// Name of the season, such as the year.
    pub label: String,
    /// Heat that could be expected, per class.
    pub ensembles: BTreeMap<ComponentClass, HeatEnsemble>,
    /// The law of drifting readings, fitted to readings up to the origin.
    pub drift: BTreeMap<ComponentClass, DriftModel>,
    /// Average yearly heat per class.
    pub local_heat: LocalHeat,
}

/// Cuts every history at the origin and says how the season ended for each part in service.
///
/// # Errors
/// [`BacktestError::Ages`] if a part's ages are fewer than the dates, fall, or lie before its age
/// at the origin.
pub fn fold_at(known: KnownThen, parts: &[WatchedPart]) -> Result<Fold, BacktestError> {
    let dates = known.ensembles.values().map(HeatEnsemble::dates).min().unwrap_or(0);
    let mut fold = Fold {
        label: known.label,
        histories: Vec::new(),
        past: Vec::new(),
        components: Vec::new(),
        drift: known.drift,
        ends: Vec::new(),
        ensembles: known.ensembles,
        local_heat: known.local_heat,
    };
    for part in parts {
        let Some(origin) = part.age_at_origin else { continue };
        let Some(then) = known_at(&part.history, origin) else { continue };
        let ended = ended_by(&then.end);
        if let Some((age, failed)) = ended {
            fold.past.push(PastPart {
                site: then.site,
                class: then.class,
                covariates: then.covariates.clone(),
                heat_age_hours: age,
                failed,
            });
        } else {
            let ages = part.ages_at_dates.get(..dates).filter(|ages| rising_from(origin, ages));
            let ages = ages.ok_or_else(|| BacktestError::Ages {
                season: fold.label.clone(),
                component: then.component,
            })?;
            fold.ends.push(season_end(&part.history.end, ages));
            fold.components.push(ComponentState {
                component: then.component,
                site: then.site,
                class: then.class,
                covariates: then.covariates.clone(),
                heat_age_hours: origin,
                heat_age_half_range_hours: 0.0,
                heat_rate: part.heat_rate,
                readings: part
                    .readings
                    .iter()
                    .filter(|reading| reading.heat_age_hours <= origin)
                    .copied()
                    .collect(),
                conditions: Vec::new(),
            });
        }
        fold.histories.push(then);
    }
    Ok(fold)
}

fn rising_from(origin: f64, ages: &[f64]) -> bool {
    let mut before = origin;
    ages.iter().all(|&age| age >= core::mem::replace(&mut before, age))
}

/// Age of an end and whether it was a failure; the middle of an interval. None while in service.
fn ended_by(end: &HistoryEnd) -> Option<(f64, bool)> {
    match *end {
        HistoryEnd::StillWorking { .. } => None,
        HistoryEnd::FailedAt { age } => Some((age, true)),
        HistoryEnd::FoundFailed { last_good: low, found: high }
        | HistoryEnd::ReadBelowLimit { last_within: low, first_below: high } => {
            Some((f64::midpoint(low, high), true))
        }
        HistoryEnd::ReplacedBeforeFailing { age }
        | HistoryEnd::WentWithUnit { age }
        | HistoryEnd::LeftAgreement { age } => Some((age, false)),
    }
}

/// What the season brought, by the heat ages at its dates.
fn season_end(end: &HistoryEnd, ages: &[f64]) -> SeasonEnd {
    // The first date by which an age has been reached, and the first beyond it.
    let reached = |age: f64| ages.iter().position(|at| *at >= age);
    let beyond = |age: f64| ages.iter().position(|at| *at > age);
    let seen_until =
        |age: f64| beyond(age).map_or(SeasonEnd::Worked, |date| SeasonEnd::Left { date });
    match *end {
        HistoryEnd::StillWorking { age } => seen_until(age),
        HistoryEnd::FailedAt { age } => {
            reached(age).map_or(SeasonEnd::Worked, |date| SeasonEnd::Failed { date })
        }
        // Found only after the season: whether it worked to its end is not known.
        HistoryEnd::FoundFailed { last_good: low, found: high }
        | HistoryEnd::ReadBelowLimit { last_within: low, first_below: high } => {
            reached(high).map_or_else(|| seen_until(low), |date| SeasonEnd::Failed { date })
        }
        HistoryEnd::ReplacedBeforeFailing { age }
        | HistoryEnd::WentWithUnit { age }
        | HistoryEnd::LeftAgreement { age } => {
            reached(age).map_or(SeasonEnd::Worked, |date| SeasonEnd::Left { date })
        }
    }
}

#[cfg(test)]
mod tests {
    use hotspell_domain::{ComponentId, SiteId};

    use super::*;

    const CLASS: ComponentClass = ComponentClass::RunCapacitorDual;

    fn known() -> KnownThen {
        let season = HeatEnsemble::new(&[vec![200.0, 500.0, 900.0]]).unwrap();
        KnownThen {
            label: "2019".to_owned(),
            ensembles: [(CLASS, season)].into(),
            drift: BTreeMap::new(),
            local_heat: LocalHeat::default(),
        }
    }

    /// Watched from 500; 2000 at the origin; 2300, 2600 and 3000 at the season's dates.
    fn part(end: HistoryEnd) -> WatchedPart {
        WatchedPart {
            history: ComponentHistory {
                component: ComponentId(7),
                site: SiteId(1),
                class: CLASS,
                covariates: Vec::new(),
                entry_age: 500.0,
                end,
                age_half_range: 0.0,
                earlier_parts_unknown: false,
            },
            age_at_origin: Some(2000.0),
            ages_at_dates: vec![2300.0, 2600.0, 3000.0],
            heat_rate: 1.0,
            readings: [1900.0, 2500.0]
                .map(|heat_age_hours| DriftReading {
                    section: 0,
                    heat_age_hours,
                    deviation_percent: -3.0,
                })
                .to_vec(),
        }
    }

    fn end_of(end: HistoryEnd) -> SeasonEnd {
        let fold = fold_at(known(), &[part(end)]).unwrap();
        assert_eq!(fold.histories.len(), 1);
        assert!(!fold.histories[0].failed(), "the season's end was known before it");
        assert_eq!(fold.components[0].readings.len(), 1, "a reading of the season was known");
        fold.ends[0]
    }

    #[test]
    fn ends_fall_on_the_dates_of_the_season() {
        use HistoryEnd as End;
        let left = |date| SeasonEnd::Left { date };
        let failed = |date| SeasonEnd::Failed { date };
        assert_eq!(end_of(End::StillWorking { age: 5000.0 }), SeasonEnd::Worked);
        assert_eq!(end_of(End::StillWorking { age: 3000.0 }), SeasonEnd::Worked);
        assert_eq!(end_of(End::StillWorking { age: 2700.0 }), left(2));
        assert_eq!(end_of(End::FailedAt { age: 2301.0 }), failed(1));
        assert_eq!(end_of(End::FailedAt { age: 3001.0 }), SeasonEnd::Worked);
        assert_eq!(end_of(End::ReplacedBeforeFailing { age: 2250.0 }), left(0));
        assert_eq!(end_of(End::FoundFailed { last_good: 1500.0, found: 2550.0 }), failed(1));
        assert_eq!(
            end_of(End::ReadBelowLimit { last_within: 2100.0, first_below: 2900.0 }),
            failed(2)
        );
    }

    #[test]
    fn a_failure_found_after_the_season_is_no_proof_that_the_part_worked_in_it() {
        let found = HistoryEnd::FoundFailed { last_good: 2400.0, found: 3500.0 };
        assert_eq!(end_of(found), SeasonEnd::Left { date: 1 });
        let later = HistoryEnd::FoundFailed { last_good: 3100.0, found: 3500.0 };
        assert_eq!(end_of(later), SeasonEnd::Worked);
    }

    #[test]
    fn parts_ended_before_the_origin_speak_for_their_site_only() {
        let ended = part(HistoryEnd::FoundFailed { last_good: 1000.0, found: 1600.0 });
        let fold = fold_at(known(), &[ended]).unwrap();
        assert!(fold.components.is_empty() && fold.ends.is_empty());
        assert!(fold.past[0].failed && (fold.past[0].heat_age_hours - 1300.0).abs() < 1e-9);
        let mut not_yet = part(HistoryEnd::StillWorking { age: 2500.0 });
        not_yet.age_at_origin = None;
        assert!(fold_at(known(), &[not_yet]).unwrap().histories.is_empty());
    }

    #[test]
    fn ages_that_fall_are_refused_with_the_part() {
        let mut wrong = part(HistoryEnd::StillWorking { age: 2500.0 });
        wrong.ages_at_dates = vec![2300.0, 2100.0, 3000.0];
        let refusal = fold_at(known(), &[wrong]).unwrap_err();
        assert!(refusal.to_string().contains("component 7"), "{refusal}");
    }
}
