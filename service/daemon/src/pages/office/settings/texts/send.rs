//! A sample to oneself, and what became of those that were sent.

use actix_web::{HttpRequest, HttpResponse, web};
use chrono_tz::Tz;
use hotspell_store::accounts;
use hotspell_store::branches;
use hotspell_store::notices::NoticeRecord;
use hotspell_store::words::{NoticeState, Resource};
use serde_json::json;

use super::text::{Text, View, page};
use crate::api::audit::{self, Deed};
use crate::api::error::ApiError;
use crate::api::transact::write;
use crate::app::{samples, wording};
use crate::config::MailChannel;
use crate::pages::edit::{field_name, refusal};
use crate::pages::forms::SessionForm;
use crate::pages::refusal::PageError;
use crate::pages::shell;
use crate::pages::visitor::Office;
use crate::state::AppState;

/// Most samples that the page tells of.
const MOST_SHOWN: usize = 5;

/// A sample on its way.
pub(super) struct SentRow {
    pub(super) when: String,
    pub(super) subject: String,
    pub(super) state: String,
    pub(super) failed: bool,
}

/// What became of the samples that somebody was sent.
pub(super) fn sent_rows(mails: &[NoticeRecord], zone: Tz, state: &AppState) -> Vec<SentRow> {
    let to_folder = state.config.mail.channel == MailChannel::Folder;
    mails.iter().take(MOST_SHOWN).map(|mail| sent_row(mail, zone, to_folder)).collect()
}

fn sent_row(mail: &NoticeRecord, zone: Tz, to_folder: bool) -> SentRow {
    let time =
        |at: chrono::DateTime<chrono::Utc>| at.with_timezone(&zone).format("%-I:%M %p").to_string();
    let why = mail.last_error.as_deref().unwrap_or("no reason was given");
    let said = match mail.state {
        NoticeState::Waiting if mail.attempts == 0 => {
            "Waits for its turn: mail goes out each minute. Look again then.".to_owned()
        }
        NoticeState::Waiting => {
            format!("Not taken yet: {why}. It is tried again at {}.", time(mail.next_attempt_at))
        }
        NoticeState::Claimed => "Is being handed over now. Look again in a minute.".to_owned(),
        NoticeState::Delivered if to_folder => {
            "Written into the server's mail folder; no mail server is configured.".to_owned()
        }
        NoticeState::Delivered => "The mail server took it.".to_owned(),
        NoticeState::Refused => format!("Refused: {why}."),
        NoticeState::GivenUp => format!("Given up: {why}."),
        NoticeState::Unknown => format!(
            "It may have arrived: {why}. It is tried again at {}.",
            time(mail.next_attempt_at)
        ),
        NoticeState::Cancelled => "Taken back.".to_owned(),
    };
    let failed = matches!(mail.state, NoticeState::Refused | NoticeState::GivenUp)
        || (mail.state == NoticeState::Waiting && mail.attempts > 0);
    SentRow {
        when: time(mail.created_at),
        subject: mail.subject.clone(),
        state: said.replace("..", "."),
        failed,
    }
}

/// Sends a sample to the account that asks, with the lines that are kept.
pub(super) async fn send(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    place: web::Path<(String, String)>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let text = Text::of(&place.0, &place.1)?;
    let (caller, shared) = (office.0, state.clone());
    let name = sent.text("sample").unwrap_or_default().to_owned();
    let outcome = write(&state, move |conn| {
        let branch = branches::find(conn, caller.branch)?;
        let account = accounts::find(conn, caller.branch, caller.account)?;
        let lines = wording::of(conn, branch.id, text.kind, text.language)?.lines;
        let all = text.samples(&branch, lines, &shared.config.mail.from);
        let sample = all.ok().and_then(|all| all.into_iter().find(|sample| sample.name == name));
        let sample = sample.ok_or_else(|| ApiError::not_found("sample", &name))?;
        let what = json!({ "sample": sample.name, "language": text.language });
        samples::send(conn, &shared, &branch, &account, text.language, sample)?;
        let deed = Deed { action: "send sample", kind: Resource::Account, id: account.id.0 };
        audit::record(conn, &caller, deed, None::<&()>, Some(&what), shared.now())?;
        Ok(Ok(()))
    })
    .await;
    match refusal(outcome, field_name)? {
        Ok(()) => Ok(shell::see_other(&format!("{}#sent", text.path()))),
        Err(wrong) => {
            let not_sent = wrong.into_values().next();
            page(&state, &request, office, text, View { not_sent, ..View::default() }).await
        }
    }
}
