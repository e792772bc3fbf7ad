//! The page behind the link of a renewal mail: go on, or please call. Reading changes nothing.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;

use super::words::Words;
use super::{Query, WORDS_MAX, bad_link};
use crate::app::letters;
use crate::app::renewals::{self, RenewalAnswer, RenewalView};
use crate::pages::forms::OpenForm;
use crate::pages::refusal::{PageError, blocking};
use crate::pages::shell::{self, Shell, see_other};
use crate::pages::words::dialable;
use crate::state::AppState;

/// The page of an agreement that ends soon.
#[derive(Template)]
#[template(path = "renewal.html")]
struct RenewalPage {
    shell: Shell,
    words: &'static Words,
    /// What was just understood.
    said: Option<&'static str>,
    /// Why the form is shown again.
    wrong: Option<&'static str>,
    ends: String,
    address: String,
    phone: Option<(String, String)>,
}

impl RenewalPage {
    fn of(view: &RenewalView, said: Option<&'static str>, wrong: Option<&'static str>) -> Self {
        let words = Words::of(view.site.language);
        Self {
            shell: Shell::open(view.site.language, words.renewal_title, &view.branch.name),
            words,
            said,
            wrong,
            ends: view.agreement.last_day.map(|day| words.full_date(day)).unwrap_or_default(),
            address: letters::address_of(&view.site),
            phone: view.branch.phone.clone().map(|phone| (dialable(&phone), phone)),
        }
    }
}

fn said(words: &'static Words, word: &str) -> Option<&'static str> {
    match word {
        "go-on" => Some(words.renewal_said_go_on),
        "call" => Some(words.renewal_said_call),
        _ => None,
    }
}

pub(super) async fn look(
    state: web::Data<AppState>,
    token: web::Path<String>,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let found = blocking(move || Ok::<_, PageError>(renewals::view(&state, &token))).await?;
    match found {
        Ok(view) => {
            let words = Words::of(view.site.language);
            let said = query.said.as_deref().and_then(|word| said(words, word));
            shell::show(StatusCode::OK, &RenewalPage::of(&view, said, None))
        }
        Err(refusal) => bad_link(refusal),
    }
}

pub(super) async fn answer(
    state: web::Data<AppState>,
    request: HttpRequest,
    token: web::Path<String>,
    OpenForm(fields): OpenForm,
) -> Result<HttpResponse, PageError> {
    let words: String = fields.text("words").unwrap_or_default().chars().take(WORDS_MAX).collect();
    let (word, given) = match fields.text("answer") {
        Some("go-on") => ("go-on", Some(RenewalAnswer::GoOn)),
        Some("call") => ("call", Some(RenewalAnswer::CallMe { words })),
        _ => ("", None),
    };
    let asked = given.is_none();
    let worked = blocking(move || {
        Ok::<_, PageError>(match given {
            Some(given) => renewals::answer(&state, &token, &given),
            None => renewals::view(&state, &token),
        })
    })
    .await?;
    match worked {
        Ok(view) if asked => {
            let wrong = Words::of(view.site.language).wrong_nothing;
            let page = RenewalPage::of(&view, None, Some(wrong));
            shell::show(StatusCode::UNPROCESSABLE_ENTITY, &page)
        }
        Ok(_) => Ok(see_other(&format!("{}?said={word}", request.path()))),
        Err(refusal) => bad_link(refusal),
    }
}
