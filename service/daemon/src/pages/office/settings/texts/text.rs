//! One kind of notice in one language: the mail as it would go out, and the branch's own lines in it.

use actix_web::http::StatusCode;
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderValue, X_FRAME_OPTIONS,
};
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_domain::{Language, NoticeKind};
use hotspell_notices::compose::{Branch, OwnLines};
use hotspell_notices::message::is_for_household;
use hotspell_notices::samples::{self, Sample};
use hotspell_store::accounts;
use hotspell_store::branches::BranchRecord;
use serde::{Deserialize, Serialize};

use super::super::{Kept, kept, load, shell_of, status};
use super::send::{SentRow, sent_rows};
use super::{PATH, language_said, no_server, said};
use crate::api::error::ApiError;
use crate::api::handlers::notice_lines::word;
use crate::api::transact::write;
use crate::app::wording::{self, Wording};
use crate::app::{letters, samples as sent};
use crate::pages::edit::{Form, Refused, field_name, refusal};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::PageError;
use crate::pages::shell::{self, Shell};
use crate::pages::visitor::Office;
use crate::state::AppState;

/// For a page that shows mail in a frame of its own.
const PAGE_POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; \
    frame-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";
/// For the mail itself: its styles stand in it, and nothing else of it may do anything, even opened alone.
const MAIL_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; sandbox; \
    form-action 'none'; frame-ancestors 'self'; base-uri 'none'";

/// Which text, from the address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Text {
    pub(super) kind: NoticeKind,
    pub(super) language: Language,
}

impl Text {
    /// Reads the address.
    pub(super) fn of(kind: &str, language: &str) -> Result<Self, PageError> {
        let known = kind.parse().ok().filter(|kind| *kind != NoticeKind::Sample);
        match known.zip(language.parse().ok()) {
            Some((kind, language)) => Ok(Self { kind, language }),
            None => Err(PageError::nothing("notice text")),
        }
    }

    /// Refuses the lines of mail that carries none.
    fn must_carry_lines(self) -> Result<(), PageError> {
        if is_for_household(self.kind) {
            return Ok(());
        }
        Err(PageError::told(
            StatusCode::CONFLICT,
            "Only mail to households carries lines of the branch.",
        ))
    }

    pub(super) fn path(self) -> String {
        format!("{PATH}/{}/{}", self.kind, self.language)
    }

    /// Its samples as the branch writes them with these lines.
    pub(super) fn samples(
        self,
        branch: &BranchRecord,
        lines: OwnLines,
        reply_to: &str,
    ) -> Result<Vec<Sample>, PageError> {
        let branch = Branch { own_lines: lines, ..letters::branch_of(branch, reply_to) };
        let mut all = samples::all(&branch, self.language)
            .map_err(|error| PageError::broken("samples of notices", &error))?;
        all.retain(|sample| sample.kind == self.kind);
        Ok(all)
    }
}

/// Lines that are looked at before they are kept.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Lines {
    #[serde(default)]
    opening: Option<String>,
    #[serde(default)]
    closing: Option<String>,
}

impl Lines {
    fn sent(sent: &Fields) -> Self {
        let text = |name| Some(sent.text(name).unwrap_or_default().to_owned());
        Self { opening: text("opening"), closing: text("closing") }
    }

    /// Nothing when none came.
    fn read(&self) -> Result<Option<OwnLines>, ApiError> {
        if *self == Self::default() {
            return Ok(None);
        }
        let text = |line: &Option<String>| line.clone().unwrap_or_default();
        Ok(Some(wording::read(&text(&self.opening), &text(&self.closing))?))
    }
}

struct SampleView {
    name: &'static str,
    heading: &'static str,
    subject: String,
    short: String,
    text: String,
    calendar: bool,
    mail: String,
}

#[derive(Template)]
#[template(path = "settings-text.html")]
struct TextPage {
    shell: Shell,
    path: String,
    name: &'static str,
    when: &'static str,
    language: Language,
    language_name: &'static str,
    others: Vec<(String, &'static str)>,
    kept: bool,
    unkept: bool,
    no_server: Option<&'static str>,
    address: String,
    refused: Option<String>,
    samples: Vec<SampleView>,
    sent: Vec<SentRow>,
    lines: Option<Form>,
}

/// What the page shows beside what is stored.
#[derive(Default)]
pub(super) struct View {
    pub(super) kept: bool,
    pub(super) lines: Refused,
    /// Lines that were not kept.
    pub(super) unkept: Option<Lines>,
    /// Why a sample was not sent.
    pub(super) not_sent: Option<String>,
}

/// The page.
pub(super) async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    place: web::Path<(String, String)>,
    query: web::Query<Kept>,
) -> Result<HttpResponse, PageError> {
    let text = Text::of(&place.0, &place.1)?;
    page(&state, &request, office, text, View { kept: query.is_said(), ..View::default() }).await
}

pub(super) async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    text: Text,
    view: View,
) -> Result<HttpResponse, PageError> {
    let (account, now) = (office.0.account, state.now());
    let (branch, (wording, account, mails)) = load(state, office.0, move |conn, branch| {
        let account = accounts::find(conn, branch.id, account)?;
        let mails = sent::sent_to(conn, branch.id, &account.email, now)?;
        Ok((wording::of(conn, branch.id, text.kind, text.language)?, account, mails))
    })
    .await?;
    // Lines with a mistake are shown beside it, not in the mail.
    let looked_at = view.unkept.as_ref().map(Lines::read).transpose().ok().flatten().flatten();
    let unkept = looked_at.is_some();
    let query = view.unkept.as_ref().filter(|_| unkept);
    let query = query.map(serde_urlencoded::to_string).transpose();
    let query = query.map_err(|error| PageError::broken("lines in an address", &error))?;
    let lines = looked_at.unwrap_or_else(|| wording.lines.clone());
    let samples = text.samples(&branch, lines, &state.config.mail.from)?;
    let (name, when) = said(text.kind);
    let others = Language::ALL.iter().filter(|other| **other != text.language);
    let page = TextPage {
        path: text.path(),
        name,
        when,
        language: text.language,
        language_name: language_said(text.language),
        others: others
            .map(|other| (Text { language: *other, ..text }.path(), language_said(*other)))
            .collect(),
        kept: view.kept,
        unkept,
        no_server: no_server(&state.config),
        address: account.email.clone(),
        refused: view.not_sent,
        samples: samples
            .into_iter()
            .map(|sample| sample_view(text, sample, query.as_deref()))
            .collect(),
        sent: sent_rows(&mails, branch.time_zone, state),
        lines: is_for_household(text.kind).then(|| form(&wording, &view.lines)),
        shell: shell_of(request, &office.0, name, &branch),
    };
    let refused = page.refused.is_some() || page.lines.as_ref().is_some_and(Form::refused);
    let mut answer = shell::show(status(refused), &page)?;
    answer.headers_mut().insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(PAGE_POLICY));
    Ok(answer)
}

fn sample_view(text: Text, sample: Sample, query: Option<&str>) -> SampleView {
    let Sample { name, content, .. } = sample;
    let unkept = query.map(|query| format!("?{query}")).unwrap_or_default();
    SampleView {
        name,
        heading: match name {
            "slot-moved" => "The mail when the visit moved",
            "slot-cancelled" => "The mail when the visit is cancelled",
            _ => "The mail",
        },
        subject: content.subject,
        short: content.short,
        text: content.text,
        calendar: content.calendar.is_some(),
        mail: format!("{}/samples/{name}{unkept}", text.path()),
    }
}

fn form(wording: &Wording, refused: &Refused) -> Form {
    let written = |line: &Option<_>| {
        line.as_ref()
            .map_or_else(String::new, |line: &hotspell_notices::compose::OwnLine| line.to_string())
    };
    let fields = vec![
        refused
            .line("opening", "After the greeting", written(&wording.lines.opening))
            .long()
            .hint("Empty: nothing is added."),
        refused.line("closing", "Before the foot", written(&wording.lines.closing)).long().hint(
            "One line of at most 300 characters each. {name}, {address} and {branch} are filled in. \
             Make no offer here: an offer can turn the whole mail into advertising by law.",
        ),
    ];
    refused.form("lines-", Some(wording.version), fields)
}

/// Shows the mail with lines that are not kept yet.
pub(super) async fn look(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    place: web::Path<(String, String)>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let text = Text::of(&place.0, &place.1)?;
    text.must_carry_lines()?;
    let unkept = Lines::sent(&sent);
    let wrong = refusal(unkept.read().map(|_| Ok(())), field_name)?.err().unwrap_or_default();
    let lines = Refused { sent: Some(sent), wrong };
    page(&state, &request, office, text, View { lines, unkept: Some(unkept), ..View::default() })
        .await
}

/// Keeps the lines.
pub(super) async fn change(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    place: web::Path<(String, String)>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let text = Text::of(&place.0, &place.1)?;
    text.must_carry_lines()?;
    let (caller, now, lines) = (office.0, state.now(), Lines::sent(&sent));
    // No version fits a form without one.
    let expected = sent.text("version").and_then(|version| version.parse().ok()).unwrap_or(-1);
    let outcome = write(&state, move |conn| {
        let lines = lines.read()?.unwrap_or_default();
        word(conn, &caller, (text.kind, text.language), &lines, expected, now)?;
        Ok(Ok(()))
    })
    .await;
    match refusal(outcome, field_name)? {
        Ok(()) => Ok(kept(&text.path())),
        Err(wrong) => {
            let lines = Refused { sent: Some(sent), wrong };
            page(&state, &request, office, text, View { lines, ..View::default() }).await
        }
    }
}

/// The HTML of a sample alone, for the frame on the page.
pub(super) async fn mail(
    state: web::Data<AppState>,
    office: Office,
    place: web::Path<(String, String, String)>,
    query: web::Query<Lines>,
) -> Result<HttpResponse, PageError> {
    let text = Text::of(&place.0, &place.1)?;
    let looked_at = query.read()?;
    let (branch, wording) = load(&state, office.0, move |conn, branch| {
        Ok(wording::of(conn, branch.id, text.kind, text.language)?)
    })
    .await?;
    let lines = looked_at.unwrap_or(wording.lines);
    let samples = text.samples(&branch, lines, &state.config.mail.from)?;
    let sample = samples.into_iter().find(|sample| sample.name == place.2);
    let sample = sample.ok_or_else(|| PageError::nothing("sample"))?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CACHE_CONTROL, "private, no-store"))
        .insert_header((CONTENT_SECURITY_POLICY, MAIL_POLICY))
        .insert_header((X_FRAME_OPTIONS, "SAMEORIGIN"))
        .body(sample.content.html))
}
