//! Tomorrow's route and load list, to the technician.
//!
//! It leads to opening cabinets, so it starts with the cautions.

use chrono::{NaiveDate, NaiveTime};
use hotspell_domain::{
    CapacitorRating, ComponentClass, Condition, Language, Microfarads, UnitKind, VisitKind,
};

use super::{Branch, ComposeError, ComposedNotice, Window, compose, pages};

/// Why a part is looked at, for the person who will look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PartReason {
    /// The last reading of a section.
    LowReading {
        /// Measured.
        measured: Microfarads,
        /// Printed on the part.
        rated: Microfarads,
    },
    /// Seen at an earlier visit.
    Seen(Condition),
    /// Years in service.
    Years(u32),
    /// It has gathered more heat than most parts.
    HeatExposure,
    /// The same part of the sister unit failed.
    SisterFailed,
    /// Nobody knows since when it is there.
    UnknownHistory,
}

/// A part at a stop.
#[derive(Debug, Clone, PartialEq)]
pub struct StopPart {
    /// What it is.
    pub class: ComponentClass,
    /// Its rating, if it is a capacitor and known.
    pub rating: Option<CapacitorRating>,
    /// Whether it is to be replaced.
    pub due: bool,
    /// Why it is on the list, weightiest first.
    pub why: Vec<PartReason>,
}

/// A machine at a stop.
#[derive(Debug, Clone, PartialEq)]
pub struct StopUnit {
    /// What the household calls it.
    pub label: String,
    /// What it is.
    pub kind: UnitKind,
    /// The parts to look at.
    pub parts: Vec<StopPart>,
}

/// A stop of the day.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// Planned arrival, local to the branch.
    pub arrive: NaiveTime,
    /// Planned departure.
    pub leave: NaiveTime,
    /// What the household was promised.
    pub window: Window,
    /// Whose home.
    pub household_name: String,
    /// Telephone.
    pub phone: Option<String>,
    /// Street address on one line.
    pub site_address: String,
    /// Gate, dog, key.
    pub access_notes: Option<String>,
    /// What the visit is for.
    pub visit_kind: VisitKind,
    /// What is there.
    pub units: Vec<StopUnit>,
}

/// A line of the load list.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadItem {
    /// What.
    pub class: ComponentClass,
    /// Which rating.
    pub rating: CapacitorRating,
    /// How many.
    pub quantity: u32,
}

/// One technician's day.
#[derive(Debug, Clone, PartialEq)]
pub struct TechnicianRoute {
    /// Whose office.
    pub branch: Branch,
    /// Who is written to.
    pub technician_first_name: String,
    /// Language of the text.
    pub language: Language,
    /// The day.
    pub day: NaiveDate,
    /// When to leave the depot.
    pub leave_depot: NaiveTime,
    /// When the day is over.
    pub back_at_depot: NaiveTime,
    /// What the truck must carry.
    pub load: Vec<LoadItem>,
    /// In driving order.
    pub stops: Vec<Stop>,
    /// Link to the route on the phone.
    pub route_url: String,
}

pages!(page(TechnicianRoute) {
    English => "en/technician-route.md",
    Spanish => "es/technician-route.md",
});

/// The route of a day, with the cautions first and the load list before the stops.
///
/// # Errors
/// [`ComposeError::Window`] for a window that ends before it begins.
pub fn technician_route(values: &TechnicianRoute) -> Result<ComposedNotice, ComposeError> {
    values.stops.iter().try_for_each(|stop| stop.window.check())?;
    compose(&page(values, values.language)?, values.language, None)
}
