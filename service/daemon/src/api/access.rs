//! Which role has which operation: the one table.
//!
//! A role that is not named here is refused, and so is an operation that is missing (a test
//! compares the table with the document). What a role reaches of an operation's rows is decided
//! in `visibility`.

use hotspell_domain::Role::{self, Homeowner, Office, Technician};

const OFFICE: &[Role] = &[Office];
const CREW: &[Role] = &[Office, Technician];
const EVERYBODY: &[Role] = &[Office, Technician, Homeowner];

/// Every operation under `/api/` with the roles that have it.
pub const ACCESS: &[(&str, &[Role])] = &[
    ("list_branches", CREW),
    ("find_branch", CREW),
    ("create_branch", OFFICE),
    ("update_branch", OFFICE),
    ("list_technicians", OFFICE),
    ("find_technician", CREW),
    ("create_technician", OFFICE),
    ("update_technician", OFFICE),
    ("list_accounts", OFFICE),
    ("find_own_account", EVERYBODY),
    ("find_account", OFFICE),
    ("create_account", OFFICE),
    ("update_account", OFFICE),
    ("list_tokens", EVERYBODY),
    ("create_token", CREW),
    ("revoke_token", EVERYBODY),
    ("list_audit", OFFICE),
    ("list_changes", OFFICE),
    ("list_subscriptions", OFFICE),
    ("find_subscription", OFFICE),
    ("create_subscription", OFFICE),
    ("update_subscription", OFFICE),
    ("replace_subscription_secret", OFFICE),
    ("deliver_subscription", OFFICE),
    ("list_sites", OFFICE),
    ("find_site", CREW),
    ("create_site", OFFICE),
    ("update_site", OFFICE),
    ("find_site_history", CREW),
    ("list_contacts", CREW),
    ("find_contact", CREW),
    ("create_contact", OFFICE),
    ("update_contact", OFFICE),
    ("revoke_contact_links", OFFICE),
    ("list_agreements", OFFICE),
    ("find_agreement", CREW),
    ("create_agreement", OFFICE),
    ("update_agreement", OFFICE),
    ("renew_agreement", OFFICE),
    ("renew_agreements", OFFICE),
    ("list_units", CREW),
    ("find_unit", CREW),
    ("create_unit", OFFICE),
    ("update_unit", OFFICE),
    ("list_components", CREW),
    ("find_component", CREW),
    ("create_component", OFFICE),
    ("update_component", OFFICE),
    ("create_replacement", OFFICE),
    ("find_decision", CREW),
    ("list_readings", CREW),
    ("find_reading", CREW),
    ("create_reading", CREW),
    ("create_readings", CREW),
    ("update_reading", OFFICE),
    ("list_weather_stations", CREW),
    ("find_season", CREW),
    ("draw_season_curve", CREW),
    ("find_weather_station", CREW),
    ("list_weather_days", CREW),
    ("list_weather_findings", CREW),
    ("put_weather_station", OFFICE),
    ("upload_weather_file", OFFICE),
    ("list_branch_stations", CREW),
    ("put_branch_stations", OFFICE),
    ("list_notice_lines", OFFICE),
    ("find_notice_lines", OFFICE),
    ("put_notice_lines", OFFICE),
    ("list_station_weights", OFFICE),
    ("create_import", OFFICE),
    ("find_import", OFFICE),
    ("find_export", OFFICE),
    ("export_audit", OFFICE),
    ("create_scoring_run", OFFICE),
    ("create_backtest", OFFICE),
    ("find_backtest", OFFICE),
    ("create_rehearsal", OFFICE),
    ("find_rehearsal", OFFICE),
    ("stop_rehearsal", OFFICE),
    ("create_plan", OFFICE),
    ("adopt_plan", OFFICE),
    ("create_repair", OFFICE),
    ("write_load_lists", OFFICE),
    ("create_visit_result", CREW),
    ("compose_notices", OFFICE),
    ("deliver_notices", OFFICE),
    ("list_runs", OFFICE),
    ("find_run", OFFICE),
    ("stop_run", OFFICE),
    ("follow_run", OFFICE),
    ("list_scores", CREW),
    ("list_visits", EVERYBODY),
    ("find_visit", EVERYBODY),
    ("create_visit", OFFICE),
    ("update_visit", OFFICE),
    ("change_visit_state", OFFICE),
    ("change_visit_states", OFFICE),
    ("list_visit_events", CREW),
    ("list_visit_results", CREW),
    ("create_photo", CREW),
    ("list_photos", EVERYBODY),
    ("find_photo", EVERYBODY),
    ("create_no_cool_call", OFFICE),
    ("find_no_cool_call", OFFICE),
    ("accept_no_cool_call", OFFICE),
    ("reject_no_cool_call", OFFICE),
    ("list_visit_offers", OFFICE),
    ("explain_visit", OFFICE),
    ("list_plans", OFFICE),
    ("find_plan", OFFICE),
    ("discard_plan", OFFICE),
    ("list_plan_stops", OFFICE),
    ("list_plan_routes", OFFICE),
    ("compare_plans", OFFICE),
    ("move_plan_visit", OFFICE),
    ("list_unplaced_visits", OFFICE),
    ("list_routes", CREW),
    ("find_route", CREW),
    ("find_load_list", CREW),
    ("find_route_geojson", CREW),
    ("report_delay", CREW),
    ("mail_route", OFFICE),
    ("list_notices", OFFICE),
    ("find_notice", OFFICE),
    ("list_answers", OFFICE),
];

/// Operations that change something that has no version.
pub const WITHOUT_VERSION: &[&str] =
    &["put_branch_stations", "revoke_token", "upload_weather_file"];

/// The roles that have an operation.
#[must_use]
pub fn roles(operation: &str) -> &'static [Role] {
    ACCESS.iter().find(|(id, _)| *id == operation).map_or(&[], |(_, roles)| roles)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::api::openapi::document;
    use crate::api::operations::Operations;

    #[test]
    fn every_operation_stands_in_the_table_and_nothing_else_does() {
        let operations = Operations::of(&document());
        let served: BTreeSet<&str> = operations
            .all()
            .filter(|(_, path, _)| path.starts_with("/api/"))
            .map(|(_, _, id)| id)
            .collect();
        let listed: BTreeSet<&str> = ACCESS.iter().map(|(id, _)| *id).collect();
        assert_eq!(listed, served);
        assert_eq!(listed.len(), ACCESS.len(), "an operation is listed twice");
    }
}
