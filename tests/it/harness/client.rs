//! A client of the REST interface with one person's token.

use std::sync::OnceLock;

use reqwest::Method;
use serde_json::Value;

/// Sends requests as one person.
#[derive(Debug, Clone)]
pub struct Client {
    http: reqwest::Client,
    base: String,
    token: Option<String>,
}

/// What came back: status, headers, body.
#[derive(Debug)]
pub struct Answer {
    request: String,
    /// The status code.
    pub status: u16,
    /// The headers.
    pub headers: reqwest::header::HeaderMap,
    /// The body as it was sent.
    pub bytes: Vec<u8>,
}

impl Client {
    /// A client of the service at `base` (scheme, host and port), without or with a bearer token.
    #[must_use]
    pub fn new(base: &str, token: Option<&str>) -> Self {
        static PROVIDER: OnceLock<()> = OnceLock::new();
        // The client wants a TLS provider even where it speaks plain HTTP.
        PROVIDER.get_or_init(|| {
            rustls::crypto::ring::default_provider().install_default().ok();
        });
        let http = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .build()
            .unwrap();
        Self { http, base: base.to_owned(), token: token.map(str::to_owned) }
    }

    /// Asks for a path.
    pub async fn get(&self, path: &str) -> Answer {
        self.send(self.request(Method::GET, path)).await
    }

    /// Posts a JSON body.
    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        self.send(self.request(Method::POST, path).json(body)).await
    }

    /// Posts bytes of a stated type, such as `text/csv`.
    pub async fn post_bytes(&self, path: &str, kind: &str, body: impl Into<Vec<u8>>) -> Answer {
        let request = self.request(Method::POST, path);
        self.send(request.header("Content-Type", kind).body(body.into())).await
    }

    /// Posts what a form's button posts.
    pub async fn post_form(&self, path: &str, body: &str) -> Answer {
        self.post_bytes(path, "application/x-www-form-urlencoded", body).await
    }

    /// Changes a resource under the version that was read.
    pub async fn patch(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send(self.request(Method::PATCH, path).header("If-Match", etag).json(body)).await
    }

    /// Replaces a resource under the version that was read.
    pub async fn put(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send(self.request(Method::PUT, path).header("If-Match", etag).json(body)).await
    }

    /// A request of any form, for [`Client::send`].
    pub fn request(&self, method: Method, path: &str) -> reqwest::RequestBuilder {
        let url = if path.starts_with("http") { path.to_owned() } else { self.base.clone() + path };
        let request = self.http.request(method, url);
        match &self.token {
            Some(token) => request.bearer_auth(token),
            None => request,
        }
    }

    /// Sends a request and reads the whole answer.
    ///
    /// # Panics
    /// When the service does not answer at all.
    pub async fn send(&self, request: reqwest::RequestBuilder) -> Answer {
        let request = request.build().unwrap();
        let line = format!("{} {}", request.method(), request.url());
        let response = match self.http.execute(request).await {
            Ok(response) => response,
            Err(error) => panic!("{line}: no answer: {error:?}"),
        };
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        Answer { request: line, status, headers, bytes: response.bytes().await.unwrap().to_vec() }
    }

    /// Every item of a list, page after page.
    pub async fn all(&self, path: &str) -> Vec<Value> {
        let (mut items, mut next) = (Vec::new(), Some(path.to_owned()));
        let mark = if path.contains('?') { '&' } else { '?' };
        while let Some(page) = next {
            let page = self.get(&page).await.json(200);
            items.extend(page["items"].as_array().expect("a list has items").iter().cloned());
            next = page["next"].as_str().map(|cursor| format!("{path}{mark}cursor={cursor}"));
        }
        items
    }
}

impl Answer {
    /// The body as text.
    #[must_use]
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }

    /// The body as JSON, if the status is the expected one.
    ///
    /// # Panics
    /// Otherwise, showing what came instead.
    pub fn json(&self, status: u16) -> Value {
        assert_eq!(self.status, status, "{}: {}", self.request, self.text());
        serde_json::from_slice(&self.bytes)
            .unwrap_or_else(|error| panic!("{}: no JSON ({error}): {}", self.request, self.text()))
    }

    /// A header's value, or nothing.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name)?.to_str().ok()
    }

    /// The version of the resource, for the next change.
    ///
    /// # Panics
    /// When the answer has none.
    #[must_use]
    pub fn etag(&self) -> String {
        self.header("ETag").unwrap_or_else(|| panic!("{}: no ETag", self.request)).to_owned()
    }

    /// A refusal as RFC 9457 writes it, with the expected status.
    ///
    /// # Panics
    /// When it is none, or says nothing to a person.
    pub fn problem(&self, status: u16) -> Value {
        let body = self.json(status);
        assert_eq!(
            self.header("Content-Type"),
            Some("application/problem+json"),
            "{}",
            self.request
        );
        assert_eq!(body["status"], status, "{}: {body}", self.request);
        for member in ["type", "title", "detail"] {
            assert!(body[member].as_str().is_some_and(|text| !text.is_empty()), "{member}: {body}");
        }
        body
    }
}
