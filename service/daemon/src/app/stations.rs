//! Several stations of one branch, and how much each counts at a home.
//!
//! A branch has its own station, which its season is told by, and may have further ones. At a home
//! each station counts by distance and height (`hotspell_weather::stations`); the heat that its
//! parts gather is the sum of the stations' heat by these weights, since heat is additive. A home
//! without a position, and every home of a branch with one station, has that station alone.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use hotspell_domain::Position;
use hotspell_store::branches::BranchRecord;
use hotspell_store::sites::SiteRecord;
use hotspell_store::weather::{self as stored, StationRecord};
use hotspell_store::words::StationId;
use hotspell_store::{AnyConnection, StoreError, branch_stations};
use hotspell_weather::series::StationSeries;
use hotspell_weather::stations::{StationPlace, completed, site_weights};
use serde::{Deserialize, Serialize};

use super::heat::HeatBook;
use super::{AppError, weather};
use crate::state::AppState;

/// A station at a home.
#[derive(Debug, Clone, PartialEq)]
pub struct WeighedStation {
    /// The station.
    pub station: StationRecord,
    /// Way over ground; nothing for a home without a position.
    pub distance_metres: Option<f64>,
    /// Height of the station above the home; nothing where either is not known.
    pub higher_by_metres: Option<f64>,
    /// Its share of the home's heat; the shares sum to one.
    pub weight: f64,
}

/// A station as a run used it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationUsed {
    /// Its key.
    pub station: String,
    /// Days on which the branch's own station stood in for it.
    pub lent_days: usize,
}

/// The stations of a branch, its own first.
///
/// # Errors
/// Those of the store.
pub fn of_branch(
    conn: &mut AnyConnection,
    branch: &BranchRecord,
) -> Result<Vec<StationRecord>, StoreError> {
    let Some(own) = branch.station_id else { return Ok(Vec::new()) };
    let further = branch_stations::list(conn, branch.id)?;
    std::iter::once(own)
        .chain(further.into_iter().filter(|id| *id != own))
        .map(|id| stored::station(conn, id))
        .collect()
}

/// How much each station counts at a home, in the order of the stations.
///
/// # Errors
/// [`AppError::Internal`] for a station that lies nowhere.
pub fn at_site(
    site: &SiteRecord,
    stations: &[StationRecord],
) -> Result<Vec<WeighedStation>, AppError> {
    let home = site.position();
    let mut weighed: Vec<WeighedStation> = stations
        .iter()
        .map(|station| {
            let at = Position::new(station.latitude_degrees, station.longitude_degrees).ok();
            WeighedStation {
                distance_metres: home.zip(at).map(|(home, at)| home.distance_meters(&at)),
                higher_by_metres: station
                    .elevation_metres
                    .zip(site.elevation_metres)
                    .map(|(station, home)| station - home),
                weight: 0.0,
                station: station.clone(),
            }
        })
        .collect();
    let places: Option<Vec<StationPlace>> = weighed
        .iter()
        .map(|it| {
            Some(StationPlace {
                distance_meters: it.distance_metres?,
                // Where a height is not known, heights say nothing.
                higher_by_meters: it.higher_by_metres.unwrap_or(0.0),
            })
        })
        .collect();
    let weights = match places {
        Some(places) if places.len() > 1 => {
            site_weights(&places).map_err(|error| AppError::internal("station weights", error))?
        }
        _ => vec![1.0],
    };
    for (it, weight) in weighed.iter_mut().zip(weights) {
        it.weight = weight;
    }
    Ok(weighed)
}

/// The book of the branch's own station with the heat of its further ones beside it.
///
/// A further station stands on the days of the branch's own; on days that it lacks, the branch's
/// own stands in, moved by their mean difference. One that has less than a year in common with it
/// is left out, and the run says so.
///
/// # Errors
/// Those of the store; [`AppError::NotReady`] as for a single station.
pub fn beside<'a>(
    state: &AppState,
    branch: &BranchRecord,
    sites: impl Iterator<Item = &'a SiteRecord>,
    book: HeatBook,
) -> Result<HeatBook, AppError> {
    let stations = state.store.read(|conn| of_branch(conn, branch))?;
    let Some((own, further)) = stations.split_first().filter(|(_, further)| !further.is_empty())
    else {
        return Ok(book);
    };
    let as_of = book.as_of;
    let mut book = book;
    let mut used = vec![own.clone()];
    for station in further {
        match whole_record(state, station.id, &book.series, as_of) {
            Ok(whole) => {
                book.add_station(&whole.series, &whole.lent)?;
                used.push(station.clone());
            }
            Err(AppError::NotReady(why)) => book
                .assumptions
                .push(format!("station {} is left out of the weights: {why}", station.key)),
            Err(error) => return Err(error),
        }
    }
    let mut weights = BTreeMap::new();
    for site in sites {
        let at_site = at_site(site, &used)?;
        let shares: Vec<f64> = at_site.iter().map(|it| it.weight).collect();
        if shares.iter().skip(1).any(|weight| *weight > 0.0) {
            weights.insert(site.id, shares);
        }
    }
    book.weigh(weights);
    Ok(book)
}

/// A further station's record on every day of the branch's own.
fn whole_record(
    state: &AppState,
    id: StationId,
    own: &StationSeries,
    as_of: NaiveDate,
) -> Result<hotspell_weather::stations::CompletedSeries, AppError> {
    let record = weather::station_record(state, id)?;
    let known = record.days.iter().filter(|day| day.date < as_of).copied().collect();
    let known = StationSeries::from_days(record.station, known);
    completed(&known, own).map_err(|error| AppError::NotReady(error.to_string()))
}
