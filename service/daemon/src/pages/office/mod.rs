//! The office's pages: the season, the risk list, the routes of a day, the proof of the model.

mod day;
mod proof;
mod risk;
mod season;

use actix_web::web;

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(web::resource("/office/season").route(web::get().to(season::show)))
        .service(web::resource("/office/risk").route(web::get().to(risk::show)))
        .service(web::resource("/office/proof").route(web::get().to(proof::show)))
        .service(web::resource("/office/day").route(web::get().to(day::show)));
}
