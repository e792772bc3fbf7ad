//! The office's pages: the season, the weather under it, the risk list, the routes of a day, a
//! home, the proof of the model.

mod day;
mod first_steps;
mod import;
mod needs;
mod no_cool;
mod part;
mod plans;
mod proof;
mod rehearsal;
mod risk;
mod season;
mod settings;
mod site;
mod weather;

use actix_web::web;

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(web::resource("/office/season").route(web::get().to(season::show)))
        .service(web::resource("/office/risk").route(web::get().to(risk::show)))
        .service(web::resource("/office/risk/scoring").route(web::post().to(risk::score)))
        .service(web::resource("/office/parts/{part}").route(web::get().to(part::show)))
        .service(
            web::resource("/office/rehearsal")
                .route(web::get().to(rehearsal::show))
                .route(web::post().to(rehearsal::start)),
        )
        .service(
            web::resource("/office/rehearsal/{run}/stop").route(web::post().to(rehearsal::stop)),
        )
        .service(web::resource("/office/weather").route(web::get().to(weather::show)))
        .service(web::resource("/office/weather/{station}").route(web::post().to(weather::take)))
        .service(
            web::resource("/office/proof")
                .route(web::get().to(proof::show))
                .route(web::post().to(proof::run)),
        )
        .service(web::resource("/office/sites").route(web::get().to(site::find)))
        .service(
            web::resource("/office/sites/{site}")
                .route(web::get().to(site::show))
                .route(web::post().to(site::change_home)),
        )
        .service(
            web::resource("/office/sites/{site}/contacts/{contact}")
                .route(web::post().to(site::change_person)),
        )
        .service(
            web::resource("/office/no-cool")
                .route(web::get().to(no_cool::ask))
                .route(web::post().to(no_cool::take)),
        )
        .service(
            web::resource("/office/no-cool/{call}")
                .route(web::get().to(no_cool::ways))
                .route(web::post().to(no_cool::decide)),
        )
        .service(web::resource("/office/day").route(web::get().to(day::show)));
    plans::routes(config);
    settings::routes(config);
    import::routes(config);
}
