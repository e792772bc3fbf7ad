//! What planning reads of visits, homes, machines and stops: a few columns of very many rows.

use chrono::{NaiveDate, NaiveTime};
use diesel::{
    BoolExpressionMethods, ExpressionMethods, QueryDsl, QueryResult, Queryable, RunQueryDsl,
    Selectable, SelectableHelper,
};
use hotspell_domain::{
    BranchId, DateRange, PlanId, Position, SiteId, TechnicianId, UnitKind, VisitId, VisitKind,
    VisitState,
};

use crate::columns::{RawId, RawInteger, RawNullId, RawText};
use crate::record::BOUND_VALUES;
use crate::schema::{plan_stops, sites, units, visits};
use crate::visits::VisitRecord;
use crate::weekdays::WeekdaySet;
use crate::{AnyConnection, StoreError};

/// A visit: when it may happen and where it stands.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = visits)]
pub struct VisitToPlan {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: VisitId,
    /// Counts its changes.
    pub version: i64,
    /// The home.
    #[diesel(deserialize_as = RawId)]
    pub site_id: SiteId,
    /// What it is for.
    #[diesel(deserialize_as = RawText)]
    pub kind: VisitKind,
    /// First day on which it may happen.
    pub within_first: NaiveDate,
    /// Last day on which it may happen.
    pub within_last: NaiveDate,
    /// Where it stands.
    #[diesel(deserialize_as = RawText)]
    pub state: VisitState,
    /// The day.
    pub day: Option<NaiveDate>,
    /// Who comes.
    #[diesel(deserialize_as = RawNullId)]
    pub technician_id: Option<TechnicianId>,
    /// Start of the slot told to the household, of the branch's clock.
    pub starts: Option<NaiveTime>,
    /// End of the slot.
    pub ends: Option<NaiveTime>,
    /// How long the work takes.
    pub duration_seconds: i32,
    /// Higher goes first.
    pub priority: i32,
}

impl VisitToPlan {
    /// What planning reads of a visit that is at hand.
    #[must_use]
    pub fn of(visit: &VisitRecord) -> Self {
        Self {
            id: visit.id,
            version: visit.version,
            site_id: visit.site_id,
            kind: visit.kind,
            within_first: visit.within_first,
            within_last: visit.within_last,
            state: visit.state,
            day: visit.day,
            technician_id: visit.technician_id,
            starts: visit.starts,
            ends: visit.ends,
            duration_seconds: visit.duration_seconds,
            priority: visit.priority,
        }
    }

    /// Whether it is for a plan to place or to keep.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.state == VisitState::Owed || self.state.holds_a_place()
    }
}

/// The visits that may happen on a day of the range, by their numbers.
///
/// # Errors
/// Those of the database.
pub fn visits_within(
    conn: &mut AnyConnection,
    branch: BranchId,
    range: DateRange,
) -> Result<Vec<VisitToPlan>, StoreError> {
    let may = visits::within_last.ge(range.first).and(visits::within_first.le(range.last));
    Ok(visits::table
        .filter(visits::branch_id.eq(branch.0))
        .filter(may)
        .order(visits::id)
        .select(VisitToPlan::as_select())
        .load(conn)?)
}

/// The visits that hold a place on one of these days, by their numbers.
///
/// # Errors
/// Those of the database.
pub fn visits_on(
    conn: &mut AnyConnection,
    branch: BranchId,
    days: &[NaiveDate],
) -> Result<Vec<VisitToPlan>, StoreError> {
    let places = VisitState::HOLDING_A_PLACE.map(VisitState::as_str);
    Ok(visits::table
        .filter(visits::branch_id.eq(branch.0))
        .filter(visits::day.eq_any(days.to_vec()))
        .filter(visits::state.eq_any(places))
        .order(visits::id)
        .select(VisitToPlan::as_select())
        .load(conn)?)
}

/// These visits by their numbers, which ascend.
///
/// # Errors
/// Those of the database.
pub fn visits_numbered(
    conn: &mut AnyConnection,
    branch: BranchId,
    ids: &[VisitId],
) -> Result<Vec<VisitToPlan>, StoreError> {
    by_parts(
        ids,
        |id| id.0,
        |some| {
            visits::table
                .filter(visits::branch_id.eq(branch.0))
                .filter(visits::id.eq_any(some))
                .order(visits::id)
                .select(VisitToPlan::as_select())
                .load(conn)
        },
    )
}

/// Asks for the rows of ids in as many parts as one statement can hold.
fn by_parts<Id, Row>(
    ids: &[Id],
    number: fn(&Id) -> i64,
    mut load: impl FnMut(Vec<i64>) -> QueryResult<Vec<Row>>,
) -> Result<Vec<Row>, StoreError> {
    let mut found = Vec::with_capacity(ids.len());
    for some in ids.chunks(BOUND_VALUES) {
        found.extend(load(some.iter().map(number).collect())?);
    }
    Ok(found)
}

/// A home: where it is, and when somebody may come.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = sites)]
pub struct HomeToPlan {
    /// Its number.
    #[diesel(deserialize_as = RawId)]
    pub id: SiteId,
    /// As the office knows it.
    pub name: String,
    /// Nothing means unknown.
    pub latitude_degrees: Option<f64>,
    /// Nothing means unknown.
    pub longitude_degrees: Option<f64>,
    /// Days on which nobody may come.
    #[diesel(deserialize_as = RawInteger)]
    pub refused_weekdays: WeekdaySet,
    /// Nobody may come before this clock time.
    pub visit_from: Option<NaiveTime>,
    /// Nobody may come after this clock time.
    pub visit_until: Option<NaiveTime>,
}

impl HomeToPlan {
    /// Where it is, if that is stated.
    #[must_use]
    pub fn position(&self) -> Option<Position> {
        Position::new(self.latitude_degrees?, self.longitude_degrees?).ok()
    }
}

/// The homes of a branch, or these.
///
/// # Errors
/// Those of the database.
pub fn homes(
    conn: &mut AnyConnection,
    branch: BranchId,
    only: Option<&[SiteId]>,
) -> Result<Vec<HomeToPlan>, StoreError> {
    let all = || {
        let homes = sites::table.filter(sites::branch_id.eq(branch.0)).order(sites::id);
        homes.select(HomeToPlan::as_select()).into_boxed()
    };
    let Some(only) = only else { return Ok(all().load(conn)?) };
    by_parts(only, |id| id.0, |some| all().filter(sites::id.eq_any(some)).load(conn))
}

/// A machine: what its work asks of who comes.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = units)]
pub struct MachineToPlan {
    /// The home.
    #[diesel(deserialize_as = RawId)]
    pub site_id: SiteId,
    /// What it is.
    #[diesel(deserialize_as = RawText)]
    pub kind: UnitKind,
    /// Cooling capacity in watts.
    pub capacity_watts: Option<f64>,
    /// When it was taken out.
    pub removed_on: Option<NaiveDate>,
}

/// The machines of a branch in order of their numbers, or those of these homes.
///
/// # Errors
/// Those of the database.
pub fn machines(
    conn: &mut AnyConnection,
    branch: BranchId,
    only: Option<&[SiteId]>,
) -> Result<Vec<MachineToPlan>, StoreError> {
    let all = || {
        let machines = units::table.filter(units::branch_id.eq(branch.0)).order(units::id);
        machines.select(MachineToPlan::as_select()).into_boxed()
    };
    let Some(only) = only else { return Ok(all().load(conn)?) };
    by_parts(only, |id| id.0, |some| all().filter(units::site_id.eq_any(some)).load(conn))
}

/// Where a plan has a visit.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = plan_stops)]
pub struct StopToPlan {
    /// The visit.
    #[diesel(deserialize_as = RawId)]
    pub visit_id: VisitId,
    /// The day.
    pub day: NaiveDate,
    /// Who comes.
    #[diesel(deserialize_as = RawId)]
    pub technician_id: TechnicianId,
    /// Start of work, in seconds after midnight of the branch's clock.
    pub start_seconds: i32,
}

/// A plan's stops of all its days or of these, in no order.
///
/// # Errors
/// Those of the database.
pub fn stops(
    conn: &mut AnyConnection,
    branch: BranchId,
    plan: PlanId,
    days: Option<&[NaiveDate]>,
) -> Result<Vec<StopToPlan>, StoreError> {
    let mut stops = plan_stops::table
        .filter(plan_stops::branch_id.eq(branch.0))
        .filter(plan_stops::plan_id.eq(plan.0))
        .select(StopToPlan::as_select())
        .into_boxed();
    if let Some(days) = days {
        stops = stops.filter(plan_stops::day.eq_any(days.to_vec()));
    }
    Ok(stops.load(conn)?)
}
