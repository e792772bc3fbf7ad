//! What was measured or seen on a component.

use chrono::{DateTime, NaiveDate, Utc};
use diesel::ExpressionMethods;
use hotspell_domain::{ComponentId, Condition, DateRange, ReadingId, SiteId, TechnicianId, UnitId};

use crate::columns::{RawId, RawNullId, RawNullInstant, RawText, naive};
use crate::listing::listing;
use crate::record::{editable, keyed};
use crate::schema::{components, readings, units};
use crate::words::Section;

editable! {
    /// What a technician measured or saw on a day.
    readings, Reading, ReadingRecord, ReadingFields, ReadingId {
        /// Made by whoever measured, so that the same submission counts once.
        client_key: String,
        /// The part.
        component_id: ComponentId as RawId,
        /// The day, of the branch's calendar.
        taken_on: NaiveDate,
        /// By whom.
        technician_id: Option<TechnicianId> as RawNullId,
        /// When exactly, if the sender knew.
        taken_at: Option<DateTime<Utc>> as RawNullInstant,
        /// Which section of a capacitor.
        section: Section as RawText,
        /// As the meter showed, in microfarads.
        microfarads: Option<f64>,
        /// Under load, in volts.
        volts: Option<f64>,
        /// Under load, in amperes.
        amperes: Option<f64>,
        /// What could be seen or felt.
        conditions: Vec<Condition> as RawText,
        /// Free text.
        note: Option<String>,
    }
}
keyed!(readings, ReadingRecord, ReadingFields, ReadingId, client_key);

impl ReadingFields {
    /// Where it stands in time: by day, then by moment, then by key, so that the order does not
    /// depend on which came in first.
    #[must_use]
    pub fn when(&self) -> (NaiveDate, Option<DateTime<Utc>>, &str) {
        (self.taken_on, self.taken_at, &self.client_key)
    }
}

listing! {
    readings, ReadingRecord, list,
    /// Which readings.
    ReadingFilter {
        /// Of this part.
        component: ComponentId => |component| readings::component_id.eq(component.0),
        /// Of the parts of this unit.
        unit: UnitId => |unit| readings::component_id.eq_any(
            components::table.filter(components::unit_id.eq(unit.0)).select(components::id),
        ),
        /// Of the parts at this home.
        site: SiteId => |site| readings::component_id.eq_any(
            components::table
                .filter(components::unit_id.eq_any(
                    units::table.filter(units::site_id.eq(site.0)).select(units::id),
                ))
                .select(components::id),
        ),
        /// Of these parts, at most a few hundred.
        components: Vec<ComponentId> => |parts| readings::component_id
            .eq_any(parts.iter().map(|id| id.0).collect::<Vec<_>>()),
        /// By this technician.
        technician: TechnicianId => |technician| readings::technician_id
            .eq(technician.0),
        /// Taken in the range.
        taken: DateRange => |range| readings::taken_on.between(range.first, range.last),
        /// Changed after this instant.
        updated_after: DateTime<Utc> => |at| readings::updated_at.gt(naive(*at)),
    }
    sorted by ReadingSort {
        TakenOn "taken_on": Day taken_on,
        TakenAt "taken_at": Instant taken_at,
        UpdatedAt "updated_at": Instant updated_at,
    }
}
