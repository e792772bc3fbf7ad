//! Notice texts: what the branch writes, to whom, in which language.
//!
//! What the reader must decide: would I be glad to get this mail, and does it sound like us? So the list
//! says for each kind when it goes out and to whom, and where the branch has lines of its own; a text's
//! page shows the mail first, then the two lines that can be added, and sends it to whoever asks.

mod send;
mod text;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_domain::{BranchId, Language, NoticeKind};
use hotspell_notices::message::is_for_household;
use hotspell_store::AnyConnection;
use hotspell_store::notice_wordings::{self, NoticeWording};

use super::{load, shell_of};
use crate::config::{Config, MailChannel};
use crate::pages::refusal::PageError;
use crate::pages::shell::{self, Shell};
use crate::pages::visitor::Office;
use crate::pages::words;
use crate::state::AppState;

pub(super) const PATH: &str = "/office/settings/notices";

pub(super) fn routes(config: &mut web::ServiceConfig) {
    let of_text = |deed: &str| format!("{PATH}/{{kind}}/{{language}}{deed}");
    config
        .service(web::resource(PATH).route(web::get().to(list)))
        .service(
            web::resource(of_text(""))
                .route(web::get().to(text::show))
                .route(web::post().to(text::change)),
        )
        .service(web::resource(of_text("/look")).route(web::post().to(text::look)))
        .service(web::resource(of_text("/send")).route(web::post().to(send::send)))
        .service(web::resource(of_text("/samples/{sample}")).route(web::get().to(text::mail)));
}

/// What a kind is called, and when it goes to whom.
const fn said(kind: NoticeKind) -> (&'static str, &'static str) {
    match kind {
        NoticeKind::Reminder => {
            ("First reminder", "To the household, when its visit has a day and a time.")
        }
        NoticeKind::SecondReminder => {
            ("Second reminder", "To the household, when it has not answered and the day is near.")
        }
        NoticeKind::DayBefore => ("Day before", "To the household, the day before its visit."),
        NoticeKind::SlotChanged => (
            "Changed or cancelled visit",
            "To the household, when the day or time that it was told does not hold any more.",
        ),
        NoticeKind::TechnicianDelayed => {
            ("Late technician", "To the household, when its technician runs late today.")
        }
        NoticeKind::VisitReport => {
            ("Visit report", "To the household, when the technician has sent what was found.")
        }
        NoticeKind::RenewalDue => {
            ("End of the agreement", "To the household, when its agreement ends soon.")
        }
        NoticeKind::TechnicianRoute => {
            ("Route of tomorrow", "To the technician, each evening before a day with visits.")
        }
        NoticeKind::OfficeDigest => ("Digest", "To the office, each day."),
        NoticeKind::Sample => ("Sample", "To whoever of the office asks for it."),
    }
}

/// What a language is called.
const fn language_said(language: Language) -> &'static str {
    match language {
        Language::English => "English",
        Language::Spanish => "Spanish",
    }
}

/// How many texts have own lines, in words.
pub(super) fn in_short(conn: &mut AnyConnection, branch: BranchId) -> Result<String, PageError> {
    let kept = notice_wordings::list(conn, branch)?;
    Ok(match kept.iter().filter(|wording| lines_of(wording) > 0).count() {
        0 => "all as delivered".to_owned(),
        number => words::count(number, "text with own lines", "texts with own lines"),
    })
}

fn lines_of(wording: &NoticeWording) -> usize {
    [&wording.opening, &wording.closing].into_iter().flatten().count()
}

/// Said where no mail leaves the machine.
fn no_server(config: &Config) -> Option<&'static str> {
    match config.mail.channel {
        MailChannel::Smtp => None,
        MailChannel::Folder => Some(
            "No mail server is configured (mail.channel is folder): mail is written into the server's \
             mail folder and reaches nobody's inbox.",
        ),
    }
}

struct Row {
    name: &'static str,
    when: &'static str,
    texts: Vec<Text>,
}

struct Text {
    path: String,
    language: &'static str,
    own: &'static str,
}

#[derive(Template)]
#[template(path = "settings-texts.html")]
struct ListPage {
    shell: Shell,
    no_server: Option<&'static str>,
    rows: Vec<Row>,
}

/// The list.
async fn list(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    let (branch, kept) =
        load(&state, office.0, |conn, branch| Ok(notice_wordings::list(conn, branch.id)?)).await?;
    let own = |kind, language| {
        let wording = kept.iter().find(|it| it.kind == kind && it.language == language);
        match wording.map_or(0, lines_of) {
            _ if !is_for_household(kind) => "",
            0 => "as delivered",
            1 => "with one line of your own",
            _ => "with two lines of your own",
        }
    };
    let kinds = NoticeKind::ALL.iter().copied().filter(|kind| *kind != NoticeKind::Sample);
    let rows = kinds.map(|kind| {
        let (name, when) = said(kind);
        let texts = Language::ALL.iter().map(|language| Text {
            path: format!("{PATH}/{kind}/{language}"),
            language: language_said(*language),
            own: own(kind, *language),
        });
        Row { name, when, texts: texts.collect() }
    });
    let page = ListPage {
        rows: rows.collect(),
        no_server: no_server(&state.config),
        shell: shell_of(&request, &office.0, "Notice texts", &branch),
    };
    shell::show(StatusCode::OK, &page)
}
