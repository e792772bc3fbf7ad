//! Accounts: who may sign in and whose programs may ask.
//!
//! What the reader must decide: may this person still get in, and how? Mostly somebody new starts,
//! somebody forgot a password, somebody left. So the list says for each account whether it is open and
//! by what it gets in, and an account's page has one section for each of these deeds. Ending an
//! account ends all it has at once; nothing it did is lost.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use hotspell_domain::{AccountId, Role, TechnicianId};
use hotspell_store::accounts::{self as rows, AccountFields, AccountFilter, AccountRecord};
use hotspell_store::technicians::{self, TechnicianFilter};
use hotspell_store::{AnyConnection, Page, StoreError};

use super::tokens::{self, TokenRow};
use super::{Kept, kept, load, shell_of, status};
use crate::api::auth::password;
use crate::api::handlers::accounts as api;
use crate::api::transact::{run, write};
use crate::api::types::accounts::AccountInput;
use crate::pages::edit::{Form, Refused, Wrong, field_name, refusal, version};
use crate::pages::forms::{Fields, SessionForm};
use crate::pages::refusal::PageError;
use crate::pages::shell::{self, Shell};
use crate::pages::visitor::Office;
use crate::state::AppState;

pub(super) const PATH: &str = "/office/settings/accounts";
const PASSWORD_HINT: &str = "At least 8 characters; 15 or more are better.";

pub(super) fn routes(config: &mut web::ServiceConfig) {
    let of_account = |deed: &str| format!("{PATH}/{{account}}{deed}");
    config
        .service(web::resource(PATH).route(web::get().to(list)).route(web::post().to(add)))
        .service(
            web::resource(of_account("")).route(web::get().to(show)).route(web::post().to(change)),
        )
        .service(web::resource(of_account("/password")).route(web::post().to(set_password)))
        .service(web::resource(of_account("/end")).route(web::post().to(end)))
        .service(web::resource(of_account("/open")).route(web::post().to(open)))
        .service(web::resource(of_account("/tokens")).route(web::post().to(tokens::make)))
        .service(
            web::resource(of_account("/tokens/{token}/revoke"))
                .route(web::post().to(tokens::revoke)),
        );
}

struct Row {
    id: i64,
    name: String,
    email: String,
    what: String,
    state: &'static str,
}

#[derive(Template)]
#[template(path = "settings-accounts.html")]
struct ListPage {
    shell: Shell,
    accounts: Vec<Row>,
    add: Form,
}

#[derive(Template)]
#[template(path = "settings-account.html")]
struct AccountPage {
    shell: Shell,
    id: i64,
    name: String,
    what: String,
    state: &'static str,
    disabled: bool,
    own: bool,
    kept: bool,
    version: i64,
    account: Form,
    password: Form,
    token: Form,
    tokens: Vec<TokenRow>,
    ended: usize,
    new_token: Option<String>,
}

fn state_of(record: &AccountRecord) -> &'static str {
    match (record.disabled, record.password_hash.is_some()) {
        (true, _) => "ended: cannot get in",
        (false, true) => "open: password and tokens",
        (false, false) => "open: tokens only, no password",
    }
}

fn what(record: &AccountRecord, people: &[(TechnicianId, String)]) -> String {
    match (record.role, record.technician_id) {
        (Role::Office, _) => "office".to_owned(),
        (Role::Homeowner, _) => "homeowner".to_owned(),
        (Role::Technician, id) => {
            let name = people.iter().find(|(it, _)| Some(*it) == id).map(|(_, name)| name.as_str());
            format!("technician: {}", name.unwrap_or("unknown"))
        }
    }
}

fn names(
    conn: &mut AnyConnection,
    branch: hotspell_domain::BranchId,
) -> Result<Vec<(TechnicianId, String)>, StoreError> {
    let everybody =
        technicians::list(conn, branch, &TechnicianFilter::default(), Page::everything())?;
    Ok(everybody.into_iter().map(|person| (person.id, person.name.clone())).collect())
}

/// The list.
async fn list(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
) -> Result<HttpResponse, PageError> {
    list_page(&state, &request, office, &Refused::default()).await
}

async fn list_page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    refused: &Refused,
) -> Result<HttpResponse, PageError> {
    let (branch, (people, mut accounts)) = load(state, office.0, |conn, branch| {
        let accounts = rows::list(conn, branch.id, &AccountFilter::default(), Page::everything())?;
        Ok((names(conn, branch.id)?, accounts))
    })
    .await?;
    accounts.sort_by(|a, b| (a.disabled, &a.name).cmp(&(b.disabled, &b.name)));
    let whose: Vec<(String, String)> =
        people.iter().map(|(id, name)| (id.to_string(), format!("technician: {name}"))).collect();
    let mut choices = vec![("office", "the office")];
    choices.extend(whose.iter().map(|(id, words)| (id.as_str(), words.as_str())));
    let fields = vec![
        refused.line("name", "Name", ""),
        refused.line("email", "Mail address, to sign in with", "").kind("email"),
        refused.choice("who", "For", &choices, "office"),
        refused
            .secret("password", "Password")
            .hint("At least 8 characters; 15 or more are better. Empty: it gets in by access tokens only."),
    ];
    let page = ListPage {
        shell: shell_of(request, &office.0, "Accounts", &branch),
        accounts: accounts
            .iter()
            .map(|record| Row {
                id: record.id.0,
                name: record.name.clone(),
                email: record.email.clone(),
                what: what(record, &people),
                state: state_of(record),
            })
            .collect(),
        add: refused.form("add-", None, fields),
    };
    shell::show(status(page.add.refused()), &page)
}

/// An account's page.
async fn show(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    query: web::Query<Kept>,
) -> Result<HttpResponse, PageError> {
    let view = View { kept: query.is_said(), ..View::default() };
    page(&state, &request, office, id.into_inner(), view).await
}

/// What an account's page shows beside what is stored.
#[derive(Default)]
pub(super) struct View {
    pub(super) kept: bool,
    pub(super) account: Refused,
    pub(super) password: Refused,
    pub(super) token: Refused,
    /// A token that was just made; it is not stored.
    pub(super) new_token: Option<String>,
}

pub(super) async fn page(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    id: i64,
    view: View,
) -> Result<HttpResponse, PageError> {
    let (branch, (record, people, tokens)) = load(state, office.0, move |conn, branch| {
        let record = match rows::find(conn, branch.id, AccountId(id)) {
            Ok(record) => record,
            Err(StoreError::NotFound(_)) => return Err(PageError::nothing("account")),
            Err(error) => return Err(error.into()),
        };
        let tokens = rows::tokens_of(conn, branch.id, record.id, Page::everything())?;
        Ok((record, names(conn, branch.id)?, tokens))
    })
    .await?;
    let (version, now) = (Some(record.version), state.now());
    let (tokens, ended) = tokens::rows(tokens, office.0.token, now, branch.time_zone);
    let page = AccountPage {
        shell: shell_of(request, &office.0, &record.name, &branch),
        id,
        name: record.name.clone(),
        what: what(&record, &people),
        state: state_of(&record),
        disabled: record.disabled,
        own: record.id == office.0.account,
        kept: view.kept,
        version: record.version,
        account: view.account.form(
            "account-",
            version,
            vec![
                view.account.line("name", "Name", &*record.name),
                view.account.line("email", "Mail address", &*record.email).kind("email"),
            ],
        ),
        password: view.password.form(
            "password-",
            version,
            vec![view.password.secret("password", "New password").hint(PASSWORD_HINT)],
        ),
        token: view.token.form("token-", None, tokens::fields(&view.token)),
        tokens,
        ended,
        new_token: view.new_token,
    };
    let refused = page.account.refused() || page.password.refused() || page.token.refused();
    shell::show(status(refused), &page)
}

/// Takes a new account.
async fn add(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let (caller, now) = (office.0, state.now());
    let who = sent.text("who").unwrap_or("office");
    let technician_id = who.parse::<i64>().ok().map(TechnicianId);
    let input = AccountInput {
        name: sent.text("name").unwrap_or_default().to_owned(),
        email: sent.text("email").unwrap_or_default().to_owned(),
        role: if technician_id.is_some() { Role::Technician } else { Role::Office },
        technician_id,
        contact_id: None,
        disabled: false,
        password: sent.secret("password").map(str::to_owned),
    };
    // Hashing is slow on purpose: not inside the transaction.
    let outcome = match run(move || input.fields()).await {
        Ok(fields) => write(&state, move |conn| api::add(conn, &caller, &fields, now)).await,
        Err(error) => Err(error),
    };
    let name = |pointer: &str| match pointer {
        "technician_id" => "who".to_owned(),
        other => field_name(other),
    };
    match refusal(outcome.map(Ok), name)? {
        Ok(view) => Ok(kept(&format!("{PATH}/{}", view.id))),
        Err(wrong) => {
            list_page(&state, &request, office, &Refused { sent: Some(sent), wrong }).await
        }
    }
}

/// Changes an account by what `change` makes of its fields; without a password it keeps its own.
async fn edit(
    state: &web::Data<AppState>,
    office: &Office,
    id: i64,
    sent: &Fields,
    change: impl FnOnce(AccountFields) -> AccountFields + Send + 'static,
) -> Result<Result<(), Wrong>, PageError> {
    let (caller, now, expected) = (office.0, state.now(), version(sent));
    let outcome = write(state, move |conn| {
        let before = rows::find(conn, caller.branch, AccountId(id))?;
        expected.check(before.version)?;
        let kept = AccountFields { password_hash: None, ..before.fields.clone() };
        api::replace(conn, &caller, &before, change(kept), now).map(|_| Ok(()))
    })
    .await;
    refusal(outcome, field_name)
}

/// Takes another name or address.
async fn change(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let id = id.into_inner();
    let text = |name: &str| sent.text(name).unwrap_or_default().to_owned();
    // The checks of the API; whom the account stands for does not change here.
    let asked = AccountInput {
        name: text("name"),
        email: text("email"),
        role: Role::Office,
        technician_id: None,
        contact_id: None,
        disabled: false,
        password: None,
    };
    let outcome = match refusal(asked.fields().map(Ok), field_name)? {
        Ok(asked) => {
            let change = |fields| AccountFields { name: asked.name, email: asked.email, ..fields };
            edit(&state, &office, id, &sent, change).await?
        }
        Err(wrong) => Err(wrong),
    };
    match outcome {
        Ok(()) => Ok(kept(&format!("{PATH}/{id}"))),
        Err(wrong) => {
            let account = Refused { sent: Some(sent), wrong };
            page(&state, &request, office, id, View { account, ..View::default() }).await
        }
    }
}

/// Takes a new password: the account's sessions and tokens end.
async fn set_password(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    let id = id.into_inner();
    let secret = sent.secret("password").unwrap_or_default().to_owned();
    let hashed = run(move || {
        password::hash(&secret)
            .map_err(|error| crate::api::error::ApiError::field("/password", error.to_string()))
    })
    .await;
    let outcome = match refusal(hashed.map(Ok), field_name)? {
        Ok(hash) => {
            let change = |fields| AccountFields { password_hash: Some(hash), ..fields };
            edit(&state, &office, id, &sent, change).await?
        }
        Err(wrong) => Err(wrong),
    };
    match outcome {
        Ok(()) => Ok(kept(&format!("{PATH}/{id}"))),
        Err(wrong) => {
            let password = Refused { sent: None, wrong };
            page(&state, &request, office, id, View { password, ..View::default() }).await
        }
    }
}

/// Ends an account.
async fn end(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    set_disabled(&state, &request, office, id.into_inner(), &sent, true).await
}

/// Opens an ended account again.
async fn open(
    state: web::Data<AppState>,
    request: HttpRequest,
    office: Office,
    id: web::Path<i64>,
    SessionForm(sent): SessionForm,
) -> Result<HttpResponse, PageError> {
    set_disabled(&state, &request, office, id.into_inner(), &sent, false).await
}

async fn set_disabled(
    state: &web::Data<AppState>,
    request: &HttpRequest,
    office: Office,
    id: i64,
    sent: &Fields,
    disabled: bool,
) -> Result<HttpResponse, PageError> {
    let change = move |fields| AccountFields { disabled, ..fields };
    match edit(state, &office, id, sent, change).await? {
        Ok(()) => Ok(kept(&format!("{PATH}/{id}"))),
        Err(wrong) => {
            let account = Refused { sent: None, wrong };
            page(state, request, office, id, View { account, ..View::default() }).await
        }
    }
}
