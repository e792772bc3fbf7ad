//! What only Chromium's own protocol can ask of a page: how it looks to somebody with a dark screen,
//! enlarged, or on paper.
//!
//! Chrome `DevTools` Protocol, domains Page and Emulation, by way of chromedriver's `goog/cdp/execute`.

use std::path::PathBuf;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use fantoccini::wd::WebDriverCompatibleCommand;
use reqwest::{Method, Url};
use serde_json::{Value, json};

use super::browser::{Browser, keep_picture};

#[derive(Debug)]
struct Ask {
    method: &'static str,
    parameters: Value,
}

impl WebDriverCompatibleCommand for Ask {
    fn endpoint(
        &self,
        base_url: &Url,
        session_id: Option<&str>,
    ) -> Result<Url, <Url as std::str::FromStr>::Err> {
        base_url.join(&format!("session/{}/goog/cdp/execute", session_id.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &Url) -> (Method, Option<String>) {
        let body = json!({ "cmd": self.method, "params": self.parameters });
        (Method::POST, Some(body.to_string()))
    }
}

impl Browser {
    async fn ask(&self, method: &'static str, parameters: Value) -> Value {
        let answer = self.window.issue_cmd(Ask { method, parameters }).await;
        answer.unwrap_or_else(|error| panic!("{method}: {error}"))
    }

    /// Keeps a picture of the whole page, not of its window alone, as tests/shots/NAME.png and returns its
    /// path. What lies below 6,000 pixels is cut off.
    pub async fn whole_picture(&self, name: &str) -> PathBuf {
        let layout = self.ask("Page.getLayoutMetrics", json!({})).await;
        let height = layout["cssContentSize"]["height"].as_f64().expect("a height in pixels");
        // Such a picture has no scroll bar: the page takes its room too.
        let width = self.window.execute("return window.innerWidth", Vec::new()).await.unwrap();
        let height = height.min(6_000.0);
        let clip = json!({ "x": 0, "y": 0, "width": width, "height": height, "scale": 1 });
        let parameters = json!({ "format": "png", "captureBeyondViewport": true, "clip": clip });
        let picture = self.ask("Page.captureScreenshot", parameters).await;
        let picture = picture["data"].as_str().expect("a picture in Base64");
        keep_picture(name, &BASE64_STANDARD.decode(picture).expect("Base64"))
    }

    /// Pages come as a person wants them who prefers this scheme: `dark` or `light`.
    pub async fn prefer(&self, scheme: &str) {
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        self.ask("Emulation.setEmulatedMedia", json!({ "features": features })).await;
    }

    /// The words of the page as they are shown on `screen` or in `print`.
    pub async fn text_on(&self, medium: &str) -> String {
        self.ask("Emulation.setEmulatedMedia", json!({ "media": medium })).await;
        let words = self.window.execute("return document.body.innerText", Vec::new()).await;
        self.ask("Emulation.setEmulatedMedia", json!({ "media": "" })).await;
        words.unwrap().as_str().expect("words").to_owned()
    }

    /// Enlarges pages: a window of this size in CSS pixels, drawn with `zoom` times as many dots. A
    /// desk of 1,280 at 200 % is a window of 640 with a zoom of 2.
    pub async fn enlarge(&self, width: u32, height: u32, zoom: u32) {
        let metrics =
            json!({ "width": width, "height": height, "deviceScaleFactor": zoom, "mobile": false });
        self.ask("Emulation.setDeviceMetricsOverride", metrics).await;
    }

    /// Ends [`Self::enlarge`].
    pub async fn stop_enlarging(&self) {
        self.ask("Emulation.clearDeviceMetricsOverride", json!({})).await;
    }
}
