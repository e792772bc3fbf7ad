//! A route as GeoJSON (RFC 7946).

use chrono::{DateTime, FixedOffset};
use hotspell_domain::{Position, SiteId, VisitId, VisitKind};
use serde::Serialize;
use utoipa::ToSchema;

use crate::app::way::{Way, WayStop};

/// Longitude and latitude, WGS 84 degrees, in this order (RFC 7946, section 3.1.1).
type Coordinates = Vec<f64>;

/// The one word of a member.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub enum CollectionType {
    /// RFC 7946, section 3.3.
    FeatureCollection,
}

/// The one word of a member.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub enum FeatureType {
    /// RFC 7946, section 3.2.
    Feature,
}

/// Where it is; coordinates are longitude and latitude in WGS 84 degrees.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[serde(tag = "type", content = "coordinates")]
pub enum Geometry {
    /// A stop.
    Point(Coordinates),
    /// The way, straight from place to place.
    LineString(Vec<Coordinates>),
}

/// What a feature stands for.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[serde(tag = "role", rename_all = "kebab-case")]
pub enum FeatureProperties {
    /// A home that is visited.
    Stop(StopProperties),
    /// The way from the start over the stops and back.
    Way,
}

/// A stop as it is planned.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StopProperties {
    /// Its number in driving order, from 1.
    pub order: i32,
    /// The visit.
    #[schema(value_type = i64)]
    pub visit_id: VisitId,
    /// What it is for.
    pub kind: VisitKind,
    /// The home.
    #[schema(value_type = i64)]
    pub site_id: SiteId,
    /// Name of the home.
    pub name: String,
    /// Planned arrival, with the offset of the branch's clock.
    pub arrival: DateTime<FixedOffset>,
    /// Planned departure, with the offset of the branch's clock.
    pub departure: DateTime<FixedOffset>,
}

/// One thing on the map.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Feature {
    /// `Feature`.
    #[serde(rename = "type")]
    pub kind: FeatureType,
    /// Where it is; null for a home whose position is not known.
    pub geometry: Option<Geometry>,
    /// What it is.
    pub properties: FeatureProperties,
}

/// A route as GeoJSON.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct FeatureCollection {
    /// `FeatureCollection`.
    #[serde(rename = "type")]
    pub kind: CollectionType,
    /// The stops in driving order, then the way, which needs two places to be there.
    pub features: Vec<Feature>,
}

fn coordinates(position: Position) -> Coordinates {
    vec![position.longitude_degrees, position.latitude_degrees]
}

fn stop(way: &Way, stop: &WayStop) -> Feature {
    Feature {
        kind: FeatureType::Feature,
        geometry: stop.site.position().map(|position| Geometry::Point(coordinates(position))),
        properties: FeatureProperties::Stop(StopProperties {
            order: stop.order,
            visit_id: stop.visit,
            kind: stop.kind,
            site_id: stop.site.id,
            name: stop.site.name.clone(),
            arrival: stop.arrives.with_timezone(&way.zone).fixed_offset(),
            departure: stop.leaves.with_timezone(&way.zone).fixed_offset(),
        }),
    }
}

impl From<&Way> for FeatureCollection {
    fn from(way: &Way) -> Self {
        let line: Vec<Coordinates> = way.line().into_iter().map(coordinates).collect();
        // Two or more positions (RFC 7946, section 3.1.4).
        let line = (line.len() >= 2).then_some(Feature {
            kind: FeatureType::Feature,
            geometry: Some(Geometry::LineString(line)),
            properties: FeatureProperties::Way,
        });
        let features = way.stops.iter().map(|one| stop(way, one)).chain(line).collect();
        Self { kind: CollectionType::FeatureCollection, features }
    }
}
