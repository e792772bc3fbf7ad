//! The published document: made from the handlers, so that it cannot say something else.

use utoipa::Modify as _;
use utoipa::OpenApi as _;
use utoipa::openapi::OpenApi;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa_actix_web::AppExt as _;

use super::problem::Problem;

/// The document's head.
#[derive(utoipa::OpenApi)]
#[openapi(
    info(
        title = "Hotspell",
        version = "1.0.0",
        description = "Memory and foresight for a cooling contractor's maintenance agreements: \
            equipment, heat age, risk of failure, season plans, routes, load lists and notices.\n\n\
            Instants are RFC 3339 in UTC, days are `YYYY-MM-DD` in the branch's time zone, numbers \
            carry their unit in the name. Changes need `If-Match`; lists are paged by `cursor`; \
            refusals are `application/problem+json` (RFC 9457). POST requests may carry an \
            `Idempotency-Key`.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0"),
        contact(name = "Hotspell", email = "founders@hotspell.example.com"),
    ),
    servers((url = "/", description = "This service")),
    components(schemas(Problem)),
)]
#[derive(Debug)]
struct Head;

/// Adds the bearer token to the finished document.
struct Security;

impl utoipa::Modify for Security {
    fn modify(&self, document: &mut OpenApi) {
        let components = document.components.get_or_insert_with(Default::default);
        components.add_security_scheme(
            "token",
            SecurityScheme::Http(
                HttpBuilder::new()
                    .scheme(HttpAuthScheme::Bearer)
                    .description(Some(
                        "An access token (RFC 6750), sent in the Authorization header.",
                    ))
                    .build(),
            ),
        );
    }
}

/// The whole document.
#[must_use]
pub fn document() -> OpenApi {
    let (_, mut document) =
        actix_web::App::new().into_utoipa_app().openapi(Head::openapi()).split_for_parts();
    Security.modify(&mut document);
    document
}
