//! Load lists: what a truck must carry so that the chance of missing a part stays small.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use hotspell_domain::capacitor::Verdict;
use hotspell_domain::{
    BranchId, CapacitorRating, ComponentClass, ComponentId, DateRange, RouteId, SiteId, VisitKind,
    VoltageRating,
};
use hotspell_reliability::decisions::REPLACE_FROM_PROBABILITY;
use hotspell_reliability::diagnosis::culprit_shares;
use hotspell_reliability::horizon;
use hotspell_reliability::needs::{RoutePart, part_needs};
use hotspell_reliability::stock::{LoadList, Substitution, load_list, uncovered};
use hotspell_store::routes::{
    self, LoadLine, NewLoadList, RouteFilter, RouteRecord, RouteStopFilter,
};
use hotspell_store::words::{RouteState, RunKind};
use hotspell_store::{Page, visits};
use serde_json::json;

use super::AppError;
use super::parts::Part;
use super::record::recorded;
use super::scores::{self, LatestScores};
use super::scoring::{self, Context, LifeModel};
use crate::state::AppState;

/// A kind of part that a truck can carry.
#[derive(Debug, Clone, PartialEq)]
enum Kind {
    Capacitor(ComponentClass, CapacitorRating),
    Contactor(String),
}

impl Kind {
    /// The kind of a component, if trucks carry such: capacitors with a known rating, contactors.
    fn of(part: &Part<'_>) -> Option<Self> {
        match part.component.class {
            class if class.is_run_capacitor() => Some(Self::Capacitor(class, part.rating()?)),
            ComponentClass::Contactor => Some(Self::Contactor(part.component.rating.clone()?)),
            _ => None,
        }
    }

    /// The kind of a line of a load list; nothing for one whose rating cannot be read.
    fn read(class: ComponentClass, rating: &str) -> Option<Self> {
        match class {
            class if class.is_run_capacitor() => Some(Self::Capacitor(class, rating.parse().ok()?)),
            ComponentClass::Contactor => Some(Self::Contactor(rating.to_owned())),
            _ => None,
        }
    }

    /// Whether this kind may go where `wanted` was.
    fn fits(&self, wanted: &Self) -> bool {
        match (wanted, self) {
            (Self::Capacitor(_, old), Self::Capacitor(_, new)) => {
                old.check_replacement(new).is_ok()
            }
            (Self::Contactor(old), Self::Contactor(new)) => old == new,
            _ => false,
        }
    }

    /// The same capacitance at the rating that serves every voltage.
    fn broadest(&self) -> Self {
        match self {
            Self::Capacitor(class, rating) => Self::Capacitor(
                *class,
                CapacitorRating { voltage: VoltageRating::V370Or440, ..*rating },
            ),
            Self::Contactor(_) => self.clone(),
        }
    }

    fn class(&self) -> ComponentClass {
        match self {
            Self::Capacitor(class, _) => *class,
            Self::Contactor(_) => ComponentClass::Contactor,
        }
    }

    fn rating(&self) -> String {
        match self {
            Self::Capacitor(_, rating) => rating.to_string(),
            Self::Contactor(rating) => rating.clone(),
        }
    }
}

/// Days over which the chances of parts are compared when nothing cools: what failed now failed as the
/// next month's would.
const CULPRIT_DAYS: u64 = 30;

/// The day until which the chances of parts are compared when nothing cools.
#[must_use]
pub fn culprit_until(today: NaiveDate) -> NaiveDate {
    today.checked_add_days(Days::new(CULPRIT_DAYS)).unwrap_or(today)
}

/// Writes the load list of every current route in the range that has none yet; says how many.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring.
pub fn write_load_lists(
    state: &AppState,
    branch: BranchId,
    days: DateRange,
    as_of: NaiveDate,
) -> Result<usize, AppError> {
    let mut open = routes_in_force(state, branch, days)?;
    open.retain(|(_, _, has_list)| !has_list);
    if open.is_empty() {
        return Ok(0);
    }
    scoring::model_in_force(state, branch)?;
    let bound = state.config.planning.missing_part_chance;
    let inputs = json!({ "first_day": days.first, "last_day": days.last, "bound": bound,
        "routes": open.len(), "as_of": as_of });
    recorded(state, branch, RunKind::LoadLists, &inputs, |run| {
        let now = state.now();
        let lists: Vec<NewLoadList> = reckon_routes(state, branch, &open, as_of)?
            .into_iter()
            .map(|(route, lines)| lines.into_new(route.id, run))
            .collect();
        state.store.write(|conn| {
            for list in &lists {
                routes::insert_load_list(conn, branch, list, now)?;
            }
            Ok::<_, AppError>(())
        })?;
        Ok((lists.len(), json!({ "load_lists": lists.len() })))
    })
}

/// A route in force and what its truck should carry by what is known now.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Reckoned {
    /// The route.
    pub(super) route: RouteRecord,
    /// What should be on the truck.
    pub(super) lines: Vec<LoadLine>,
}

/// Reckons what the trucks of some days should carry, whether they have a list or not; keeps nothing.
///
/// # Errors
/// [`AppError::NotReady`] before the first scoring.
pub(super) fn reckon(
    state: &AppState,
    branch: BranchId,
    days: DateRange,
    as_of: NaiveDate,
) -> Result<Vec<Reckoned>, AppError> {
    let routes = routes_in_force(state, branch, days)?;
    if routes.is_empty() {
        return Ok(Vec::new());
    }
    let reckoned = reckon_routes(state, branch, &routes, as_of)?;
    Ok(reckoned.into_iter().map(|(route, lines)| Reckoned { route, lines: lines.kept() }).collect())
}

/// How many of each needed line the loaded ones leave open: a part goes where it may replace another.
pub(super) fn uncovered_by(needed: &[LoadLine], loaded: &[LoadLine]) -> Vec<usize> {
    let kinds = |lines: &[LoadLine]| -> Vec<Option<Kind>> {
        lines.iter().map(|line| Kind::read(line.class, &line.rating)).collect()
    };
    let quantities = |lines: &[LoadLine]| -> Vec<usize> {
        lines.iter().map(|line| usize::try_from(line.quantity).unwrap_or(0)).collect()
    };
    let (wanted, carried) = (kinds(needed), kinds(loaded));
    let rule = Substitution::from_rule(wanted.len(), carried.len(), |old, new| {
        match (wanted.get(old), carried.get(new)) {
            (Some(Some(old)), Some(Some(new))) => new.fits(old),
            _ => false,
        }
    });
    uncovered(&quantities(needed), &quantities(loaded), &rule)
}

fn reckon_routes(
    state: &AppState,
    branch: BranchId,
    open: &[(RouteRecord, Homes, bool)],
    as_of: NaiveDate,
) -> Result<Vec<(RouteRecord, Lines)>, AppError> {
    let model = scoring::model_in_force(state, branch)?;
    let (fleet, book) = scoring::load(state, branch, None, as_of)?;
    let parts = scoring::parts(&fleet, &book);
    let mut dates: Vec<NaiveDate> = open.iter().map(|(route, ..)| route.day).collect();
    dates.push(as_of.succ_opt().unwrap_or(as_of));
    dates.sort_unstable();
    dates.dedup();
    dates.retain(|date| *date > as_of);
    let context = Context::new(&book, &parts, dates)?;
    let latest = state.store.read(|conn| scores::latest(conn, branch))?;
    let bound = state.config.planning.missing_part_chance;
    open.iter()
        .map(|(route, sites, _)| {
            let wanted = wanted(&parts, &context, sites, &latest, as_of);
            Ok((route.clone(), lines(&context, &model, &wanted, route.day, bound)?))
        })
        .collect()
}

/// The homes on the way, with what is done there.
type Homes = BTreeMap<SiteId, Vec<VisitKind>>;

/// Current routes, with the homes on the way, and whether each has a load list.
fn routes_in_force(
    state: &AppState,
    branch: BranchId,
    days: DateRange,
) -> Result<Vec<(RouteRecord, Homes, bool)>, AppError> {
    state.store.read(|conn| {
        let filter = RouteFilter {
            days: Some(days),
            state: Some(RouteState::Current),
            ..RouteFilter::default()
        };
        let mut found = Vec::new();
        for route in routes::list(conn, branch, &filter, Page::everything())? {
            let has_list = routes::load_list_of(conn, branch, route.id)?.is_some();
            let filter = RouteStopFilter { route: Some(route.id), ..RouteStopFilter::default() };
            let mut homes = Homes::new();
            for stop in routes::list_stops(conn, branch, &filter, Page::everything())? {
                let visit = visits::find(conn, branch, stop.visit_id)?;
                homes.entry(visit.site_id).or_default().push(visit.kind);
            }
            found.push((route, homes, has_list));
        }
        Ok(found)
    })
}

/// The parts on the way that trucks carry replacements for.
struct Wanted {
    kinds: Vec<Kind>,
    carried: Vec<Kind>,
    route: Vec<RoutePart>,
}

fn wanted(
    parts: &[Part<'_>],
    context: &Context,
    homes: &Homes,
    latest: &LatestScores,
    today: NaiveDate,
) -> Wanted {
    let blamed = blamed(parts, context, homes, latest, today);
    let index_of = |id: ComponentId| context.states.iter().position(|it| it.component == id);
    let mut kinds: Vec<Kind> = Vec::new();
    let mut route = Vec::new();
    for part in parts.iter().filter(|part| part.component.ended_on.is_none()) {
        let (Some(kind), Some(component)) = (Kind::of(part), index_of(part.component.id)) else {
            continue;
        };
        if !context.states.get(component).is_some_and(|state| homes.contains_key(&state.site)) {
            continue;
        }
        let wanted = kinds.iter().position(|known| *known == kind).unwrap_or_else(|| {
            kinds.push(kind);
            kinds.len() - 1
        });
        let chance = latest.season_chances.get(&part.component.id);
        let replace_anyway =
            part.last_verdict().is_some_and(|(_, verdict)| verdict >= Verdict::Due)
                || chance.is_some_and(|chance| *chance >= REPLACE_FROM_PROBABILITY);
        let failed_chance = blamed.get(&part.component.id).copied().unwrap_or(0.0);
        route.push(RoutePart { component, wanted, replace_anyway, failed_chance });
    }
    let mut carried: Vec<Kind> = Vec::new();
    for kind in kinds.iter().map(Kind::broadest).chain(kinds.iter().cloned()) {
        if !carried.contains(&kind) {
            carried.push(kind);
        }
    }
    Wanted { kinds, carried, route }
}

/// Of homes where nothing cools, each part's share of the blame: also of parts that no truck carries.
fn blamed(
    parts: &[Part<'_>],
    context: &Context,
    homes: &Homes,
    latest: &LatestScores,
    today: NaiveDate,
) -> BTreeMap<ComponentId, f64> {
    let by = culprit_until(today);
    let mut blamed = BTreeMap::new();
    let called = |(_, kinds): &(&SiteId, &Vec<VisitKind>)| kinds.contains(&VisitKind::NoCoolCall);
    for (home, _) in homes.iter().filter(called) {
        let there: Vec<(ComponentId, f64)> = context
            .states
            .iter()
            .filter(|state| state.site == *home)
            .filter(|state| {
                let part = parts.iter().find(|part| part.component.id == state.component);
                part.is_some_and(|part| part.component.ended_on.is_none())
            })
            .filter_map(|state| {
                let curve = latest.curves.get(&state.component)?;
                Some((state.component, horizon::at(curve, by)))
            })
            .collect();
        let chances: Vec<f64> = there.iter().map(|(_, chance)| *chance).collect();
        let shares = culprit_shares(&chances);
        blamed.extend(there.iter().zip(shares).map(|((part, _), share)| (*part, share)));
    }
    blamed
}

/// A load list with the names of its kinds.
struct Lines {
    list: LoadList,
    carried: Vec<Kind>,
    counts: Vec<usize>,
}

fn lines(
    context: &Context,
    model: &LifeModel,
    wanted: &Wanted,
    day: NaiveDate,
    bound: f64,
) -> Result<Lines, AppError> {
    let date = context.dates.partition_point(|date| *date < day);
    let needs = part_needs(&context.input(model), &wanted.route, date);
    let rule =
        Substitution::from_rule(wanted.kinds.len(), wanted.carried.len(), |old, new| {
            match (wanted.kinds.get(old), wanted.carried.get(new)) {
                (Some(old), Some(new)) => new.fits(old),
                _ => false,
            }
        });
    let list =
        load_list(&needs, &rule, bound).map_err(|error| AppError::internal("load list", error))?;
    let counts = list
        .lines
        .iter()
        .map(|line| wanted.route.iter().filter(|it| line.serves.contains(&it.wanted)).count())
        .collect();
    Ok(Lines { list, carried: wanted.carried.clone(), counts })
}

impl Lines {
    /// The lines of which at least one piece is carried.
    fn kept(&self) -> Vec<LoadLine> {
        let lines = self.list.lines.iter().zip(&self.counts);
        lines
            .filter(|(line, _)| line.quantity > 0)
            .filter_map(|(line, parts)| {
                let kind = self.carried.get(line.carried)?;
                Some(LoadLine {
                    class: kind.class(),
                    rating: kind.rating(),
                    quantity: i32::try_from(line.quantity).unwrap_or(i32::MAX),
                    chance_short: line.shortage_probability.clamp(0.0, 1.0),
                    why: format!(
                        "{parts} such {} on the way, {:.1} expected to be needed",
                        if *parts == 1 { "part" } else { "parts" },
                        line.expected_need
                    ),
                })
            })
            .collect()
    }

    fn into_new(self, route_id: RouteId, run: hotspell_domain::RunId) -> NewLoadList {
        NewLoadList {
            route_id,
            run_id: Some(run),
            chance_bound: self.list.bound,
            chance_short: self.list.chance_of_missing.clamp(0.0, 1.0),
            lines: self.kept(),
        }
    }
}
