//! Sessions of the pages: cookies that the interface itself does not take.

use actix_web::{HttpResponse, web};
use hotspell_daemon::api::auth::session::{self, SignIns};
use hotspell_daemon::api::caller::Caller;
use hotspell_daemon::server::Hooks;
use reqwest::StatusCode;

use crate::support::{Service, example};

fn pages(config: &mut web::ServiceConfig) {
    config.route(
        "/whoami",
        web::get().to(async |caller: Option<Caller>| {
            HttpResponse::Ok().body(caller.map_or_else(|| "nobody".to_owned(), |c| c.who()))
        }),
    );
}

async fn whoami(service: &Service, cookie: &str) -> String {
    let request = service.client.get(format!("{}/whoami", service.url));
    request.header("Cookie", cookie).send().await.unwrap().text().await.unwrap()
}

#[tokio::test]
async fn a_session_names_the_caller_until_it_is_ended() {
    let service = Service::start_with(Hooks { pages, ..Hooks::NONE }, |_| {});
    service.make("/api/v1/accounts", &example("AccountInput")).await;
    let (attempts, email) = (SignIns::default(), "Desk@Example.com ");
    let sign_in =
        async |password: &str| session::sign_in(&service.state, &attempts, email, password).await;
    assert!(sign_in("a short phrase").await.is_err());
    let (cookie, account) = sign_in("a long phrase of your own").await.unwrap();
    assert_eq!(account.name, "Front desk");
    // ASVS 5.0, 7.2 and 4.0.3, 3.4: not readable by scripts, not sent from foreign pages.
    assert!(cookie.http_only().unwrap() && cookie.same_site().is_some());
    let sent = format!("{}={}", cookie.name(), cookie.value());
    assert_eq!(whoami(&service, &sent).await, "office account 2");
    assert_eq!(whoami(&service, "hotspell_session=forged").await, "nobody");

    // The interface takes no cookie, so no foreign page can act through a browser; and a session
    // is no token.
    let path = format!("{}/api/v1/account", service.url);
    let answer = service.client.get(&path).header("Cookie", &sent).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::UNAUTHORIZED);
    let answer = service.client.get(&path).bearer_auth(cookie.value()).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::UNAUTHORIZED);

    let (other, _) = session::sign_in_with_token(&service.state, &service.office).await.unwrap();
    let other = format!("{}={}", other.name(), other.value());
    assert_eq!(whoami(&service, &other).await, "office account 1");
    let caller = Caller {
        account: account.id,
        token: session_token(&service, account.id).await,
        role: account.role,
        branch: account.branch_id,
        technician: None,
        contact: None,
    };
    session::sign_out(&service.state, &caller).await.unwrap();
    assert_eq!(whoami(&service, &sent).await, "nobody");
    assert_eq!(whoami(&service, &other).await, "office account 1");
}

#[tokio::test]
async fn a_form_without_the_sessions_own_token_changes_nothing() {
    let service =
        Service::start_with(Hooks { pages: hotspell_daemon::pages::routes, ..Hooks::NONE }, |_| {});
    let (cookie, _) = session::sign_in_with_token(&service.state, &service.office).await.unwrap();
    let cookie = format!("{}={}", cookie.name(), cookie.value());
    let send = async |path: &str, body: &'static str| {
        let request = service.client.post(format!("{}{path}", service.url)).body(body);
        let request = request.header("Content-Type", "application/x-www-form-urlencoded");
        request.header("Cookie", &cookie).send().await.unwrap().status()
    };
    for (path, body) in [
        ("/office/rehearsal", "replicates=10"),
        ("/office/rehearsal", "replicates=10&form_token=00"),
        ("/office/rehearsal/1/stop", "a=b"),
        ("/technician/visit/1", "finish=yes"),
        ("/sign-out", "a=b"),
    ] {
        assert_eq!(send(path, body).await, StatusCode::FORBIDDEN, "{path} {body}");
    }
}

async fn session_token(
    service: &Service,
    account: hotspell_domain::AccountId,
) -> hotspell_store::words::TokenId {
    let store = &service.state.store;
    let tokens = store
        .read(|conn| {
            hotspell_store::accounts::tokens_of(
                conn,
                service.branch,
                account,
                hotspell_store::Page::everything(),
            )
        })
        .unwrap();
    tokens.last().unwrap().id
}

#[tokio::test]
async fn passwords_cannot_be_tried_at_will() {
    let service = Service::start();
    let attempts = SignIns::default();
    let mut statuses = Vec::new();
    for _ in 0..12 {
        let refused =
            session::sign_in(&service.state, &attempts, "nobody@example.com", "guess").await;
        statuses.push(refused.unwrap_err().kind().status().as_u16());
    }
    assert_eq!(statuses[..10], [401; 10]);
    assert_eq!(statuses[10..], [429, 429]);
}
