//! How a page is looked at: in every window, enlarged, in the dark, with the keyboard, by axe-core and
//! the Nu HTML checker. What is wrong is collected, so that one run tells everything.

use harness::browser::Browser;
use harness::html::HtmlSources;

/// A telephone, a tablet and a desk (CSS pixels).
const SIZES: [(u32, u32); 3] = [(360, 740), (768, 1024), (1440, 900)];

/// What was looked at so far.
#[derive(Default)]
pub(crate) struct Look {
    faults: Vec<String>,
    sources: HtmlSources,
}

impl Look {
    /// Looks at a page in every way, keeps pictures of it as tests/shots/NAME-WIDTH.png, and leaves it
    /// shown at its freshest.
    pub(crate) async fn at(&mut self, browser: &Browser, url: &str, name: &str) {
        for (width, height) in SIZES {
            browser.resize(width, height).await;
            browser.show(url).await;
            let title = browser.window.title().await.unwrap();
            if title.trim().is_empty() {
                self.say(name, "no title");
            }
            self.fits(browser, &format!("{name} at {width}")).await;
            // The stylesheet's one breakpoint is 960: a tablet has the telephone's rules.
            if width != 768 {
                self.add(&format!("{name} at {width}"), browser.accessibility_faults().await);
            }
            browser.whole_picture(&format!("{name}-{width}")).await;
        }
        self.enlarged(browser, url, name).await;
        self.in_the_dark(browser, url, name).await;
        browser.resize(1440, 900).await;
        browser.show(url).await;
        self.add(&format!("{name} by keyboard"), browser.keyboard_faults().await);
        self.sources.keep_shown(name, browser).await;
        browser.show(url).await;
    }

    /// Notes a fault that was found elsewhere.
    pub(crate) fn say(&mut self, name: &str, fault: &str) {
        // Seen too when the test ends early.
        println!("{name}: {fault}");
        self.faults.push(format!("{name}: {fault}"));
    }

    fn add(&mut self, name: &str, faults: Vec<String>) {
        for fault in faults {
            self.say(name, &fault);
        }
    }

    async fn fits(&mut self, browser: &Browser, name: &str) {
        if let Some(fault) = browser.sideways_overflow().await {
            self.say(name, &fault);
        }
    }

    /// WCAG 2.2, 1.4.4: a desk of 1,280 by 900 at 200 %; 1.4.10: a width of 320, which is that desk at
    /// 400 %; and letters of twice the size alone.
    async fn enlarged(&mut self, browser: &Browser, url: &str, name: &str) {
        for (width, height, zoom) in [(640, 450, 2), (320, 256, 4)] {
            browser.enlarge(width, height, zoom).await;
            browser.show(url).await;
            self.fits(browser, &format!("{name} at {} %", zoom * 100)).await;
        }
        browser.stop_enlarging().await;
        browser.resize(1280, 900).await;
        browser.show(url).await;
        let larger = "document.documentElement.style.fontSize = '200%'";
        browser.window.execute(larger, Vec::new()).await.unwrap();
        self.fits(browser, &format!("{name} with letters of twice the size")).await;
    }

    /// The dark scheme has colours of its own: their contrast is looked at on its own.
    async fn in_the_dark(&mut self, browser: &Browser, url: &str, name: &str) {
        browser.prefer("dark").await;
        browser.resize(768, 1024).await;
        browser.show(url).await;
        self.add(&format!("{name} in the dark"), browser.accessibility_faults().await);
        browser.whole_picture(&format!("{name}-dark")).await;
        browser.prefer("light").await;
    }

    /// Fails with everything that was found.
    pub(crate) fn end(mut self) {
        let html = self.sources.faults();
        self.faults.extend(html);
        let count = self.faults.len();
        assert!(self.faults.is_empty(), "{count} faults:\n{}", self.faults.join("\n"));
    }
}
