//! What stands around every page.

use actix_web::http::StatusCode;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use hotspell_domain::{Language, Role};

use super::assets;
use super::refusal::PageError;
use crate::api::auth::session;
use crate::api::caller::Caller;

/// A place in the navigation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    /// Where it leads.
    pub(super) path: &'static str,
    /// Its name.
    pub(super) name: &'static str,
}

/// The season overview.
pub(super) const SEASON: Place = Place { path: "/office/season", name: "Season" };
/// What the weather under all of it is worth.
pub(super) const WEATHER: Place = Place { path: "/office/weather", name: "Weather" };
/// The risk list.
pub(super) const RISK: Place = Place { path: "/office/risk", name: "Risk list" };
/// What the model is worth.
pub(super) const PROOF: Place = Place { path: "/office/proof", name: "Proof" };
/// The season plan and its drafts.
pub(super) const PLANS: Place = Place { path: "/office/plans", name: "Plan" };
/// The season rehearsed.
pub(super) const REHEARSAL: Place = Place { path: "/office/rehearsal", name: "Rehearsal" };
/// The routes of a day.
pub(super) const DAY: Place = Place { path: "/office/day", name: "Day" };
/// The homes.
pub(super) const HOMES: Place = Place { path: "/office/sites", name: "Homes" };
/// The branch, its people and its notices.
pub(super) const SETTINGS: Place = Place { path: "/office/settings", name: "Settings" };
/// A technician's day.
pub(super) const TODAY: Place = Place { path: "/technician/today", name: "My day" };

const OFFICE_PLACES: &[Place] =
    &[SEASON, WEATHER, RISK, PLANS, REHEARSAL, PROOF, DAY, HOMES, SETTINGS];
const TECHNICIAN_PLACES: &[Place] = &[TODAY];

/// Head, navigation and foot of a page.
#[derive(Debug, Clone)]
pub(super) struct Shell {
    /// Language of the page.
    pub(super) language: Language,
    /// Title in the window and in lists of pages.
    pub(super) title: String,
    /// Name of the branch; empty where none is known.
    pub(super) branch: String,
    /// Where the reader can go.
    pub(super) places: &'static [Place],
    /// Where the reader is.
    pub(super) here: Option<Place>,
    /// The token of the session's forms; none for pages without a session.
    pub(super) form_token: Option<String>,
}

impl Shell {
    /// A page for anybody.
    pub(super) fn open(language: Language, title: impl Into<String>, branch: &str) -> Self {
        Self {
            language,
            title: title.into(),
            branch: branch.to_owned(),
            places: &[],
            here: None,
            form_token: None,
        }
    }

    /// A page for somebody who signed in.
    pub(super) fn signed_in(
        request: &HttpRequest,
        caller: &Caller,
        title: impl Into<String>,
        branch: &str,
        here: Option<Place>,
    ) -> Self {
        let places = match caller.role {
            Role::Office => OFFICE_PLACES,
            Role::Technician => TECHNICIAN_PLACES,
            Role::Homeowner => &[],
        };
        Self {
            places,
            here,
            form_token: session::form_token(request),
            ..Self::open(Language::English, title, branch)
        }
    }

    /// Whether the reader is at this place.
    pub(super) fn is_here(&self, place: &Place) -> bool {
        self.here.as_ref() == Some(place)
    }

    /// Where the stylesheet is.
    pub(super) fn stylesheet(&self) -> String {
        assets::stylesheet_address()
    }

    /// Where the script of the technician's pages is.
    pub(super) fn technician_script(&self) -> String {
        assets::technician_script_address()
    }

    /// Name of the form field that holds [`Self::form_token`].
    pub(super) fn form_field(&self) -> &'static str {
        session::FORM_FIELD
    }

    /// What leads past the head to the content, for people who use a keyboard.
    pub(super) fn skip(&self) -> &'static str {
        match self.language {
            Language::English => "Skip to the content",
            Language::Spanish => "Ir al contenido",
        }
    }
}

/// The answer that shows a page. Pages hold names and addresses, so nobody on the way keeps them.
pub(super) fn show(status: StatusCode, page: &impl Template) -> Result<HttpResponse, PageError> {
    let body = page.render().map_err(|error| PageError::broken("render a page", &error))?;
    Ok(HttpResponse::build(status)
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CACHE_CONTROL, "private, no-store"))
        .body(body))
}

/// The answer that leads the browser to another page with GET.
pub(super) fn see_other(path: &str) -> HttpResponse {
    HttpResponse::SeeOther()
        .insert_header((actix_web::http::header::LOCATION, path))
        .insert_header((CACHE_CONTROL, "private, no-store"))
        .finish()
}
