//! The season problem of a branch: its days, people, visits and what each visit's delay costs.

use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};
use hotspell_domain::{SiteId, Skill, TechnicianId, VisitId, VisitKind, VisitState};
use hotspell_planning::no_cool::waiting_s_per_day;
use hotspell_planning::season::{
    Break, Fairness, Pin, Promise, SeasonProblem, Shift, SkillSet, Technician, Visit, Window,
};
use hotspell_planning::stability::{Stability, Standing};
use hotspell_planning::travel::TravelTable;
use hotspell_reliability::horizon::{self, HorizonPoint};
use hotspell_store::sites::SiteAbsence;
use hotspell_store::to_plan::{HomeToPlan, VisitToPlan};

use super::AppError;
use super::calendar::{Calendar, seconds_of_day};
use super::homes::Homes;
use crate::config::Planning;
use crate::routing::{self, TravelReport, Travelled};

/// Earliest start of work at a home that names no hours.
const DOOR_OPENS_S: i32 = 8 * 3600;
/// Latest start of work at a home that names no hours.
const DOOR_CLOSES_S: i32 = 17 * 3600;
/// Price of leaving a visit out beyond any day's cost, seconds: five hours of driving.
const LEFT_OUT_S: i64 = 18_000;
/// Price of leaving a home without cooling out, seconds (our choice, no source): dearer than any promise
/// that would have to be broken for it.
const NO_COOL_LEFT_OUT_S: i64 = 1_000_000;

/// What the problem is made from.
pub struct ProblemInput<'a, T = TravelTable> {
    /// Homes and machines.
    pub homes: &'a Homes,
    /// Days and people.
    pub calendar: &'a Calendar,
    /// The working days to plan, ascending.
    pub days: &'a [NaiveDate],
    /// The visits to plan.
    pub visits: &'a [VisitToPlan],
    /// Absences of each home.
    pub site_absences: &'a BTreeMap<SiteId, Vec<SiteAbsence>>,
    /// For each home, the failures to be expected by a day.
    pub expected_failures: &'a BTreeMap<SiteId, Vec<HorizonPoint>>,
    /// The date before which the first hot spell comes with one tenth.
    pub first_hot_spell_early: Option<NaiveDate>,
    /// Costs and speeds.
    pub settings: &'a Planning,
    /// Today: the nearer a promised day, the dearer its change.
    pub today: NaiveDate,
    /// Whether what a household has agreed to is out of the question, or only very dear to change.
    pub agreed: Agreed,
    /// Travel times between places given by latitude and longitude in degrees.
    pub travel: TravelSource<'a, T>,
}

/// Where travel times come from.
pub type TravelSource<'a, T> = &'a dyn Fn(Vec<(f64, f64)>) -> Result<Travelled<T>, AppError>;

/// How firm an agreed place is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Agreed {
    /// It stays where it is.
    Fixed,
    /// It may move at its price, when there is no other way.
    Dear,
}

/// The problem with the names of its indices.
#[derive(Debug)]
pub struct BranchProblem<T = TravelTable> {
    /// The problem.
    pub problem: SeasonProblem<T>,
    /// The visit behind each index.
    pub visits: Vec<VisitId>,
    /// The technician behind each index.
    pub technicians: Vec<TechnicianId>,
    /// For each visit, failures to be expected before each day.
    pub expected_failures: Vec<Vec<f64>>,
    /// Visits that cannot be planned at all, with the reason.
    pub impossible: Vec<(VisitId, String)>,
    /// Where the travel times come from.
    pub travel: TravelReport,
}

/// The bit of a skill.
fn skill_set(skill: Skill) -> SkillSet {
    match skill {
        Skill::Standard => SkillSet::of(0),
        Skill::HeatPump => SkillSet::of(1),
        Skill::Large => SkillSet::of(2),
    }
}

fn set_of(skills: impl IntoIterator<Item = Skill>) -> SkillSet {
    skills.into_iter().fold(SkillSet::NONE, |set, skill| set.and(skill_set(skill)))
}

/// Builds the problem.
///
/// # Errors
/// [`AppError::NotReady`] when there is no working day, nobody to work or no place to start from.
pub fn build<T>(input: &ProblemInput<'_, T>) -> Result<BranchProblem<T>, AppError> {
    if input.days.is_empty() {
        return Err(AppError::field("last_day", "there is no working day in this range"));
    }
    let mut places = Places::default();
    let (technician_ids, technicians) = technicians(input, &mut places)?;
    let mut visits = Vec::new();
    let mut ids = Vec::new();
    let mut expected = Vec::new();
    let mut impossible = Vec::new();
    for record in input.visits {
        let Some(site) = input.homes.sites.get(&record.site_id) else { continue };
        let Some(position) = site.position() else {
            impossible.push((
                record.id,
                format!("{} has no position; give its latitude and longitude", site.name),
            ));
            continue;
        };
        let failures = failures_by_day(input, site.id);
        let location = places.index(position.latitude_degrees, position.longitude_degrees);
        let promise = promise(input, record, &technician_ids);
        visits.push(visit(input, record, site, location, &failures, promise));
        ids.push(record.id);
        expected.push(failures);
    }
    let travelled = (input.travel)(places.positions)?;
    let profile = routing::day_profile(input.settings)
        .map_err(|error| AppError::internal("slower hours", error))?;
    let problem = SeasonProblem {
        days: input.days.len(),
        travel: travelled.times,
        profile,
        technicians,
        visits,
        late_cost_per_day_s: input.settings.late_cost_s_per_day,
        fairness: fairness(input.settings),
    };
    Ok(BranchProblem {
        problem,
        visits: ids,
        technicians: technician_ids,
        expected_failures: expected,
        impossible,
        travel: travelled.report,
    })
}

/// Distinct places by their coordinates.
#[derive(Debug, Default)]
struct Places {
    positions: Vec<(f64, f64)>,
    seen: BTreeMap<(u64, u64), usize>,
}

impl Places {
    fn index(&mut self, latitude: f64, longitude: f64) -> usize {
        *self.seen.entry((latitude.to_bits(), longitude.to_bits())).or_insert_with(|| {
            self.positions.push((latitude, longitude));
            self.positions.len() - 1
        })
    }
}

fn technicians<T>(
    input: &ProblemInput<'_, T>,
    places: &mut Places,
) -> Result<(Vec<TechnicianId>, Vec<Technician>), AppError> {
    let mut ids = Vec::new();
    let mut people = Vec::new();
    for (id, person) in &input.calendar.technicians {
        let shifts: Vec<Option<Shift>> = input
            .days
            .iter()
            .map(|day| {
                let (start_s, end_s) = input.calendar.shift(*id, *day)?;
                let pause = pause(input.settings).filter(|pause| {
                    start_s <= pause.earliest_s && pause.latest_s + pause.duration_s <= end_s
                });
                Some(Shift { start_s, end_s, pause })
            })
            .collect();
        if shifts.iter().all(Option::is_none) {
            continue;
        }
        let start = person.start().or_else(|| input.homes.branch.depot()).ok_or_else(|| {
            AppError::NotReady(format!(
                "{} starts from the depot, but the branch has none; give the depot's position",
                person.name
            ))
        })?;
        let location = places.index(start.latitude_degrees, start.longitude_degrees);
        let trained = input.calendar.skills.get(id).map_or(&[][..], Vec::as_slice);
        people.push(Technician {
            start_location: location,
            end_location: location,
            shifts,
            skills: set_of(trained.iter().copied()),
        });
        ids.push(*id);
    }
    if people.is_empty() {
        return Err(AppError::NotReady(
            "nobody works on these days; import technicians with shifts first".to_owned(),
        ));
    }
    Ok((ids, people))
}

/// The pause of a shift that spans its hours, unless there is none.
fn pause(settings: &Planning) -> Option<Break> {
    (settings.pause_s > 0).then(|| Break {
        earliest_s: seconds_of_day(settings.pause_from),
        latest_s: seconds_of_day(settings.pause_until) - settings.pause_s,
        duration_s: settings.pause_s,
    })
}

/// What long days cost, unless nothing.
fn fairness(settings: &Planning) -> Option<Fairness> {
    (settings.beyond_comfortable_percent > 0).then(|| Fairness {
        comfortable_work_s: settings.comfortable_work_s,
        cost_per_mille: 10 * i32::from(settings.beyond_comfortable_percent),
    })
}

/// Failures to be expected at a home before each planned day, by straight lines between the
/// dates of its scores.
fn failures_by_day<T>(input: &ProblemInput<'_, T>, site: SiteId) -> Vec<f64> {
    let points = input.expected_failures.get(&site).map_or(&[][..], Vec::as_slice);
    input.days.iter().map(|day| horizon::at(points, *day)).collect()
}

fn visit<T>(
    input: &ProblemInput<'_, T>,
    record: &VisitToPlan,
    site: &HomeToPlan,
    location: usize,
    failures: &[f64],
    promise: Option<Promise>,
) -> Visit {
    let absences = input.site_absences.get(&site.id).map_or(&[][..], Vec::as_slice);
    let days: Vec<usize> = input
        .days
        .iter()
        .enumerate()
        .filter(|(_, day)| {
            record.within_first <= **day
                && **day <= record.within_last
                && !site.refused_weekdays.contains(day.weekday())
                && !absences.iter().any(|span| span.first_day <= **day && **day <= span.last_day)
        })
        .map(|(index, _)| index)
        .collect();
    let due = input.first_hot_spell_early.map_or(record.within_last, |early| {
        if early > record.within_first { early.min(record.within_last) } else { record.within_last }
    });
    let due_day = input.days.iter().rposition(|day| *day <= due);
    let first = days.first().copied().unwrap_or(0);
    let cost = |(day, failures): (usize, &f64)| {
        whole_seconds(failures * input.settings.failure_cost_s) + waiting_s(record, day, first)
    };
    let risk_cost_s: Vec<i64> = failures.iter().enumerate().map(cost).collect();
    let latest = days.last().copied().unwrap_or(0);
    let late_days = i64::try_from(latest.saturating_sub(due_day.unwrap_or(latest))).unwrap_or(0);
    let left_out_s =
        if record.kind == VisitKind::NoCoolCall { NO_COOL_LEFT_OUT_S } else { LEFT_OUT_S };
    // Whoever was promised a day is rather given another one than none.
    let drop_cost_s = risk_cost_s.last().copied().unwrap_or(0)
        + input.settings.late_cost_s_per_day * late_days
        + promise.map_or(0, |promise| promise.day_change_cost_s)
        + left_out_s;
    Visit {
        skills: skills_needed(input, record),
        window: window(record, site),
        due_day,
        risk_cost_s,
        drop_cost_s,
        pin: pin(input.agreed, record, promise.as_ref()),
        promise,
        ..Visit::plain(record.id.0, location, record.duration_seconds, days, window(record, site))
    }
}

/// What it costs that a home without cooling waits.
fn waiting_s(record: &VisitToPlan, day: usize, first: usize) -> i64 {
    let days = i64::try_from(day.saturating_sub(first)).unwrap_or(0);
    let called = record.kind == VisitKind::NoCoolCall;
    if called { waiting_s_per_day(record.priority) * days } else { 0 }
}

/// The planner counts in whole seconds.
fn whole_seconds(seconds: f64) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "rounded, and costs are far below 2^53")]
    let whole = seconds.round() as i64;
    whole.max(0)
}

fn skills_needed<T>(input: &ProblemInput<'_, T>, record: &VisitToPlan) -> SkillSet {
    set_of(input.homes.skills_needed(record.site_id, record.within_first))
}

fn window(record: &VisitToPlan, site: &HomeToPlan) -> Window {
    let start_s = site.visit_from.map_or(DOOR_OPENS_S, seconds_of_day);
    let end_s = site.visit_until.map_or(DOOR_CLOSES_S, |until| {
        // Work must have ended when the household's hours end.
        seconds_of_day(until) - record.duration_seconds
    });
    Window { start_s, end_s: end_s.max(start_s) }
}

fn promise<T>(
    input: &ProblemInput<'_, T>,
    record: &VisitToPlan,
    technicians: &[TechnicianId],
) -> Option<Promise> {
    let day = input.days.binary_search(&record.day?).ok()?;
    let technician = technicians.iter().position(|id| Some(*id) == record.technician_id)?;
    let standing = match record.state {
        VisitState::Agreed => Standing::Agreed,
        VisitState::Announced => Standing::Announced,
        _ => Standing::Planned,
    };
    // Also a slot that nobody was told yet is held, so that a route is not turned round for nothing.
    let slot = record.starts.zip(record.ends);
    let window = slot.map(|(starts, ends)| Window {
        start_s: seconds_of_day(starts),
        end_s: seconds_of_day(ends),
    });
    let today = input.days.partition_point(|day| *day < input.today);
    Some(Stability::default().promise(standing, (day, technician), window, today))
}

/// What a household has agreed to stays, unless it may move at its price.
fn pin(agreed: Agreed, record: &VisitToPlan, promise: Option<&Promise>) -> Pin {
    match (agreed, record.state, promise) {
        (Agreed::Fixed, VisitState::Agreed, Some(promise)) => {
            Pin { day: Some(promise.day), technician: None, window: promise.window }
        }
        _ => Pin::default(),
    }
}
