//! The homeowner's page behind the link in the mail.
//!
//! What the reader must decide: does this day and time suit me? So the day and the time stand
//! first and largest, then who comes and why, then one form with three answers. Reading changes
//! nothing: mail programs open links by themselves. Nobody is told to open the cabinet.

mod page;
mod renewal;
mod words;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use chrono::NaiveDate;
use hotspell_domain::{ContactId, Language, VisitState};
use hotspell_notices::links::LinkPurpose;
use hotspell_store::{Page, StoreError, branches, contacts, sites};
use serde::Deserialize;

use super::forms::OpenForm;
use super::refusal::{PageError, blocking};
use super::shell::{self, Shell, see_other};
use crate::app::AppError;
use crate::app::answers::{self, Answer, AnswerView};
use crate::app::slots::{self, KeptSlot};
use crate::state::AppState;
use page::{AnswerPage, BadLinkPage, OffersPage, Said, StopPage};
use words::Words;

/// Longest free text of a household, letters.
const WORDS_MAX: usize = 1000;

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(
            web::resource("/a/{token}").route(web::get().to(look)).route(web::post().to(answer)),
        )
        .service(
            web::resource("/renew/{token}")
                .route(web::get().to(renewal::look))
                .route(web::post().to(renewal::answer)),
        )
        .service(
            web::resource("/stop/{token}")
                .route(web::get().to(ask_stop))
                .route(web::post().to(stop)),
        );
}

/// What may stand behind the address.
#[derive(Debug, Default, Deserialize)]
struct Query {
    said: Option<String>,
}

/// The page of the visit.
async fn look(
    state: web::Data<AppState>,
    token: web::Path<String>,
    query: web::Query<Query>,
) -> Result<HttpResponse, PageError> {
    let said = query.said.as_deref().and_then(Said::of);
    let (worker, sent) = (state.clone(), token.into_inner());
    let found = blocking(move || Ok::<_, PageError>(answers::view(&worker, &sent))).await?;
    match found {
        Ok(view) => shell::show(StatusCode::OK, &AnswerPage::of(&view, said, None)),
        Err(refusal) => bad_link(refusal),
    }
}

/// Takes an answer, then leads back to the page, which says what was understood.
async fn answer(
    state: web::Data<AppState>,
    request: HttpRequest,
    token: web::Path<String>,
    OpenForm(fields): OpenForm,
) -> Result<HttpResponse, PageError> {
    let token = token.into_inner();
    let word = fields.text("answer").unwrap_or_default();
    let hold: Option<i64> = word.strip_prefix("slot-").and_then(|number| number.parse().ok());
    let said = if hold.is_some() { Some(Said::Slot) } else { Said::of(word) };
    let asked: Option<NaiveDate> = fields.text("day").and_then(|day| day.parse().ok());
    let wish: String = fields.text("words").unwrap_or_default().chars().take(WORDS_MAX).collect();
    let (worker, link) = (state.clone(), token.clone());
    let outcome = blocking(move || {
        Ok::<_, PageError>(take(&worker, &link, Given { said, hold, asked, wish }))
    })
    .await?;
    match outcome {
        Ok(Taken::Kept(said)) => {
            let path = request.path();
            Ok(see_other(&format!("{path}?said={}", said.as_str())))
        }
        Ok(Taken::Choose(view, slots, wrong)) => {
            let wrong = wrong.map(|wrong| wrong.sentence(Words::of(view.site.language)));
            let minutes = state.config.links.hold_minutes;
            shell::show(StatusCode::OK, &OffersPage::of(&view, &slots, minutes, wrong))
        }
        Ok(Taken::AskAgain(view, wrong)) => {
            let words = Words::of(view.site.language);
            let page = AnswerPage::of(&view, None, Some(wrong.sentence(words)));
            shell::show(StatusCode::UNPROCESSABLE_ENTITY, &page)
        }
        Err(refusal) => bad_link(refusal),
    }
}

/// What became of an answer.
enum Taken {
    Kept(Said),
    /// Other slots are kept, to choose from.
    Choose(Box<AnswerView>, Vec<KeptSlot>, Option<Wrong>),
    AskAgain(Box<AnswerView>, Wrong),
}

/// Why the form is shown again.
#[derive(Clone, Copy)]
enum Wrong {
    NothingChosen,
    SlotGone,
    DayMoved,
    NotOpen,
}

impl Wrong {
    const fn sentence(self, words: &'static Words) -> &'static str {
        match self {
            Self::NothingChosen => words.wrong_nothing,
            Self::SlotGone => words.wrong_slot_gone,
            Self::DayMoved => words.wrong_day_moved,
            Self::NotOpen => words.wrong_not_open,
        }
    }
}

/// What the form sent.
struct Given {
    said: Option<Said>,
    hold: Option<i64>,
    asked: Option<NaiveDate>,
    wish: String,
}

fn take(state: &AppState, token: &str, given: Given) -> Result<Taken, AppError> {
    let Given { said, hold, asked, wish } = given;
    let view = answers::view(state, token)?;
    let again = |wrong| Ok(Taken::AskAgain(Box::new(view.clone()), wrong));
    let waits = view.visit.state == VisitState::Owed && said != Some(Said::Yes);
    if !(view.visit.state.holds_a_place() || waits) {
        return again(Wrong::NotOpen);
    }
    let given = match said {
        None => return again(Wrong::NothingChosen),
        Some(Said::Yes) if !asked.is_some_and(|day| answers::still_on(&view, day)) => {
            return again(Wrong::DayMoved);
        }
        Some(Said::Other) if wish.is_empty() => return choose(state, token, None),
        Some(Said::Slot) => return take_slot(state, token, hold),
        Some(Said::Yes) => Answer::Confirm,
        Some(Said::Other) => Answer::AnotherTime { words: wish },
        Some(Said::Call) => Answer::CallMe,
    };
    match answers::answer(state, token, &given) {
        Ok(_) => Ok(Taken::Kept(said.unwrap_or(Said::Yes))),
        // The visit moved or closed between reading and writing: show how it stands now.
        Err(AppError::Conflict(_) | AppError::Store(StoreError::StaleVersion { .. })) => {
            Ok(Taken::AskAgain(Box::new(answers::view(state, token)?), Wrong::DayMoved))
        }
        Err(error) => Err(error),
    }
}

/// Keeps other slots and lets the household choose.
fn choose(state: &AppState, token: &str, wrong: Option<Wrong>) -> Result<Taken, AppError> {
    let (view, kept) = slots::keep(state, token)?;
    Ok(Taken::Choose(Box::new(view), kept, wrong))
}

/// Takes one; a slot that went in the meantime leads to the ones that are free now.
fn take_slot(state: &AppState, token: &str, hold: Option<i64>) -> Result<Taken, AppError> {
    let Some(hold) = hold else { return choose(state, token, Some(Wrong::SlotGone)) };
    match slots::take(state, token, hold) {
        Ok(_) => Ok(Taken::Kept(Said::Slot)),
        Err(AppError::Conflict(_) | AppError::Store(StoreError::StaleVersion { .. })) => {
            choose(state, token, Some(Wrong::SlotGone))
        }
        Err(error) => Err(error),
    }
}

/// The page that asks before the mail is stopped.
async fn ask_stop(
    state: web::Data<AppState>,
    token: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    stop_page(state, token.into_inner(), false).await
}

/// Stops the mail: by the button of the page, and by the one-click POST of mail programs, which
/// carries no cookie (RFC 8058, section 3.2). The link itself is the proof; the body says nothing
/// more.
async fn stop(
    state: web::Data<AppState>,
    token: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    stop_page(state, token.into_inner(), true).await
}

async fn stop_page(
    state: web::Data<AppState>,
    token: String,
    stopping: bool,
) -> Result<HttpResponse, PageError> {
    let worked = blocking(move || {
        let work = || {
            if stopping {
                answers::stop_mail(&state, &token)?;
            }
            let claims = answers::claims(&state, &token, LinkPurpose::StopMail)?;
            household_of(&state, claims.contact)
        };
        Ok::<_, PageError>(work())
    })
    .await?;
    match worked {
        Ok((language, branch, stopped)) => {
            let words = Words::of(language);
            let shell = Shell::open(language, words.stop_title, &branch.name);
            let page = StopPage { shell, words, stopped, phone: branch.phone.clone() };
            shell::show(StatusCode::OK, &page)
        }
        Err(refusal) => bad_link(refusal),
    }
}

/// Language and branch of a contact, and whether their mail is stopped.
fn household_of(
    state: &AppState,
    contact: ContactId,
) -> Result<(Language, branches::BranchRecord, bool), AppError> {
    state.store.read(|conn| {
        // A link does not name its branch.
        for branch in branches::list(conn, None, Page::everything())? {
            match contacts::find(conn, branch.id, contact) {
                Ok(person) => {
                    let site = sites::find(conn, branch.id, person.site_id)?;
                    return Ok((site.language, branch, person.stopped_at.is_some()));
                }
                Err(StoreError::NotFound(_)) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Err(AppError::not_found("contact", contact))
    })
}

/// A link that does not count: a friendly page in both languages, since it names no household.
fn bad_link(refusal: AppError) -> Result<HttpResponse, PageError> {
    match refusal {
        AppError::Forbidden(_) | AppError::NotFound { .. } => {
            let shell = Shell::open(Language::English, Words::of(Language::English).bad_title, "");
            let page = BadLinkPage {
                shell,
                languages: Language::ALL.iter().map(|it| (*it, Words::of(*it))).collect(),
            };
            shell::show(StatusCode::FORBIDDEN, &page)
        }
        other => Err(other.into()),
    }
}
