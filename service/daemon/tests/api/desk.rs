//! The office's browser, without a browser: a session, pages and forms.

use hotspell_daemon::api::auth::session;
use hotspell_daemon::config::Config;
use hotspell_daemon::server::Hooks;
use reqwest::StatusCode;
use reqwest::redirect::Policy;
use serde_json::Value;

use crate::support::Service;

/// The office's browser: a session and the page's hidden fields.
pub(crate) struct Desk {
    pub(crate) service: Service,
    pub(crate) browser: reqwest::Client,
    pub(crate) cookie: String,
}

impl Desk {
    pub(crate) async fn open() -> Self {
        Self::open_with(|_| {}).await
    }

    pub(crate) async fn open_with(set: impl FnOnce(&mut Config)) -> Self {
        let hooks = Hooks { pages: hotspell_daemon::pages::routes, ..Hooks::NONE };
        let service = Service::start_with(hooks, set);
        let cookie = cookie_of(&service, &service.office).await;
        let browser = reqwest::Client::builder().redirect(Policy::none()).build().unwrap();
        Self { service, browser, cookie }
    }

    pub(crate) async fn page(&self, path: &str) -> (StatusCode, String) {
        let request = self.browser.get(format!("{}{path}", self.service.url));
        let answer = request.header("Cookie", &self.cookie).send().await.unwrap();
        (answer.status(), answer.text().await.unwrap())
    }

    pub(crate) async fn send(&self, path: &str, fields: &[(&str, &str)]) -> (StatusCode, String) {
        let request = self.browser.post(format!("{}{path}", self.service.url));
        let request = request
            .header("Cookie", &self.cookie)
            .header("Content-Type", "application/x-www-form-urlencoded")
            .body(serde_urlencoded::to_string(fields).unwrap());
        let answer = request.send().await.unwrap();
        (answer.status(), answer.text().await.unwrap())
    }

    pub(crate) async fn read(&self, path: &str) -> Value {
        self.service.get(path).await.json().await.unwrap()
    }
}

/// The value of the first field of that name.
pub(crate) fn value<'a>(page: &'a str, name: &str) -> &'a str {
    let field = page.split(&format!("name=\"{name}\" value=\"")).nth(1);
    field.unwrap_or_else(|| panic!("no field {name}")).split('"').next().unwrap()
}

/// The cookie of a session that a token opens.
pub(crate) async fn cookie_of(service: &Service, token: &str) -> String {
    let signed_in = session::sign_in_with_token(&service.state, token).await;
    let (cookie, _) = signed_in.unwrap();
    format!("{}={}", cookie.name(), cookie.value())
}
