//! What people see: pages made by the server, that work without scripts.
//!
//! Every page starts from what its reader must decide there; the head of its file says it. Pages
//! call the same use cases as the API and hold no arithmetic of the trade. Nothing is inline: one
//! stylesheet, pictures as SVG made here, scripts only where people have no signal, so that the
//! Content-Security-Policy can stay strict.

mod assets;
pub mod charts;
mod edit;
mod files;
mod forms;
mod household;
mod office;
mod parts;
mod refusal;
mod shell;
mod sign_in;
mod technician;
mod visitor;
mod words;

use actix_web::web;

/// Longest form that is read, bytes: a check of a large home is about 20 kB.
const FORM_LIMIT_BYTES: usize = 256 * 1024;

/// Registers every page.
pub fn routes(config: &mut web::ServiceConfig) {
    let forms = web::FormConfig::default()
        .limit(FORM_LIMIT_BYTES)
        .error_handler(|error, _| refusal::PageError::unreadable_form(&error).into());
    config
        .app_data(forms)
        .service(web::resource("/assets/{version}/{name}").route(web::get().to(assets::asset)))
        .service(web::resource("/").route(web::get().to(sign_in::start)))
        .service(
            web::resource("/sign-in")
                .route(web::get().to(sign_in::form))
                .route(web::post().to(sign_in::enter)),
        )
        .service(web::resource("/sign-out").route(web::post().to(sign_in::leave)));
    household::routes(config);
    technician::routes(config);
    office::routes(config);
}
