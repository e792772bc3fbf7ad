//! Thin handlers, one file for each resource: parse, call, answer.

use utoipa::openapi::tag::{Tag, TagBuilder};
use utoipa_actix_web::scope;
use utoipa_actix_web::service_config::ServiceConfig;

pub(crate) mod accounts;
pub(crate) mod actions;
mod agreements;
pub(crate) mod backtests;
mod branch_stations;
pub(crate) mod branches;
mod bulk;
mod calendars;
mod components;
pub(crate) mod contacts;
mod exports;
mod health;
mod history;
mod imports;
mod no_cool;
pub(crate) mod notice_lines;
mod notices;
pub(crate) mod photos;
mod plan_moves;
mod plans;
mod readings;
mod rehearsals;
mod repairs;
mod routes;
mod run_events;
mod runs;
mod season;
pub(crate) mod sites;
mod subscriptions;
pub(crate) mod technicians;
mod trail;
mod units;
mod visits;
pub(crate) mod weather;

/// Registers every operation. Only what is registered by `service` reaches the document.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config.service(health::livez).service(health::readyz).service(calendars::find_calendar);
    config.service(
        scope("/api/v1")
            .configure(office)
            .configure(homes)
            .configure(machines)
            .configure(season)
            .configure(engine)
            .configure(conversation),
    );
}

fn office(config: &mut ServiceConfig<'_>) {
    config
        .service(branches::list_branches)
        .service(branches::find_branch)
        .service(branches::create_branch)
        .service(branches::update_branch)
        .service(technicians::list_technicians)
        .service(technicians::find_technician)
        .service(technicians::create_technician)
        .service(technicians::update_technician)
        .service(accounts::list_accounts)
        .service(accounts::find_own_account)
        .service(accounts::find_account)
        .service(accounts::create_account)
        .service(accounts::update_account)
        .service(accounts::list_tokens)
        .service(accounts::create_token)
        .service(accounts::revoke_token)
        .service(trail::list_audit)
        .service(trail::list_changes)
        .service(subscriptions::list_subscriptions)
        .service(subscriptions::find_subscription)
        .service(subscriptions::create_subscription)
        .service(subscriptions::update_subscription)
        .service(subscriptions::replace_subscription_secret)
        .service(subscriptions::deliver_subscription);
}

fn homes(config: &mut ServiceConfig<'_>) {
    config
        .service(sites::list_sites)
        .service(sites::find_site)
        .service(sites::create_site)
        .service(sites::update_site)
        .service(history::find_site_history)
        .service(contacts::list_contacts)
        .service(contacts::find_contact)
        .service(contacts::create_contact)
        .service(contacts::update_contact)
        .service(contacts::revoke_contact_links)
        .service(agreements::list_agreements)
        .service(agreements::find_agreement)
        .service(agreements::create_agreement)
        .service(agreements::update_agreement)
        .service(agreements::renew_agreement)
        .service(bulk::renew_agreements);
}

fn machines(config: &mut ServiceConfig<'_>) {
    config
        .service(units::list_units)
        .service(units::find_unit)
        .service(units::create_unit)
        .service(units::update_unit)
        .service(components::list_components)
        .service(components::find_component)
        .service(components::create_component)
        .service(components::update_component)
        .service(components::create_replacement)
        .service(components::find_decision)
        .service(readings::list_readings)
        .service(readings::find_reading)
        .service(readings::create_reading)
        .service(readings::update_reading)
        .service(bulk::create_readings);
}

fn season(config: &mut ServiceConfig<'_>) {
    config
        .service(weather::list_weather_stations)
        .service(weather::find_weather_station)
        .service(weather::list_weather_days)
        .service(weather::list_weather_findings)
        .service(weather::put_weather_station)
        .service(weather::upload_weather_file)
        .service(season::find_season)
        .service(season::draw_season_curve)
        .service(branch_stations::list_branch_stations)
        .service(branch_stations::put_branch_stations)
        .service(branch_stations::list_station_weights)
        .service(runs::list_runs)
        .service(runs::find_run)
        .service(runs::stop_run)
        .service(runs::follow_run)
        .service(runs::list_scores)
        .service(visits::list_visits)
        .service(visits::find_visit)
        .service(visits::create_visit)
        .service(visits::update_visit)
        .service(visits::change_visit_state)
        .service(bulk::change_visit_states)
        .service(visits::list_visit_events)
        .service(visits::list_visit_results)
        .service(photos::create_photo)
        .service(photos::list_photos)
        .service(photos::find_photo)
        .service(no_cool::create_no_cool_call)
        .service(no_cool::find_no_cool_call)
        .service(no_cool::accept_no_cool_call)
        .service(no_cool::reject_no_cool_call)
        .service(repairs::list_visit_offers)
        .service(repairs::explain_visit)
        .service(plans::list_plans)
        .service(plans::find_plan)
        .service(plans::discard_plan)
        .service(plans::list_plan_stops)
        .service(plans::list_plan_routes)
        .service(plans::compare_plans)
        .service(plan_moves::move_plan_visit)
        .service(plans::list_unplaced_visits)
        .service(routes::list_routes)
        .service(routes::find_route)
        .service(routes::find_load_list)
        .service(routes::find_route_geojson)
        .service(routes::report_delay)
        .service(routes::mail_route);
}

fn engine(config: &mut ServiceConfig<'_>) {
    config
        .service(imports::create_import)
        .service(imports::find_import)
        .service(exports::find_export)
        .service(exports::export_audit)
        .service(actions::create_scoring_run)
        .service(backtests::create_backtest)
        .service(backtests::find_backtest)
        .service(rehearsals::create_rehearsal)
        .service(rehearsals::find_rehearsal)
        .service(rehearsals::stop_rehearsal)
        .service(actions::create_plan)
        .service(actions::adopt_plan)
        .service(repairs::create_repair)
        .service(actions::write_load_lists)
        .service(actions::create_visit_result)
        .service(actions::compose_notices)
        .service(actions::deliver_notices);
}

fn conversation(config: &mut ServiceConfig<'_>) {
    config
        .service(notices::list_notices)
        .service(notices::find_notice)
        .service(notice_lines::list_notice_lines)
        .service(notice_lines::find_notice_lines)
        .service(notice_lines::put_notice_lines)
        .service(notices::list_answers);
}

/// The document's chapters.
pub(crate) fn tags() -> Vec<Tag> {
    [
        ("health", "Whether the service lives and is ready."),
        ("branches", "Offices: station, calendar, quiet hours, depot."),
        ("technicians", "People who visit: skills, shifts, days off."),
        ("sites", "Homes under agreement."),
        ("contacts", "People of a home, their consent and reachability."),
        ("agreements", "What is owed to a home each year."),
        ("units", "Machines at a home."),
        ("components", "Parts: one record for one part in one position for one stretch of time."),
        ("readings", "What was measured or seen on a part."),
        ("weather", "Stations, their days, and what was found wrong with them."),
        ("runs", "Recorded computations."),
        ("scores", "Risk of each part, with reasons."),
        ("visits", "Owed, placed, announced, agreed, done, missed or dropped."),
        ("plans", "Season plans: drafts to compare, one of which may be adopted."),
        ("routes", "One technician's stops on one day, and the truck's load list."),
        ("notices", "Messages in the outbox."),
        ("answers", "What households answered."),
        ("accounts", "Who may use the service, and their tokens."),
        ("imports", "Bringing your own data as CSV, and taking it out again."),
        ("audit", "Who changed what, when."),
        ("changes", "The change feed for other programs, and who is told of it."),
    ]
    .into_iter()
    .map(|(name, text)| TagBuilder::new().name(name).description(Some(text)).build())
    .collect()
}
