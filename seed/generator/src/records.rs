//! Rows of the import files, in the column order of docs/import.md.

use chrono::NaiveDate;
use serde::Serialize;

#[derive(Debug, Clone, Default, Serialize)]
pub(crate) struct TechnicianRow {
    pub(crate) technician: String,
    pub(crate) name: String,
    pub(crate) email: String,
    pub(crate) phone: String,
    pub(crate) language: String,
    pub(crate) skills: String,
    pub(crate) start_latitude: String,
    pub(crate) start_longitude: String,
    pub(crate) monday: String,
    pub(crate) tuesday: String,
    pub(crate) wednesday: String,
    pub(crate) thursday: String,
    pub(crate) friday: String,
    pub(crate) saturday: String,
    pub(crate) sunday: String,
    pub(crate) absences: String,
    pub(crate) active_from: Option<NaiveDate>,
    pub(crate) active_until: Option<NaiveDate>,
}

#[derive(Debug, Clone, Default, Serialize)]
pub(crate) struct SiteRow {
    pub(crate) site: String,
    pub(crate) name: String,
    pub(crate) address_1: String,
    pub(crate) address_2: String,
    pub(crate) city: String,
    pub(crate) region: String,
    pub(crate) postal_code: String,
    pub(crate) latitude: String,
    pub(crate) longitude: String,
    pub(crate) access_notes: String,
    pub(crate) refused_weekdays: String,
    pub(crate) visit_from: String,
    pub(crate) visit_until: String,
    pub(crate) absences: String,
    pub(crate) vulnerability: String,
    pub(crate) language: String,
    pub(crate) contact_name: String,
    pub(crate) contact_email: String,
    pub(crate) contact_phone: String,
    pub(crate) contact_mail_consent: String,
    pub(crate) contact_consent_on: Option<NaiveDate>,
    pub(crate) contact_consent_how: String,
}

#[derive(Debug, Clone, Serialize)]
pub(crate) struct AgreementRow {
    pub(crate) agreement: String,
    pub(crate) site: String,
    pub(crate) first_day: NaiveDate,
    pub(crate) last_day: Option<NaiveDate>,
    pub(crate) visits: String,
}

#[derive(Debug, Clone, Serialize)]
pub(crate) struct UnitRow {
    pub(crate) unit: String,
    pub(crate) site: String,
    pub(crate) kind: String,
    pub(crate) label: String,
    pub(crate) capacity_tons: String,
    pub(crate) installed_on: String,
    pub(crate) removed_on: Option<NaiveDate>,
    pub(crate) exposure: String,
    pub(crate) supply_volts: String,
}

#[derive(Debug, Clone, Serialize)]
pub(crate) struct ComponentRow {
    pub(crate) component: String,
    pub(crate) unit: String,
    pub(crate) position: String,
    pub(crate) class: String,
    pub(crate) rating: String,
    pub(crate) installed_on: String,
    pub(crate) observed_from: Option<NaiveDate>,
    pub(crate) history_complete: String,
    pub(crate) ended_on: Option<NaiveDate>,
    pub(crate) end_kind: String,
    pub(crate) last_seen_good_on: Option<NaiveDate>,
    pub(crate) replaced_by: String,
    pub(crate) batch: String,
}

#[derive(Debug, Clone, Default, Serialize)]
pub(crate) struct ReadingRow {
    pub(crate) reading: String,
    pub(crate) component: String,
    pub(crate) taken_on: NaiveDate,
    pub(crate) technician: String,
    pub(crate) section: String,
    pub(crate) microfarads: String,
    pub(crate) volts: String,
    pub(crate) amperes: String,
    pub(crate) conditions: String,
    pub(crate) note: String,
}
