//! The words, quantities and rules of the trade that every other room shares.
//!
//! Nothing here reads a clock, a file or a database. Every type is a plain value with a checked
//! constructor; every rule of the trade that more than one room needs is a function here.

pub mod agreement;
pub mod capacitor;
pub mod ids;
pub mod local_time;
pub mod period;
pub mod position;
pub mod quantity;
pub mod record_lines;
pub mod skill;
pub mod term;
pub mod text_enum;
pub mod visit;
pub mod words;

pub use agreement::{OwedVisit, VisitRule, visits_owed};
pub use capacitor::{CapacitorRating, ReadingLimits, ReplacementRefusal, VoltageRating};
pub use ids::{
    AccountId, AgreementId, BranchId, ComponentId, ContactId, LoadListId, NoticeId, PlanId,
    ReadingId, RouteId, RunId, SiteId, TechnicianId, UnitId, VisitId,
};
pub use period::{DateRange, MonthDay, MonthDayRange};
pub use position::Position;
pub use quantity::{Amperes, Celsius, Microfarads, Probability, Volts};
pub use skill::skills_needed;
pub use text_enum::UnknownWord;
pub use words::{
    ComponentClass, ComponentEnd, Condition, Exposure, Language, NoticeKind, Role, Skill,
    TemperatureUnit, UnitKind, VisitKind, VisitState, Vulnerability,
};
